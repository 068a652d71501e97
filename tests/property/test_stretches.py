"""Summing up hides nothing: no extreme, no gap, no change of occupancy, however the samples are taken together."""

from __future__ import annotations

import json
from fractions import Fraction
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from motewatch.measure.samples import Channel, Quality, Sample
from motewatch.measure.stretches import Stretch, from_plain, grouped, join, of_sample
from support.sample_streams import SIZES_NM, samples


def _air(sample: Sample, size_nm: int) -> Channel | None:
    channel = sample.channel(size_nm)
    return channel if channel is not None and channel.volume_ul else None


def _exact(count: int, volume_ul: int) -> Fraction:
    return Fraction(count, volume_ul)


@given(samples())
def test_extremes_sums_and_gaps_are_those_of_the_samples(stream: list[Sample]) -> None:
    whole = join([of_sample(sample) for sample in stream])
    assert whole.samples == len(stream)
    assert whole.revised == sum(sample.revision > 1 for sample in stream)
    assert whole.flagged(Quality.MISSING) == sum(Quality.MISSING in sample.quality for sample in stream)
    for size in SIZES_NM:
        held = [(sample, air) for sample in stream if (air := _air(sample, size))]
        counted, peak = whole.size(size), whole.peak(size)
        if not held:
            assert counted is None
            assert peak is None
            continue
        assert counted is not None
        assert peak is not None
        values = [_exact(air.count, air.volume_ul) for _, air in held]
        assert _exact(peak.particles, peak.volume_ul) == max(values)
        assert peak.at_us == held[values.index(max(values))][0].end_us or len(whole.runs) > 1
        assert _exact(counted.low_particles, counted.low_volume_ul) == min(values)
        assert (counted.particles, counted.volume_ul) == (
            sum(air.count for _, air in held),
            sum(air.volume_ul for _, air in held),
        )
        assert counted.zeros == sum(air.count == 0 for _, air in held)
        holes = [after.start_us - before.end_us for (before, _), (after, _) in pairwise(held)]
        assert counted.hole_us == max([*holes, 0])
        assert (counted.first_us, counted.last_us) == (held[0][0].start_us, held[-1][0].end_us)
        assert counted.air_us == sum(sample.end_us - sample.start_us for sample, _ in held)
    warm = [sample.temperature for sample in stream if sample.temperature]
    if warm:
        assert whole.temperature is not None
        assert (whole.temperature.low, whole.temperature.high) == (
            min(each.low for each in warm),
            max(each.high for each in warm),
        )


@given(samples(), st.lists(st.integers(1, 39), max_size=5), st.lists(st.integers(0, 9000), max_size=3))
def test_it_does_not_matter_what_is_joined_first(stream: list[Sample], places: list[int], minutes: list[int]) -> None:
    cuts = sorted({minute * 60_000_000 for minute in minutes})
    singles = [of_sample(sample) for sample in stream]
    bounds = [0, *sorted({place for place in places if place < len(singles)}), len(singles)]
    pieces = [join(singles[first:last], cuts) for first, last in pairwise(bounds)]
    assert join(pieces, cuts) == join(singles, cuts)


@given(samples(), st.lists(st.integers(0, 9000), max_size=3))
def test_the_peak_of_each_run_is_of_one_state_and_one_set_of_levels(stream: list[Sample], minutes: list[int]) -> None:
    cuts = sorted({minute * 60_000_000 for minute in minutes})
    whole = join([of_sample(sample) for sample in stream], cuts)
    left = list(stream)
    for run in whole.runs:
        mine, left = left[: run.samples], left[run.samples :]
        assert {sample.occupancy for sample in mine} == {run.occupancy}
        assert len({sum(cut <= sample.end_us for cut in cuts) for sample in mine}) == 1
        for peak in run.peaks:
            held = [air for sample in mine if (air := _air(sample, peak.size_nm))]
            assert _exact(peak.particles, peak.volume_ul) == max(_exact(air.count, air.volume_ul) for air in held)
    assert not left


@given(samples())
def test_what_is_written_is_read_again(stream: list[Sample]) -> None:
    whole = join([of_sample(sample) for sample in stream])
    plain = json.loads(json.dumps(whole))
    assert from_plain(plain) == whole
    fewer = from_plain(plain, frozenset({500}))
    assert fewer.peak(500) == whole.peak(500)
    assert fewer.size(5000) is None


def test_groups_are_joined_in_their_order() -> None:
    def at(end: int) -> Stretch:
        return of_sample(
            Sample("l", end - 60, end, 1, (Channel(500, end, 1000),), 60, 1, ("s",), Quality.GOOD, "at-rest")
        )

    found = grouped([(1, at(60)), (1, at(120)), (2, at(180))])
    assert [(key, stretch.samples) for key, stretch in found] == [(1, 2), (2, 1)]
