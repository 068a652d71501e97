"""The statistics of a report against pandas and numpy, from the same samples."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from motewatch.picture.report_counts import BUCKETS, ClimateLimit, Columns, Level, Rules, exceeds, location_figures

MINUTE = 60_000_000
T0 = 1_780_000_020_000_000
CHANGED = T0 + 700 * MINUTE
END = T0 + 1440 * MINUTE


def levels(alert: int, action: int) -> tuple[Level, ...]:
    return (
        Level(500, "alert", alert, "own"),
        Level(500, "action", action, "table"),
        Level(5000, "action", 29, "table"),
    )


RULES = (
    Rules(0, {"operational": levels(1000, 3520), "at-rest": levels(500, 1000)}),
    Rules(
        CHANGED,
        {"operational": levels(2000, 3000), "at-rest": ()},
        (ClimateLimit("temperature", "action", "high", 22_000),),
    ),
)


@pytest.fixture(scope="module")
def day() -> pd.DataFrame:
    """A day of minutes with gaps, doubtful samples, revisions, two states and values around the levels."""
    rng = np.random.default_rng(20_260_302)
    n = 1440
    frame = pd.DataFrame(
        {
            "start": T0 + np.arange(n) * MINUTE,
            "end": T0 + (np.arange(n) + 1) * MINUTE,
            "revision": rng.choice([1, 1, 1, 2], n),
            "sampled": np.where(rng.random(n) < 0.03, 0, rng.choice([MINUTE, MINUTE, 45_000_000], n)),
            "quality": rng.choice([0, 0, 0, 8, 1], n),
            "state": np.where((np.arange(n) // 240) % 2 == 0, "operational", "at-rest"),
            "small": rng.poisson(60, n),
            "big": rng.poisson(0.4, n),
            "volume": rng.choice([28_300_000, 27_500_000], n),
            "temperature": rng.normal(21_000, 900, n).round().astype(int),
        }
    )
    frame.loc[frame["sampled"] == 0, ["quality"]] = 2
    return frame.drop(range(300, 330)).reset_index(drop=True)


@pytest.fixture(scope="module")
def figures(day: pd.DataFrame) -> dict[str, Any]:
    return location_figures(columns_of(day), RULES, T0, END)


def columns_of(day: pd.DataFrame, together: int = 60) -> Columns:
    columns = Columns()
    made: list[list[Any]] = []
    rows: list[Any] = list(day.itertuples())
    for row in rows:
        air = row.sampled > 0
        channels = [[500, row.small, row.volume], [5000, row.big, row.volume]] if air else []
        climate = [2, 2 * row.temperature, row.temperature - 100, row.temperature + 150] if air else None
        made.append(
            ["l1", row.start, row.end, row.revision, channels, row.sampled, 1, ["s1"] if air else [], row.quality,
             row.state, climate, None, None]
        )  # fmt: skip
    for begin in range(0, len(made), together):
        columns.take(made[begin : begin + together])
    return columns


@pytest.mark.parametrize(("size", "name"), [(500, "small"), (5000, "big")])
def test_statistics_of_a_size(day: pd.DataFrame, figures: dict[str, Any], size: int, name: str) -> None:
    air = day[day["sampled"] > 0]
    values = air[name] * 1e9 / air["volume"]
    found = next(one for one in figures["sizes"] if one["size_nm"] == size)
    assert found["n"] == len(air)
    assert found["mean_per_m3"] == pytest.approx(air[name].sum() * 1e9 / air["volume"].sum(), rel=1e-12)
    assert found["median_per_m3"] == pytest.approx(values.median(), rel=1e-12)
    assert found["p95_per_m3"] == pytest.approx(np.percentile(values, 95, method="linear"), rel=1e-12)
    assert found["max_per_m3"] == pytest.approx(values.max(), rel=1e-12)
    assert found["max_end_us"] == air["end"].to_numpy()[values.to_numpy().argmax()]
    assert found["zeros"] == (air[name] == 0).sum()


@pytest.mark.parametrize("number", [0, 1])
def test_exceedances_of_the_levels_that_held_at_the_time(
    day: pd.DataFrame, figures: dict[str, Any], number: int
) -> None:
    air = day[day["sampled"] > 0]
    era = air[(air["end"] >= CHANGED) == (number == 1)]
    for state, held in RULES[number].levels.items():
        mine = era[era["state"] == state]
        for level in held:
            name = "small" if level.size_nm == 500 else "big"
            size = next(one for one in figures["sizes"] if one["size_nm"] == level.size_nm)
            same = [
                one for one in size["levels"]
                if (one["grade"], one["state"], one["per_m3"]) == (level.grade, state, level.per_m3)
            ]  # fmt: skip
            assert len(same) == 1
            if level.size_nm == 500:  # the level of the larger size is the same in both eras
                assert same[0]["judged"] == len(mine)
                assert same[0]["above"] == ((mine[name] * 1e9 / mine["volume"]) > level.per_m3).sum()
    above = sum(one["above"] for size in figures["sizes"] for one in size["levels"])
    assert above > 100


def test_what_was_not_measured_is_stated(day: pd.DataFrame, figures: dict[str, Any]) -> None:
    measured = np.zeros(1440, dtype=bool)
    measured[((day.loc[day["sampled"] > 0, "start"] - T0) // MINUTE).to_numpy()] = True
    edges = np.flatnonzero(np.diff(np.r_[True, measured, True].astype(int)))
    wanted = [[T0 + int(a) * MINUTE, T0 + int(b) * MINUTE] for a, b in edges.reshape(-1, 2)]
    assert figures["gaps"] == wanted
    assert figures["missing_us"] == (~measured).sum() * MINUTE
    assert figures["coverage"] == pytest.approx(day["sampled"].sum() / (END - T0))
    assert figures["late_revisions"] == (day["revision"] > 1).sum()
    assert figures["doubtful"] == (day["quality"] == 8).sum()


def test_climate_and_time_outside_its_bounds(day: pd.DataFrame, figures: dict[str, Any]) -> None:
    air = day[day["sampled"] > 0]
    (found,) = figures["climate"]
    assert found["mean"] == pytest.approx(air["temperature"].mean() / 1000)
    assert (found["min"], found["max"]) == (
        (air["temperature"].min() - 100) / 1000,
        (air["temperature"].max() + 150) / 1000,
    )
    late = air[air["end"] >= CHANGED]
    assert found["outside_us"] == {"alert": 0, "action": (late["temperature"] > 22_000).sum() * MINUTE}


def test_a_chart_hides_no_peak(day: pd.DataFrame, figures: dict[str, Any]) -> None:
    chart = next(one for one in figures["charts"] if one["size_nm"] == 500)
    assert len(chart["points"]) == BUCKETS
    air = day[day["sampled"] > 0]
    values = air["small"] * 1e9 / air["volume"]
    highest: Any = values.groupby((air["end"] - 1 - T0) * BUCKETS // (END - T0)).max()
    wanted = {int(at): float(value) for at, value in highest.items()}
    found = {at: point[0] for at, point in enumerate(chart["points"]) if point is not None}
    assert found == pytest.approx(wanted, abs=0.001)
    assert max(found.values()) == pytest.approx(figures["sizes"][0]["max_per_m3"], abs=0.001)


def test_a_location_without_data_is_one_gap() -> None:
    found = location_figures(Columns(), RULES, T0, END)
    assert found["gaps"] == [[T0, END]]
    assert (found["samples"], found["coverage"], found["sizes"]) == (0, 0.0, [])
    assert found["unmeasured_levels"] == [500, 5000]


def test_a_value_equal_to_its_level_is_within_it_also_with_huge_numbers() -> None:
    one = np.array([100, 101], dtype=np.int64)
    assert exceeds(one, np.array([10**9, 10**9], dtype=np.int64), 100).tolist() == [False, True]
    huge = np.array([10**12, 10**12 + 1], dtype=np.int64)
    assert exceeds(huge, np.array([10**12, 10**12], dtype=np.int64), 10**9).tolist() == [False, True]


def test_readings_closer_than_the_gap_of_their_programme_are_no_gap() -> None:
    columns = Columns()
    for start in (T0, T0 + 3 * MINUTE, T0 + 20 * MINUTE):
        sample = ["l1", start, start + MINUTE, 1, [[500, 1, 1000]], MINUTE, 1, [], 0, "at-rest", None, None, None]
        columns.take([sample])
    found = location_figures(columns, [Rules(0, {}, (), 5 * MINUTE)], T0, T0 + 22 * MINUTE)
    assert found["gaps"] == [[T0 + 4 * MINUTE, T0 + 20 * MINUTE]]


def test_samples_taken_together_are_those_taken_one_by_one(day: pd.DataFrame) -> None:
    one_by_one = columns_of(day, 1)
    assert columns_of(day) == columns_of(day, len(day)) == one_by_one
    columns, mixed = Columns(), Columns()
    rows: list[list[Any]] = [
        ["l1", T0 + at, T0 + at + 1, 1, channels, 1, 1, sensors, 0, "at-rest", [1, at, at, at], climate, None]
        for at, (channels, sensors, climate) in enumerate(
            [
                ([[500, 1, 10], [5000, 0, 10]], ["s1"], None),
                ([[300, 4, 10], [500, 2, 10]], ["s1", "s2"], [1, 2, 3, 4]),
                ([[500, 3, 10]], [], None),
                ([], [], None),
                ([[500, 4, 0], [5000, 1, 10]], ["s2"], [1, 5, 6, 7]),
            ]
        )
    ]
    columns.take(rows)
    for row in rows:
        mixed.take([row])
    assert columns == mixed
    assert columns.sizes[500][0].tolist() == [0, 1, 2]
    columns.take([])
    assert columns == mixed
