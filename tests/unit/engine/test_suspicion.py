"""Doubt about a sensor: stuck counts and counts of nothing, as dialogues, and how often chance alone raises them."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from motewatch.engine import Engine
from motewatch.engine.codec import canonical
from motewatch.engine.records import AlarmChanged, Commanded, Input, Memory, Output, Priority
from motewatch.measure.suspicion import samples_until_suspicious
from motewatch.wire.records import SECOND_US, Health, SetOccupancy
from support.dialogue import transcript
from support.facility import T0, at, configured, engine, heard, reading, run, site_dict

M = 60 * SECOND_US
STATED = {"sensors": [{"sensor": "pc-2", "usual_per_m3": 100.0}]}
"""2.83 particles in a reading of 28.3 L."""


def bench(minute: int, *counts: int, **more: Any) -> Input:
    small, large = counts
    return heard(reading("pc-2", minute, T0 + minute * M, (small, large), seconds=60.0, **more))


def site(**suspicion: Any) -> dict[str, Any]:
    return site_dict(suspicion=suspicion)


def lines(said: list[Output]) -> list[str]:
    return [line for line in transcript(said, AlarmChanged) if "stuck" in line or "all-zero" in line]


def test_the_same_counts_seven_times_are_not_to_be_believed() -> None:
    # About (2 pi 120)^-2.5 / sqrt 6 = 2.6e-8 for six equal counts at a mean of 120, (2 pi 120)^-3 / sqrt 7 = 8.8e-10
    # for seven.
    stream = [bench(minute, 120, 3) for minute in range(1, 12)]
    said = run(engine(site()), [*stream, bench(12, 119, 3)])
    assert lines(said) == [
        "sensor/pc-2/stuck starts at +420 -> unacknowledged",
        "sensor/pc-2/stuck returns at +720 -> returned-unacknowledged",
    ]
    alarm = next(out for out in said if isinstance(out, AlarmChanged) and out.kind == "sensor-stuck")
    assert (alarm.priority, alarm.value, alarm.sensor, alarm.location) == (Priority.MEDIUM, 7.0, "pc-2", "prep-1")
    assert alarm.text == "pc-2: the same counts (120/3) in 7 readings in a row; by chance 9e-10"


def test_any_channel_that_moves_ends_the_run() -> None:
    stream = [bench(minute, 120, 3 + minute % 2) for minute in range(1, 60)]
    assert lines(run(engine(site()), stream)) == []


def test_no_particle_is_doubted_where_particles_are_usual() -> None:
    # exp(-2.83 n) < 1e-9 from n = 8 on.
    stream = [bench(minute, 0, 0) for minute in range(1, 10)]
    said = run(engine(site(**STATED)), [*stream, bench(10, 1, 0)])
    assert lines(said) == [
        "sensor/pc-2/all-zero starts at +480 -> unacknowledged",
        "sensor/pc-2/all-zero returns at +600 -> returned-unacknowledged",
    ]
    assert math.exp(-2.83 * 8) < 1e-9 < math.exp(-2.83 * 7)


def test_without_knowledge_of_the_air_zeros_are_no_suspicion() -> None:
    assert lines(run(engine(site()), [bench(minute, 0, 0) for minute in range(1, 200)])) == []


def test_what_is_usual_is_the_least_of_ten_blocks() -> None:
    made = engine(site(learn_readings=100))
    # Nine blocks of ten readings with about 30, one with about 3; then none at all.
    counts = [29 + 2 * (minute % 2) if minute <= 90 else 2 + 2 * (minute % 2) for minute in range(1, 101)]
    said = run(made, [bench(minute, count, 0) for minute, count in enumerate(counts, 1)])
    *_, learned = made.snapshot()["locations"]["prep-1"]["suspicion"]
    (state, readings, _, _, blocks, least) = learned[0]
    assert (state, readings, blocks) == ("operational", 0, 10)
    # 30 particles in ten readings: the lower 95 % bound is 21.59 (exact: chi-squared, 60 degrees of freedom).
    assert least == pytest.approx(21.594 / 0.283, rel=1e-4)
    said += run(made, [bench(minute, 0, 0) for minute in range(101, 115)])
    # 2.159 a reading: exp(-2.159 n) < 1e-9 from n = 10 on.
    assert lines(said) == ["sensor/pc-2/all-zero starts at +6600 -> unacknowledged"]


def test_a_block_without_particles_shows_that_the_air_is_empty_at_times() -> None:
    made = engine(site(learn_readings=100))
    counts = [29 + 2 * (minute % 2) if minute <= 90 else 0 for minute in range(1, 400)]
    assert lines(run(made, [bench(minute, count, 0) for minute, count in enumerate(counts, 1)])) == []


@pytest.mark.parametrize("health", ["laser", "flow"])
def test_suspect_readings_neither_lengthen_a_run_nor_end_it(health: str) -> None:
    bad: dict[str, Any] = {health: Health.FAULT}
    stream = [*[bench(m, 120, 3) for m in range(1, 7)], *[bench(m, 120, 3, **bad) for m in range(7, 30)]]
    assert lines(run(engine(site()), stream)) == []
    stream = [*[bench(m, 120, 3) for m in range(1, 8)], bench(8, 77, 3, **bad)]
    assert lines(run(engine(site()), stream)) == ["sensor/pc-2/stuck starts at +420 -> unacknowledged"]


def test_late_readings_are_left_out() -> None:
    stream = [bench(minute, 120, 3) for minute in (1, 2, 3, 5, 6)]
    late = heard(reading("pc-2", 4, T0 + 4 * M, (99, 0), seconds=60.0), received_us=T0 + 6 * M + 2 * SECOND_US)
    said = run(engine(site()), [*stream, late, bench(7, 120, 3), bench(8, 120, 3)])
    assert lines(said) == ["sensor/pc-2/stuck starts at +480 -> unacknowledged"]


def test_a_change_of_the_occupancy_state_begins_a_new_run() -> None:
    stream: list[Input] = [bench(minute, 120, 3) for minute in range(1, 6)]
    stream.append(at(T0 + 5 * M + SECOND_US, Commanded(SetOccupancy("c-1", "op", "prep", "at-rest"))))
    stream += [bench(minute, 120, 3) for minute in range(6, 14)]
    # The reading of minute 6 began before the command; seven to thirteen are seven at rest.
    assert lines(run(engine(site()), stream)) == ["sensor/pc-2/stuck starts at +780 -> unacknowledged"]


def test_portables_are_never_doubted_and_nobody_is_unless_asked() -> None:
    same = [bench(minute, 120, 3) for minute in range(1, 50)]
    assert lines(run(engine(), same)) == []
    portable = [
        heard(reading("hand-1", minute, T0 + minute * M, (120, 3), seconds=60.0, location="prep-2"))
        for minute in range(1, 50)
    ]
    assert lines(run(engine(site()), portable)) == []


def test_taken_out_of_the_site_file_the_alarm_is_over() -> None:
    made = engine(site())
    run(made, [bench(minute, 120, 3) for minute in range(1, 10)])
    said = made.apply(at(T0 + 10 * M, configured(site_dict())))
    assert lines(said) == ["sensor/pc-2/stuck returns at +600 -> returned-unacknowledged"]


def test_restored_after_every_reading_equals_never_stopped() -> None:
    counts = [*([0] * 5), *([30, 31] * 60), *([0] * 30), *([40] * 20), 41]
    stream = [bench(minute, count, 0) for minute, count in enumerate(counts, 1)]
    straight = run(engine(site(learn_readings=100)), stream)
    history = Memory()
    made = Engine(history)
    made.apply(at(T0, configured(site(learn_readings=100))))
    said: list[Output] = []
    for item in stream:
        made = Engine.restore(json.loads(made.snapshot_text()), history)
        said += made.apply(item)
    assert [canonical(out) for out in said] == [canonical(out) for out in straight]
    assert len(lines(said)) == 4


def poisson(count: int, mean: float) -> float:
    return math.exp(count * math.log(mean) - mean - math.lgamma(count + 1))


@pytest.mark.parametrize("threshold", [1e-9, 1e-6])
def test_how_often_chance_alone_completes_a_run(threshold: float) -> None:
    """The exact rate at which runs complete in air of a constant mean, as the module says it.

    A run of count k that is doubted from n(k) readings on completes at a reading with (1 - p) p^n: the n are k, and
    the one before them is not.
    """
    needed: dict[int, int] = {}
    worst = 0.0
    for mean in [0.05 * 1.12**step for step in range(85)]:
        top = int(mean + 12 * math.sqrt(mean) + 12)
        rate = 0.0
        for count in range(max(1, int(mean - 12 * math.sqrt(mean))), top):
            if count not in needed:
                found = samples_until_suspicious(count, float(count), 0.0, threshold)
                assert found is not None
                needed[count] = found
            chance = poisson(count, mean)
            rate += (1 - chance) * chance ** needed[count]
        worst = max(worst, rate)
        empty = samples_until_suspicious(0, mean, 0.0, threshold)
        assert empty is not None
        assert (1 - math.exp(-mean)) * math.exp(-mean * empty) < threshold
    assert 0.1 * threshold < worst < 1.1 * threshold
