"""No room: said plainly, nothing half written, and all well once there is room again."""

from __future__ import annotations

from pathlib import Path

import pytest

from motewatch.journal.errors import DiskFullError, JournalUnwritableError
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch, InputRow
from support.journal_records import outbox_row, plain_row, reading_row, taken

NO_LIMIT = 1_000_000_000


def big(seq: int) -> Batch:
    """A batch of about 400 KiB."""
    row = reading_row(seq)
    rows = [InputRow(0, row.kind, 0, 0, row.topic, bytes(4000), "s1", "b1", seq * 100 + n, n) for n in range(100)]
    return Batch(rows, [(0, taken(seq * 60))], outbox=[outbox_row(f"k{seq}")], engine_us=seq)


def fill(journal: Journal) -> int:
    """Commit until there is no room; returns how many batches went in."""
    pages = journal.store.limit_pages(1)  # SQLite gives the present size back
    journal.store.limit_pages(pages + 400)
    for count in range(1, 100):
        try:
            journal.commit(big(count))
        except DiskFullError:
            return count - 1
    raise AssertionError("the journal grew beyond its limit")


def test_a_full_disk_is_said_and_nothing_is_half_written(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.db") as journal:
        done = fill(journal)
        assert done >= 1

        with pytest.raises(DiskFullError, match=r"journal\.db: no space left.*Free space") as caught:
            journal.commit(big(done + 1))
        assert isinstance(caught.value, JournalUnwritableError)

        assert journal.last_input_id() == done * 100
        assert journal.last_output_id() == done
        assert journal.backlog("mqtt") == done
        assert journal.engine_us() == done
        assert journal.verify() == []


def test_the_same_batch_goes_in_once_there_is_room(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.db") as journal:
        done = fill(journal)
        journal.store.limit_pages(NO_LIMIT)
        assert journal.commit(big(done + 1))[0] == done * 100 + 1
        assert journal.verify() == []


def test_a_journal_reopened_after_a_full_disk_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with Journal(path) as journal:
        done = fill(journal)
    with Journal(path) as journal:
        assert journal.commit(Batch([plain_row()], engine_us=99)) == [done * 100 + 1]
        assert journal.verify() == []
