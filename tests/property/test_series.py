"""A trend hides nothing: however far it is taken together, each extreme and each gap of the samples is in it."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motewatch.engine.records import Output, SampleTaken
from motewatch.journal import series as module
from motewatch.journal.journal import Journal
from motewatch.journal.rollups import HOUR_US, PART_US, Rollups, locations_on_record
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.journal.series import all_samples, page_of_samples, series
from motewatch.measure.samples import Sample
from motewatch.picture.trend import Rules, Trend, unmeasured
from support.journal_records import sample
from support.sample_streams import SIZES_NM, revised, samples


def _values(sample: Sample, size: int) -> list[Fraction]:
    return [Fraction(each.count, each.volume_ul) for each in sample.channels if each.size_nm == size]


def _record(journal: Journal, stream: list[Sample]) -> None:
    outputs: list[tuple[int, Output]] = [(BY_TIME, SampleTaken(each)) for each in stream]
    journal.commit(Batch(outputs=outputs, engine_us=stream[-1].end_us + 10 * HOUR_US))


@settings(max_examples=20, deadline=None)
@given(samples(period_s=120, most=60), st.data())
def test_buckets_hold_every_sample_once_with_its_extremes_and_gaps(stream: list[Sample], data: st.DataObject) -> None:
    firsts = [replace(each, revision=1) for each in stream]
    late = data.draw(st.lists(st.sampled_from(firsts), max_size=2, unique_by=lambda each: each.end_us))
    latest = {each.end_us: each for each in firsts} | {each.end_us: revised(each, (9000, 9, 0)) for each in late}
    cuts = sorted({minute * 60_000_000 for minute in data.draw(st.lists(st.integers(1, 600), max_size=2))})
    points = data.draw(st.integers(1, 40))
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.db") as journal:
        _record(journal, firsts)
        if data.draw(st.booleans()):
            Rollups(journal.store).sum_up(1000)
        if late:
            _record(journal, [latest[each.end_us] for each in late])
        if data.draw(st.booleans()):
            Rollups(journal.store).sum_up(1)
        from_us = data.draw(st.sampled_from((0, HOUR_US // 2)))
        most = data.draw(st.sampled_from((0, 6000)))
        found = series(journal.store, "l1", from_us, firsts[-1].end_us, cuts, None, points, False, most)
    assert found.from_us <= from_us
    assert found.until_us >= firsts[-1].end_us
    left = [each for end, each in sorted(latest.items()) if found.from_us < end <= found.until_us]
    assert sum(bucket.stretch.samples for bucket in found.buckets) == len(left)
    assert all(a.end_us <= b.start_us for a, b in pairwise(found.buckets))
    for bucket in found.buckets:
        mine = [each for each in left if bucket.start_us < each.end_us <= bucket.end_us]
        assert bucket.stretch.samples == len(mine)
        for size in SIZES_NM:
            values = [value for each in mine for value in _values(each, size)]
            peak, counted = bucket.stretch.peak(size), bucket.stretch.size(size)
            assert (peak is None) == (counted is None) == (not values)
            if peak and counted:
                assert Fraction(peak.particles, peak.volume_ul) == max(values)
                assert Fraction(counted.low_particles, counted.low_volume_ul) == min(values)
    trend = Trend(
        "l1", "l1", found.from_us, found.until_us, found.until_us, found.width_us, SIZES_NM, found.buckets,
        (Rules(0, {}, (), 0),),
    )  # fmt: skip
    air = [each for each in left if each.channels]
    said = unmeasured(trend)
    for before, after in pairwise(air):
        if after.start_us > before.end_us:
            middle = (before.end_us + after.start_us) // 2
            assert any(first <= middle <= last for first, last, _ in said), (before.end_us, after.start_us, said)
    for first, last, exact in said:
        if exact:
            assert not any(first < each.end_us and each.start_us < last for each in air)


@settings(max_examples=10, deadline=None)
@given(samples(period_s=60, most=25), st.integers(1, 7))
def test_pages_and_exports_lose_and_repeat_nothing(stream: list[Sample], limit: int) -> None:
    firsts = [replace(each, revision=1) for each in stream]
    again = revised(firsts[0], (1, 1, 1))
    until_us = firsts[-1].end_us
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.db") as journal:
        _record(journal, [*firsts, again])
        found: list[Sample] = []
        while page := page_of_samples(journal.store, "l1", 0, until_us, limit, found[-1].end_us if found else None):
            assert len(page) <= limit
            found += page
        assert found == [*firsts[:0:-1], again]
        assert [each for some in all_samples(journal.store, "l1", 0, until_us, limit) for each in some] == found[::-1]
        assert locations_on_record(journal.store) == ["l1"]


def test_a_few_samples_stand_for_themselves(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.db") as journal:
        assert series(journal.store, "nobody", 0, HOUR_US).buckets == ()
        stream = [replace(each, revision=1) for each in _three()]
        _record(journal, stream)
        found = series(journal.store, "l1", 0, HOUR_US)
        assert found.width_us == 0
        assert [bucket.end_us for bucket in found.buckets] == [each.end_us for each in stream]


def _three() -> list[Sample]:
    return [sample(end_us=60 * number) for number in (1, 2, 4)]


@pytest.mark.parametrize("width", module.WIDTHS_US)
def test_hours_and_parts_fit_into_each_width_that_is_made_of_them(width: int) -> None:
    whole = HOUR_US if width >= HOUR_US else PART_US if width >= PART_US else 1
    assert width % whole == 0


def test_too_much_that_is_not_summed_up_yet_is_not_read(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.db") as journal:
        minute = 60_000_000
        few = [replace(sample(), start_us=n * minute, end_us=(n + 1) * minute) for n in range(100)]
        _record(journal, few)
        asked = (journal.store, "l1", 0, 100 * minute, (), None, 10, False, 10)
        assert sum(each.stretch.samples for each in series(*asked).buckets) == 100
        with pytest.raises(module.NotSummedYetError):
            series(*asked, unsummed_max=99)
        Rollups(journal.store).sum_up(10)
        assert sum(each.stretch.samples for each in series(*asked, unsummed_max=0).buckets) == 100
