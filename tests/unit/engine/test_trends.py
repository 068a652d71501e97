"""Adverse trends in the engine, as dialogues: when each method speaks, when it is quiet, and what never counts."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from motewatch.engine import Engine
from motewatch.engine.codec import canonical
from motewatch.engine.records import AlarmChanged, Commanded, Heard, Input, Memory, Output, Priority
from motewatch.engine.register import alarm_register
from motewatch.site.models import Site
from motewatch.wire.records import SECOND_US, Health, SetOccupancy
from support.dialogue import transcript
from support.facility import T0, at, configured, engine, heard, reading, run, site_dict

M = 60 * SECOND_US
PREP = {"location": "prep-1", "size_um": 0.5}
EWMA = {**PREP, "method": "ewma", "usual_per_m3": 10_000.0, "return_after": 3}
"""283 particles in a sample of 28.3 L: one sample a minute at the bench (ISO 7: 352 000 allowed)."""
CUSUM = {**PREP, "method": "poisson-cusum", "usual_per_m3": 20.0, "limit_particles": 4.0, "return_after": 2}
U_CHART = {**PREP, "method": "u-chart", "usual_per_m3": 20.0, "return_after": 2}
NELSON = {**PREP, "method": "nelson", "usual_per_m3": 10_000.0, "return_after": 4}
WESTERN = {**PREP, "method": "western-electric", "usual_per_m3": 10_000.0, "return_after": 4}


def site(*trends: dict[str, Any], **more: Any) -> dict[str, Any]:
    return site_dict(trends=list(trends), **more)


def bench(minute: int, count: int, seconds: float = 60.0, **more: Any) -> Input:
    """The bench's sensor says its count of minute `minute`."""
    return heard(reading("pc-2", minute, T0 + minute * M, (count, 0), seconds=seconds, **more))


def counts(*values: int, first: int = 1) -> list[Input]:
    return [bench(first + index, value) for index, value in enumerate(values)]


def trend_lines(said: list[Output]) -> list[str]:
    return [line for line in transcript(said, AlarmChanged) if "trend" in line]


def told(said: list[Output]) -> list[AlarmChanged]:
    return [out for out in said if isinstance(out, AlarmChanged) and out.kind == "trend"]


def test_a_filter_slowly_loads_and_the_ewma_tells_while_no_limit_is_exceeded() -> None:
    usual = [283] * 5
    loading = [283 + 3 * step for step in range(1, 40)]
    # By hand: weight 0.2, Poisson sigma of 283, final limits: 3 sigma sqrt(0.2 / 1.8).
    average, first = 0.0, 0
    for minute, count in enumerate([*usual, *loading], 1):
        average = 0.2 * (count - 283) + 0.8 * average
        if average > 3 * math.sqrt(283 * 0.2 / 1.8):
            first = minute
            break
    said = run(engine(site(EWMA)), counts(*usual, *loading))
    assert first == 15
    at_the_bench = [line for line in transcript(said, AlarmChanged) if line.startswith("location/")]
    assert at_the_bench == [f"location/prep-1/0.5um/trend-ewma starts at +{60 * first} -> unacknowledged"]
    alarm = told(said)[0]
    assert alarm.priority is Priority.LOW
    assert alarm.value == pytest.approx(average)
    assert alarm.limit == pytest.approx(16.82, abs=0.01)
    assert alarm.text == (
        "Bench: adverse trend of particles >= 0.5 um by ewma: 19.3 particles, limit 16.8 (its weighted mean "
        "(weight 0.2) beyond 3 sigma); now 11 060/m3, usual mean 10 000 (as stated)"
    )


def test_it_returns_after_so_many_calm_samples_below_half_of_the_limit() -> None:
    # 383 makes the mean 20 (limit 16.8); then 16, 12.8, 10.2, 8.2, 6.6, 5.2: half of the limit is 8.4.
    said = run(engine(site(EWMA)), counts(383, 283, 283, 283, 283, 283, 283, 283))
    assert trend_lines(said) == [
        "location/prep-1/0.5um/trend-ewma starts at +60 -> unacknowledged",
        "location/prep-1/0.5um/trend-ewma returns at +420 -> returned-unacknowledged",
    ]
    assert "no adverse trend of particles >= 0.5 um by ewma in 3 samples in a row" in told(said)[1].text


def test_cleaner_air_is_no_adverse_trend() -> None:
    every = [EWMA, {**NELSON}, {**WESTERN}, {**U_CHART, "usual_per_m3": 10_000.0}]
    assert trend_lines(run(engine(site(*every)), counts(*[120 - step for step in range(30)]))) == []


def test_the_cumulative_sum_adds_up_low_counts_in_whatever_volumes() -> None:
    # k = 20 / ln 2 = 28.85 per m3: 0.8166 in 28.3 L, 0.4083 in half of it.
    # The sum: 0.18, 1.37, 2.55, 3.73, and with the fifth reading, of half the air, 3.73 + 1 - 0.41 = 4.33.
    minutes = [*counts(1, 2, 2, 2), bench(5, 1, seconds=30.0)]
    said = run(engine(site(CUSUM)), minutes)
    assert trend_lines(said) == ["location/prep-1/0.5um/trend-poisson-cusum starts at +300 -> unacknowledged"]
    k = 20 / math.log(2)
    assert told(said)[0].value == pytest.approx(8 - k * (4 * 0.0283 + 0.01415), abs=1e-4)
    # The same count in a whole sample: 3.92, and no alarm.
    assert trend_lines(run(engine(site(CUSUM)), counts(1, 2, 2, 2, 1))) == []


def test_the_cumulative_sum_returns_below_half_of_its_limit() -> None:
    # 4.18 at the first; 3.37, 2.55, 1.73, 0.92: below 2 at the fourth and fifth.
    said = run(engine(site(CUSUM)), counts(5, 0, 0, 0, 0, 0))
    assert trend_lines(said) == [
        "location/prep-1/0.5um/trend-poisson-cusum starts at +60 -> unacknowledged",
        "location/prep-1/0.5um/trend-poisson-cusum returns at +300 -> returned-unacknowledged",
    ]


def test_the_u_chart_asks_the_exact_limit_of_each_samples_own_volume() -> None:
    # 20 per m3: 0.566 in 28.3 L. P(N >= 4) = 0.0027, P(N >= 5) = 0.0003: 4 are still within, 5 are not.
    quiet = run(engine(site(U_CHART)), counts(4, 4, 4))
    assert trend_lines(quiet) == []
    # In 5 s: 0.047, P(N >= 2) = 0.0011: two are beyond.
    said = run(engine(site(U_CHART)), [bench(1, 2, seconds=5.0), bench(2, 0), bench(3, 0)])
    assert trend_lines(said) == [
        "location/prep-1/0.5um/trend-u-chart starts at +60 -> unacknowledged",
        "location/prep-1/0.5um/trend-u-chart returns at +180 -> returned-unacknowledged",
    ]
    assert told(said)[0].limit == 1.0


def test_eight_points_above_the_centre_are_western_electrics_and_nine_nelsons() -> None:
    said = run(engine(site(NELSON, WESTERN)), counts(*[290] * 8))
    assert trend_lines(said) == ["location/prep-1/0.5um/trend-western-electric starts at +480 -> unacknowledged"]
    assert "rule WE4, 8 points in a row on one side of the centre" in told(said)[0].text
    said = run(engine(site(NELSON)), counts(*[290] * 9))
    assert trend_lines(said) == ["location/prep-1/0.5um/trend-nelson starts at +540 -> unacknowledged"]
    assert "rule N2" in told(said)[0].text


def test_nelsons_rules_that_know_no_side_say_nothing() -> None:
    # 14 up and down in turn, far from the centre on both sides: N4, N8; then 15 near the centre: N7.
    turns = [250, 316] * 7
    assert trend_lines(run(engine(site(NELSON)), counts(*turns))) == []
    assert trend_lines(run(engine(site(NELSON)), counts(*[282, 284] * 10))) == []


@pytest.mark.parametrize("health", ["laser", "flow"])
def test_suspect_air_neither_raises_nor_clears(health: str) -> None:
    bad: dict[str, Any] = {health: Health.FAULT}
    said = run(engine(site(EWMA)), [bench(minute, 2000, **bad) for minute in range(1, 10)])
    assert trend_lines(said) == []
    raised = [bench(1, 400), *[bench(minute, 283, **bad) for minute in range(2, 30)]]
    assert trend_lines(run(engine(site(EWMA)), raised)) == [
        "location/prep-1/0.5um/trend-ewma starts at +60 -> unacknowledged"
    ]


def test_partial_and_missing_samples_neither_raise_nor_clear() -> None:
    trend = {"location": "fill-1", "size_um": 0.5, "method": "u-chart", "usual_per_m3": 100.0, "return_after": 1}
    made = engine(site(trend))
    # A good minute with many; then one sixth of a minute without any; then nothing.
    full = [heard(reading("pc-1", i, T0 + (10 * i + 10) * SECOND_US, (10, 0))) for i in range(6)]
    part = [heard(reading("pc-1", 6, T0 + 70 * SECOND_US, (0, 0)))]
    said = run(made, [*full, *part], T0 + 10 * M)
    assert trend_lines(said) == ["location/fill-1/0.5um/trend-u-chart starts at +60 -> unacknowledged"]
    # Many in a part of a minute: no trend.
    part = [heard(reading("pc-1", 0, T0 + 10 * SECOND_US, (60, 0)))]
    assert trend_lines(run(engine(site(trend)), part, T0 + 10 * M)) == []


def test_a_mean_is_learned_and_kept_and_then_judged_by() -> None:
    trend = {**PREP, "method": "ewma", "learn_samples": 20}
    made = engine(site(trend))
    # Half of the samples 273, half 293: the mean is 283 particles in 28.3 L.
    said = run(made, counts(*[273, 293] * 10))
    state = made.snapshot()["locations"]["prep-1"]["trends"]["0.5um/trend-ewma"]
    assert state[1:5] == [20, 5660, 20 * 28_300_000, 10_000.0]
    said += run(made, counts(283, 283, 400, first=21))
    assert trend_lines(said) == ["location/prep-1/0.5um/trend-ewma starts at +1380 -> unacknowledged"]
    assert "usual mean 10 000 (learned from 20 samples)" in told(said)[0].text
    # The excursion does not move the mean.
    assert made.snapshot()["locations"]["prep-1"]["trends"]["0.5um/trend-ewma"][1:5] == state[1:5]


def test_in_clean_air_learning_goes_on_until_there_are_particles_enough() -> None:
    made = engine(site({**CUSUM, "usual_per_m3": None, "learn_samples": 20}))
    run(made, counts(*[0, 1] * 19))
    assert made.snapshot()["locations"]["prep-1"]["trends"]["0.5um/trend-poisson-cusum"][1:5] == [
        38, 19, 38 * 28_300_000, None,
    ]  # fmt: skip
    run(made, counts(1, first=39))
    assert made.snapshot()["locations"]["prep-1"]["trends"]["0.5um/trend-poisson-cusum"][4] == pytest.approx(
        20 / (39 * 0.0283)
    )


def occupancy(minute: int, state: str) -> Input:
    at_us = T0 + minute * M + 30 * SECOND_US
    return at(at_us, Commanded(SetOccupancy(f"c-{minute}", "op", "prep", state)))


def test_a_change_of_the_occupancy_state_begins_the_statistic_anew() -> None:
    # Seven above the centre, then at rest (from the next sample's start on), seven more: no eight in one state.
    stream = [*counts(*[290] * 7), occupancy(7, "at-rest"), *counts(290, first=8), *counts(*[290] * 6, first=9)]
    # The sample of minute 8 starts before the command and is still operational: it is the eighth.
    assert trend_lines(run(engine(site({**WESTERN, "return_after": 50})), stream)) == [
        "location/prep-1/0.5um/trend-western-electric starts at +480 -> unacknowledged"
    ]
    stream = [*counts(*[290] * 6), occupancy(6, "at-rest"), *counts(*[290] * 8, first=7)]
    # Six and the seventh operational, then seven at rest.
    assert trend_lines(run(engine(site(WESTERN)), stream)) == []


def test_a_trend_for_one_state_sees_no_other_and_has_an_id_of_its_own() -> None:
    trend = {**EWMA, "occupancy": "at-rest", "usual_per_m3": 1_000.0}
    stream = [*counts(283, 283, 283), occupancy(3, "at-rest"), *counts(283, 28, 28, 83, 28, first=4)]
    assert trend_lines(run(engine(site(trend)), stream)) == [
        "location/prep-1/0.5um/trend-ewma/at-rest starts at +420 -> unacknowledged"
    ]


def test_a_long_gap_begins_the_statistic_anew_and_a_short_one_does_not() -> None:
    for minutes, expected in ((60, 1), (62, 0)):
        stream = [*counts(*[290] * 7), bench(7 + minutes, 290)]
        assert len(trend_lines(run(engine(site(WESTERN)), stream))) == expected, minutes


def test_late_data_do_not_feed_it_whatever_they_hold() -> None:
    punctual = counts(283, 283, 283, 283)
    late = [heard(reading("pc-2", 9, T0 + 2 * M - 20 * SECOND_US, (5000, 0), seconds=30.0), received_us=T0 + 5 * M)]
    made = engine(site({**EWMA}))
    said = run(made, [*punctual, *late], T0 + 7 * M)
    assert trend_lines(said) == []
    straight = engine(site({**EWMA}))
    run(straight, punctual, T0 + 7 * M)
    assert made.snapshot()["locations"]["prep-1"]["trends"] == straight.snapshot()["locations"]["prep-1"]["trends"]


def test_the_narrowest_place_wins() -> None:
    area = {"area": "north", "size_um": 0.5, "method": "ewma", "usual_per_m3": 5.0}
    room = {"room": "prep", "size_um": 0.5, "method": "ewma", "usual_per_m3": 10_000.0}
    assert len(trend_lines(run(engine(site(area)), counts(283)))) == 1
    for tables in ([area, room], [room, area]):
        assert trend_lines(run(engine(site(*tables)), counts(*[283] * 9))) == []


def test_taken_out_of_the_site_file_the_alarm_is_over() -> None:
    made = engine(site(EWMA))
    run(made, counts(400))
    said = made.apply(at(T0 + 3 * M, configured(site_dict())))
    assert trend_lines(said) == ["location/prep-1/0.5um/trend-ewma returns at +180 -> returned-unacknowledged"]


def test_another_table_begins_anew_and_a_standing_alarm_waits_for_sound_samples() -> None:
    made = engine(site(EWMA))
    run(made, counts(400))
    assert trend_lines(made.apply(at(T0 + 100 * SECOND_US, configured(site({**EWMA, "weight": 0.3}))))) == []
    said = run(made, counts(283, 283, 283, first=2))
    assert trend_lines(said) == ["location/prep-1/0.5um/trend-ewma returns at +240 -> returned-unacknowledged"]


def test_a_count_beyond_all_measure_does_not_stop_the_engine() -> None:
    said = run(engine(site(EWMA, CUSUM, U_CHART, NELSON)), counts(2_000_000_000))
    assert len(trend_lines(said)) == 4


def test_restored_after_every_sample_equals_never_stopped() -> None:
    every = [EWMA, {**CUSUM, "usual_per_m3": 9_000.0}, {**U_CHART, "usual_per_m3": 9_900.0}, NELSON, WESTERN]
    learned = {**EWMA, "usual_per_m3": None, "learn_samples": 20, "occupancy": "operational"}
    values = [270, 300, 290, 350, 280, 260, 275, 310, 320, 400, 290, 280, 283, 270, 260, 250] * 3
    straight = run(engine(site(*every, learned)), counts(*values))
    history = Memory()
    made = Engine(history)
    made.apply(at(T0, configured(site(*every, learned))))
    said: list[Output] = []
    for item in counts(*values):
        made = Engine.restore(json.loads(made.snapshot_text()), history)
        said += made.apply(item)
    assert [canonical(out) for out in said] == [canonical(out) for out in straight]
    assert len(trend_lines(said)) > 8


def test_a_site_without_trends_keeps_nothing_of_them() -> None:
    made = engine()
    said = run(made, counts(*[5000] * 20))
    assert [line for line in transcript(said, AlarmChanged) if not line.startswith("sensor/pc-1")] == []
    kept = made.snapshot()["locations"]["prep-1"]
    assert (kept["trends"], kept["suspicion"]) == ({}, None)
    assert isinstance(bench(1, 1).what, Heard)


def test_the_register_lists_what_is_watched() -> None:
    learned = {"room": "fill", "size_um": 5.0, "method": "u-chart", "learn_samples": 500, "occupancy": "at-rest"}
    made = Site.model_validate(site(EWMA, learned, suspicion={}))
    rows = {row.alarm: row for row in alarm_register(made)}
    ewma = rows["location/prep-1/0.5um/trend-ewma"]
    assert (ewma.kind, ewma.advice.priority, ewma.location) == ("trend", Priority.LOW, "prep-1")
    assert ewma.judged == "ewma about a usual mean of 10000 /m3, as stated, each reading"
    assert rows["location/fill-1/5um/trend-u-chart/at-rest"].judged == (
        "u-chart about the mean of the first 500 samples, periods of 60 s"
    )
    doubts = [(row.alarm, row.kind) for row in rows.values() if row.kind in ("sensor-stuck", "sensor-all-zero")]
    assert doubts == [
        ("sensor/pc-1/stuck", "sensor-stuck"),
        ("sensor/pc-1/all-zero", "sensor-all-zero"),
        ("sensor/pc-2/stuck", "sensor-stuck"),
        ("sensor/pc-2/all-zero", "sensor-all-zero"),
    ]
    kinds = {row.kind for row in alarm_register(Site.model_validate(site_dict()))}
    assert not kinds & {"trend", "sensor-stuck", "sensor-all-zero"}
