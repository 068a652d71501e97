"""The engine's history over the journal: it must answer as the history in memory does, committed or not."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from motewatch.engine.records import History
from motewatch.journal.errors import JournalDefectError
from motewatch.journal.history import RECENT, JournalHistory
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch
from support.journal_records import reading, reading_row, sample, taken


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.db") as journal:
        yield journal


def test_the_batch_in_work_is_seen_before_its_commit(journal: Journal) -> None:
    history: History = JournalHistory(journal)
    history.heard(reading(5))
    history.taken(sample(60))

    assert history.reading_start_us("s1", "b1", 5) == 300
    assert history.knows_boot("s1", "b1")
    assert not history.knows_boot("s1", "b2")
    assert history.samples("l1", 0, 100) == [sample(60)]
    assert history.samples("l1", 0, 59) == []


def test_a_pending_revision_covers_the_one_on_record(journal: Journal) -> None:
    journal.commit(Batch([reading_row(1)], [(0, taken(60)), (0, taken(180))], engine_us=1))
    history = JournalHistory(journal)
    history.taken(sample(60, 2, count=9))
    history.taken(sample(120))
    history.taken(sample(240))

    assert history.samples("l1", 60, 180) == [sample(60, 2, count=9), sample(120), sample(180)]


def test_after_the_commit_the_record_answers(journal: Journal) -> None:
    history = JournalHistory(journal)
    history.heard(reading(1))
    history.taken(sample(60))
    journal.commit(Batch([reading_row(1)], [(0, taken(60))], engine_us=1))
    history.committed()

    assert history.reading_start_us("s1", "b1", 1) == 60
    assert history.samples("l1", 0, 100) == [sample(60)]


def test_the_newest_readings_are_known_without_a_look_at_the_disk(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.db") as journal:
        history = JournalHistory(journal)
        for first in range(0, RECENT + 2_000, 2_000):
            for seq in range(first, first + 2_000):
                history.heard(reading(seq))
            journal.commit(Batch([reading_row(seq) for seq in range(first, first + 2_000)], engine_us=first))
            history.committed()
        assert history.reading_start_us("s1", "b1", 0) == 0, "one of the oldest, from the disk"
    # The journal is closed: whoever asks it fails.
    assert history.reading_start_us("s1", "b1", RECENT + 1_999) == (RECENT + 1_999) * 60
    with pytest.raises(JournalDefectError):
        history.reading_start_us("s1", "b1", 0)


def test_a_replay_does_not_know_the_readings_of_before_it_from_memory(journal: Journal) -> None:
    history = JournalHistory(journal)
    for seq in (1, 2):
        history.heard(reading(seq))
        journal.commit(Batch([reading_row(seq)], engine_us=seq))
        history.committed()
    history.as_of(2)
    assert history.reading_start_us("s1", "b1", 1) == 60
    assert history.reading_start_us("s1", "b1", 2) is None


def test_what_never_came_to_be_committed_is_forgotten(journal: Journal) -> None:
    history = JournalHistory(journal)
    history.heard(reading(1))
    history.taken(sample(60))
    history.as_of(None)

    assert history.reading_start_us("s1", "b1", 1) is None
    assert not history.knows_boot("s1", "b1")
    assert history.samples("l1", 0, 100) == []


def test_a_replay_does_not_see_the_future(journal: Journal) -> None:
    journal.commit(Batch([reading_row(1)], [(0, taken(60))], engine_us=1))
    journal.commit(Batch([reading_row(2, boot="b2")], [(0, taken(60, 2, count=9)), (0, taken(120))], engine_us=2))
    history = JournalHistory(journal)
    history.as_of(2)

    assert history.samples("l1", 0, 1000) == [sample(60)]
    assert history.reading_start_us("s1", "b1", 1) == 60
    assert history.reading_start_us("s1", "b2", 2) is None
    assert not history.knows_boot("s1", "b2")

    history.taken(sample(60, 2, count=10))
    history.heard(reading(2, boot="b2"))
    assert history.samples("l1", 0, 1000) == [sample(60, 2, count=10)]
    assert history.knows_boot("s1", "b2")

    history.as_of(None)
    assert history.samples("l1", 0, 1000) == [sample(60, 2, count=9), sample(120)]


def test_a_replay_from_a_snapshot_does_not_see_what_time_alone_brought_after_it(journal: Journal) -> None:
    journal.commit(Batch([reading_row(1)], [(0, taken(60))], engine_us=1))
    journal.commit(Batch(outputs=[(-1, taken(120))], engine_us=2))
    history = JournalHistory(journal)

    history.as_of(2, 2)
    assert history.samples("l1", 0, 1000) == [sample(60)]
