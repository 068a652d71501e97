"""Readings into a sample: sums, coverage, quality, reopening, and no trace of the order of arrival."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.measure.accumulate import Accumulator
from motewatch.measure.samples import Channel, Quality, Sample, Spread
from motewatch.wire.records import Reading

MINUTE = 60_000_000
SIZES = (300, 500, 5000)
TEN_SECONDS = Reading("c1", "boot", 1, 0, 10_000_000, 4_716_667, SIZES, (40, 13, 1))


def accumulated(*readings: tuple[Reading, Quality]) -> Accumulator:
    acc = Accumulator("fill-1", 0, MINUTE)
    for reading, quality in readings:
        acc.add(reading, quality)
    return acc


def closed(acc: Accumulator, min_coverage: float = 0.75, nominal_ul: int | None = None) -> Sample:
    return acc.to_sample(1, "operational", min_coverage, nominal_ul)


def test_sums() -> None:
    second = replace(
        TEN_SECONDS, seq=2, start_us=10_000_000, volume_ul=4_716_666, counts=(2, 1, 0), temperature_mc=21_000
    )
    third = replace(second, seq=3, temperature_mc=20_500, humidity_mpct=45_000, pressure_mpa=-12_000)
    found = closed(accumulated((TEN_SECONDS, Quality.GOOD), (second, Quality.GOOD), (third, Quality.GOOD)), 0.5)
    assert found == Sample(
        location="fill-1",
        start_us=0,
        end_us=MINUTE,
        revision=1,
        channels=(Channel(300, 44, 14_149_999), Channel(500, 15, 14_149_999), Channel(5000, 1, 14_149_999)),
        sampled_us=30_000_000,
        readings=3,
        sensors=("c1",),
        quality=Quality.GOOD,
        occupancy="operational",
        temperature=Spread(2, 41_500, 20_500, 21_000),
        humidity=Spread(1, 45_000, 45_000, 45_000),
        pressure=Spread(1, -12_000, -12_000, -12_000),
    )
    assert found.temperature is not None
    assert found.temperature.mean == 20.75


def test_each_size_has_its_own_air() -> None:
    other = replace(TEN_SECONDS, sensor="p1", sizes_nm=(500, 1000), counts=(7, 3), volume_ul=10_000_000)
    found = closed(accumulated((TEN_SECONDS, Quality.GOOD), (other, Quality.GOOD)))
    assert found.channels == (
        Channel(300, 40, 4_716_667),
        Channel(500, 20, 14_716_667),
        Channel(1000, 3, 10_000_000),
        Channel(5000, 1, 4_716_667),
    )
    assert found.sensors == ("c1", "p1")
    assert found.quality & Quality.SEVERAL_SENSORS


def test_nothing_is_missing_not_clean() -> None:
    found = closed(Accumulator("fill-1", 0, MINUTE))
    assert found.quality == Quality.MISSING
    assert found.channels == ()
    assert found.coverage == 0


def test_readings_without_air_are_partial() -> None:
    empty = replace(TEN_SECONDS, volume_ul=0, counts=(0, 0, 0), duration_us=MINUTE)
    assert closed(accumulated((empty, Quality.GOOD))).quality == Quality.PARTIAL


@pytest.mark.parametrize(
    ("sampled_s", "min_coverage", "partial"),
    [(54, 0.9, False), (53.999999, 0.9, True), (45, 0.75, False), (42, 0.7, False), (60, 1.0, False), (44, 0.75, True)],
)
def test_coverage_by_time(sampled_s: float, min_coverage: float, partial: bool) -> None:
    """Just enough is enough: the bound is inclusive, and exact for shares such as 0.9 that floats do not hold."""
    reading = replace(TEN_SECONDS, duration_us=round(sampled_s * 1e6))
    assert bool(closed(accumulated((reading, Quality.GOOD)), min_coverage).quality & Quality.PARTIAL) is partial


def test_the_smaller_coverage_counts() -> None:
    full_time = replace(TEN_SECONDS, duration_us=MINUTE, volume_ul=20_000_000)
    full_air = replace(TEN_SECONDS, duration_us=MINUTE // 2, volume_ul=28_300_000)
    assert closed(accumulated((full_time, Quality.GOOD)), 0.75, None).quality == Quality.GOOD
    assert closed(accumulated((full_time, Quality.GOOD)), 0.75, 28_300_000).quality == Quality.PARTIAL
    assert closed(accumulated((full_time, Quality.GOOD)), 0.75, 20_000_000).quality == Quality.GOOD
    assert closed(accumulated((full_air, Quality.GOOD)), 0.75, 28_300_000).quality == Quality.PARTIAL


def test_quality_of_any_reading_marks_the_sample() -> None:
    reading = replace(TEN_SECONDS, duration_us=MINUTE)
    found = closed(accumulated((reading, Quality.FLOW_FAULT), (reading, Quality.GOOD), (reading, Quality.OVER_RANGE)))
    assert found.quality == Quality.FLOW_FAULT | Quality.OVER_RANGE


def test_a_late_reading_reopens_the_sample() -> None:
    late = replace(TEN_SECONDS, seq=2, sensor="p1", duration_us=50_000_000, volume_ul=23_583_333, counts=(9, 4, 2))
    before = closed(accumulated((TEN_SECONDS, Quality.LASER_FAULT)))
    assert before.quality == Quality.LASER_FAULT | Quality.PARTIAL
    reopened = Accumulator.from_sample(before)
    reopened.add(late, Quality.GOOD)
    after = reopened.to_sample(2, "operational", 0.75, None)
    together = closed(accumulated((TEN_SECONDS, Quality.LASER_FAULT), (late, Quality.GOOD)))
    assert after == replace(together, revision=2)
    assert after.quality == Quality.LASER_FAULT | Quality.SEVERAL_SENSORS


def test_a_missing_sample_reopens() -> None:
    reopened = Accumulator.from_sample(closed(Accumulator("fill-1", 0, MINUTE)))
    reopened.add(replace(TEN_SECONDS, duration_us=MINUTE), Quality.GOOD)
    assert closed(reopened).quality == Quality.GOOD


def test_a_period_has_a_length() -> None:
    with pytest.raises(ValueError, match=r"the period of fill-1 ends at 5 us, not after its start at 5 us"):
        Accumulator("fill-1", 5, 5)


SIZE_SETS = st.sampled_from([SIZES, (500, 5000), (300, 500, 1000, 5000), (1000,)])
CLIMATE = st.none() | st.integers(-50_000, 100_000)


@st.composite
def readings(draw: st.DrawFn) -> tuple[Reading, Quality]:
    sizes = draw(SIZE_SETS)
    reading = Reading(
        sensor=draw(st.sampled_from(["c1", "c2", "p1"])),
        boot="boot",
        seq=draw(st.integers(0, 1000)),
        start_us=0,
        duration_us=draw(st.integers(1, 30_000_000)),
        volume_ul=draw(st.integers(0, 10**8)),
        sizes_nm=sizes,
        counts=tuple(draw(st.lists(st.integers(0, 10**7), min_size=len(sizes), max_size=len(sizes)))),
        temperature_mc=draw(CLIMATE),
        humidity_mpct=draw(CLIMATE),
        pressure_mpa=draw(CLIMATE),
    )
    quality = draw(st.sampled_from([Quality.GOOD, Quality.FLOW_FAULT, Quality.OVER_RANGE, Quality.CALIBRATION_OVERDUE]))
    return reading, quality


@given(
    st.lists(readings(), max_size=12), st.randoms(use_true_random=False), st.integers(0, 12), st.none() | st.just(10**8)
)
def test_order_chopping_and_restarts_do_not_show(
    heard: list[tuple[Reading, Quality]], random: object, cut: int, nominal_ul: int | None
) -> None:
    """Shuffled, reopened in the middle, and taken through a snapshot: the same sample and the same state."""
    whole = accumulated(*heard)
    shuffled = list(heard)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    chopped = accumulated(*shuffled[:cut])
    chopped = Accumulator.from_sample(closed(chopped, nominal_ul=nominal_ul))
    for reading, quality in shuffled[cut:]:
        chopped.add(reading, quality)
    chopped = Accumulator.from_state(json.loads(json.dumps(chopped.to_state())))
    assert closed(chopped, nominal_ul=nominal_ul) == closed(whole, nominal_ul=nominal_ul)
    assert chopped.to_state() == whole.to_state()


@given(st.lists(readings(), max_size=6))
def test_a_copy_does_not_share(heard: list[tuple[Reading, Quality]]) -> None:
    """What is added to a restored accumulator does not reach the one it was restored from."""
    original = accumulated(*heard)
    state = original.to_state()
    copy = Accumulator.from_state(state)
    for reading, quality in [*heard, (TEN_SECONDS, Quality.GOOD)]:
        copy.add(reading, quality)
    assert original.to_state() == state
