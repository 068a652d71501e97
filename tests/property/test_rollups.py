"""Hours summed up beside the record: whatever was recorded in whatever order, they say what the samples say."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import select, update

from motewatch.engine.records import SampleTaken
from motewatch.journal import tables
from motewatch.journal.journal import Journal
from motewatch.journal.rollups import HOUR_US, Rollups, wrong_hours
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.measure.samples import Sample
from support.journal_records import sample
from support.sample_streams import revised, samples

LATE_US = 10**15


def record(journal: Journal, *stream: Sample, engine_us: int = LATE_US) -> None:
    """Put samples on record."""
    journal.commit(Batch(outputs=[(BY_TIME, SampleTaken(sample)) for sample in stream], engine_us=engine_us))


@settings(max_examples=15, deadline=None)
@given(samples(period_s=600, most=12), st.data())
def test_hours_are_what_their_samples_give_whenever_they_were_summed_up(
    stream: list[Sample], data: st.DataObject
) -> None:
    firsts = [replace(each, revision=1) for each in stream]
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.db") as journal:
        rollups = Rollups(journal.store)
        for each in firsts:
            record(journal, each)
            if data.draw(st.booleans()):
                rollups.sum_up(data.draw(st.integers(1, 3)))
                assert wrong_hours(journal.store, 20) == []
        for each in data.draw(st.lists(st.sampled_from(firsts), max_size=3, unique_by=lambda one: one.end_us)):
            record(journal, revised(each, (data.draw(st.integers(10_000, 20_000)), 5, 1)))
        while rollups.sum_up(5):
            pass
        assert rollups.left() == 0
        assert wrong_hours(journal.store, 20) == []
        with journal.store.reading() as connection:
            hours = connection.execute(select(tables.sample_hours.c.hour)).scalars().all()
        assert sorted(hours) == sorted({(each.end_us - 1) // HOUR_US for each in firsts})


@settings(max_examples=5, deadline=None)
@given(samples(period_s=600, most=20))
def test_an_hour_that_was_tampered_with_is_found(stream: list[Sample]) -> None:
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.db") as journal:
        record(journal, *(replace(each, revision=1) for each in stream))
        Rollups(journal.store).sum_up(1000)
        with journal.store.writing() as connection:
            connection.execute(update(tables.sample_hours).values(body="[]"))
        assert wrong_hours(journal.store, 1)[0].startswith("sample_hours: hour ")


def test_an_hour_that_is_not_over_waits(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.db") as journal:
        record(journal, sample(), engine_us=HOUR_US - 1)
        assert Rollups(journal.store).sum_up(10) == 0
        record(journal, sample(end_us=120), engine_us=HOUR_US)
        assert Rollups(journal.store).sum_up(10) == 1
