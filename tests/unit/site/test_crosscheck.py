"""Cross checks where the answer depends on several tables: cases that must pass beside those that must not."""

from __future__ import annotations

import time
import tomllib
from typing import Any

import pytest

from motewatch.links.site_limits import check_limits
from motewatch.site.crosscheck import crosscheck
from motewatch.site.models import Site
from motewatch.site.problems import Severity

BASE = """
format = 1
site = { id = "s", name = "Site", time_zone = "UTC" }
areas = [{ id = "a", name = "Area" }]
rooms = [{ id = "r", name = "Room", area = "a", grade = "B" }]
programmes = [{ id = "p" }]
locations = [
    { id = "l", name = "L", room = "r", programme = "p" },
    { id = "z", name = "Zone", room = "r", programme = "p", grade = "A" },
]
sensors = [
    { id = "c", serial = "1", location = "l", sizes_um = [0.5, 1.0, 5.0], flow_l_min = 28.3 },
    { id = "d", serial = "2", location = "z", sizes_um = [0.5, 5.0], flow_l_min = 28.3 },
]
"""


def site(**lists: Any) -> Site:
    return Site.model_validate(tomllib.loads(BASE) | lists)


def keys(found: Site) -> list[tuple[str, str]]:
    problems = crosscheck(found) + check_limits(found)
    return [(p.key, p.severity.value) for p in problems]


def with_climate(**tables: Any) -> Site:
    return site(rooms=[{"id": "r", "name": "Room", "area": "a", "grade": "B", "climate": tables}])


def test_the_base_is_sound() -> None:
    assert keys(site()) == []


@pytest.mark.parametrize(
    "bounds",
    [
        {"low_c": 18, "alert_low_c": 18, "alert_high_c": 22, "high_c": 22, "deadband_c": 3.9},
        {"high_c": 22, "deadband_c": 20},
        {"alert_low_c": 18, "high_c": 22},
        {"low_c": -20, "high_c": -10},
    ],
)
def test_bounds_in_order(bounds: dict[str, float]) -> None:
    assert keys(with_climate(temperature=bounds)) == []


@pytest.mark.parametrize(
    ("bounds", "key"),
    [
        ({"low_c": 18, "high_c": 18}, "low_c"),
        ({"alert_low_c": 17, "low_c": 18}, "low_c"),
        ({"low_c": 20, "alert_high_c": 19}, "low_c"),
        ({"alert_low_c": 20, "alert_high_c": 20}, "alert_low_c"),
        # The alert band is the narrow one: an alert that ends 3 above 19 would end outside 21.
        ({"low_c": 10, "alert_low_c": 19, "alert_high_c": 21, "high_c": 30, "deadband_c": 2}, "deadband_c"),
    ],
)
def test_bounds_out_of_order(bounds: dict[str, float], key: str) -> None:
    assert keys(with_climate(temperature=bounds)) == [(f"rooms[0].climate.temperature.{key}", "error")]


def test_a_justified_pressure_delay_passes() -> None:
    pressure = {"low_pa": 10, "on_delay_s": 30}
    assert keys(with_climate(pressure_difference=pressure)) == [
        ("rooms[0].climate.pressure_difference.on_delay_s", "error")
    ]
    assert keys(with_climate(pressure_difference=pressure | {"delay_justification": "CCS 4.2"})) == []


@pytest.mark.parametrize(
    ("programme", "expected"),
    [
        ({"volume_l": 28.3}, []),
        ({"volume_l": 28.4}, [("programmes[0].volume_l", "error")]),
        ({"volume_l": 28.4, "period_s": 120}, []),
        # Each reading is a sample: its air is that of the sensor's interval, 60 s here.
        ({"volume_l": 28.4, "period_s": 120, "sample": "each-reading"}, [("programmes[0].volume_l", "error")]),
        ({"period_s": 59}, [("sensors[0].interval_s", "error"), ("sensors[1].interval_s", "error")]),
        ({"period_s": 90}, [("sensors[0].interval_s", "warning"), ("sensors[1].interval_s", "warning")]),
        ({"period_s": 59, "sample": "each-reading"}, []),
        ({"rule": {"kind": "rolling-volume", "volume_l": 1000}}, []),
        ({"size_rules": [{"size_um": 1, "rule": {"kind": "per-sample"}}]}, []),
        ({"size_rules": [{"size_um": 0.3, "rule": {"kind": "per-sample"}}]}, [(
            "programmes[0].size_rules[0].size_um", "error")]),
    ],
)  # fmt: skip
def test_programmes_against_sensors(programme: dict[str, Any], expected: list[tuple[str, str]]) -> None:
    assert keys(site(programmes=[{"id": "p"} | programme])) == expected


@pytest.mark.parametrize("interval", [0.1, 0.3, 1.5, 7.5, 60])
def test_intervals_that_divide_the_period_in_spite_of_binary_fractions(interval: float) -> None:
    sensors = [s | {"interval_s": interval} for s in tomllib.loads(BASE)["sensors"]]
    assert keys(site(sensors=sensors)) == []


def level(**values: Any) -> dict[str, Any]:
    return {"size_um": 0.5} | values


@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        # The room's level holds at the grade A zone too, where 3 520 is the limit in every state.
        ([level(room="r", occupancy="operational", action_per_m3=352_000)], [("levels[0].action_per_m3", "error")]),
        ([level(location="l", occupancy="operational", action_per_m3=352_000)], []),
        ([level(location="l", occupancy="operational", action_per_m3=352_001)], [("levels[0].action_per_m3", "error")]),
        # In every state means at rest as well: 3 520 there.
        ([level(location="l", action_per_m3=3_520)], []),
        ([level(location="l", action_per_m3=3_521)], [("levels[0].action_per_m3", "error")]),
        # The narrower level wins, so the wide one is looser nowhere.
        (
            [
                level(area="a", occupancy="operational", action_per_m3=352_000),
                level(location="z", action_per_m3=3_000),
            ],
            [],
        ),
        # At one place the level that names the state wins.
        (
            [
                level(room="r", action_per_m3=3_000),
                level(location="l", occupancy="operational", action_per_m3=300_000),
                level(room="r", occupancy="at-rest", action_per_m3=2_000),
            ],
            [],
        ),
        # An alert level of the room above the action level of the location would never warn.
        (
            [level(room="r", alert_per_m3=2_000), level(location="l", action_per_m3=1_000)],
            [("levels[0].alert_per_m3", "error")],
        ),
        ([level(location="z", alert_per_m3=3_521)], [("levels[0].alert_per_m3", "error")]),
        ([level(location="z", alert_per_m3=3_520)], []),
        # 1 um has no limit in Annex 1: the site is free.
        ([level(location="l", size_um=1.0, action_per_m3=10**9)], []),
        ([level(location="z", size_um=1.0, action_per_m3=5)], [("levels[0].size_um", "error")]),
        # One of the two sensors of the room counts 1 um.
        ([level(room="r", size_um=1.0, action_per_m3=5)], [("levels[0].size_um", "warning")]),
        ([level(room="r", size_um=0.3, action_per_m3=5)], [("levels[0].size_um", "error")]),
        ([level(location="l", alert_per_m3=5), level(location="l", occupancy="at-rest", alert_per_m3=5)], []),
    ],
)
def test_levels(levels: list[dict[str, Any]], expected: list[tuple[str, str]]) -> None:
    assert keys(site(levels=levels)) == expected


def test_a_portable_makes_a_location_without_fixed_sensor_ordinary() -> None:
    sensors = tomllib.loads(BASE)["sensors"][1:]
    assert keys(site(sensors=sensors)) == [("locations[0]", "warning")]
    portable = {"id": "q", "serial": "3", "kind": "portable", "sizes_um": [0.3, 0.5, 5.0], "flow_l_min": 50}
    assert keys(site(sensors=[*sensors, portable])) == []
    # What only the portable counts is no mistake for a room.
    assert keys(site(sensors=[*sensors, portable], levels=[level(room="r", size_um=0.3, action_per_m3=5)])) == [
        ("levels[0].size_um", "warning")
    ]


def test_grade_d_in_operation_needs_levels_of_the_site() -> None:
    rooms = [{"id": "r", "name": "Room", "area": "a", "grade": "D", "occupancy": "at-rest"}]
    assert keys(site(rooms=rooms)) == []
    rooms[0]["operational"] = ["Mon-Fri 06:00-18:00"]  # type: ignore[assignment]
    assert keys(site(rooms=rooms)) == [("locations[0]", "warning")]
    assert keys(site(rooms=rooms, levels=[level(location="l", alert_per_m3=10**6)])) == []


def test_a_site_of_thousands_is_checked_in_seconds() -> None:
    count = 2000
    big = site(
        rooms=[{"id": f"r{n}", "name": "R", "area": "a", "iso_class": 7} for n in range(count // 4)],
        programmes=[{"id": f"p{n}"} for n in range(20)],
        locations=[{"id": f"l{n}", "name": "L", "room": f"r{n // 4}", "programme": f"p{n % 20}"} for n in range(count)],
        sensors=[
            {"id": f"c{n}", "serial": "1", "location": f"l{n}", "sizes_um": [0.5, 5], "flow_l_min": 28.3}
            for n in range(count)
        ],
        levels=[level(room=f"r{n}", alert_per_m3=1000) for n in range(count // 4)],
    )
    started = time.process_time()
    assert keys(big) == []
    # No timed test: a hundred times what it takes, to notice something that grows with the square.
    assert time.process_time() - started < 60


def test_severities_are_words() -> None:
    assert [severity.value for severity in Severity] == ["error", "warning"]
