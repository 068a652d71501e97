"""Journals kept from each earlier schema: opened, brought up to date, proved, replayed and archived.

They were written by the motewatch of that time (`tests/data/journals/make.py`); whatever has been added since must read
them as they are.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from motewatch.journal import migrations
from motewatch.journal.archives import Kind, heads
from motewatch.journal.archiving import make_all
from motewatch.journal.history import JournalHistory
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import let_go
from motewatch.service.replay import Restored, restore
from motewatch.wire.records import DAY_US
from motewatch.wire.topics import Topics

KEPT = Path(__file__).resolve().parents[2] / "data" / "journals"
FIRST_UNARCHIVED = 10
"""The schema that brought archives; journals before it are kept here."""

TOPICS = Topics("motewatch/v1", "old")
SAMPLES = 159
"""Two a day for 80 days, those in which nobody counted included; the last one is not closed yet."""


def unpacked(version: int, folder: Path) -> Path:
    path = folder / "journal.db"
    path.write_bytes(gzip.decompress((KEPT / f"schema-{version}.db.gz").read_bytes()))
    return path


def replayed(journal: Journal) -> Restored:
    return restore(journal, JournalHistory(journal), TOPICS)


@pytest.mark.parametrize("version", range(1, FIRST_UNARCHIVED))
def test_a_journal_of_an_old_schema_lives_on(version: int, tmp_path: Path) -> None:
    path = unpacked(version, tmp_path)
    with Journal(path, site="old") as journal:
        with journal.store.reading() as connection:
            assert migrations.version_of(connection) == len(migrations.known())
        assert journal.verify() == []
        samples = journal.query_samples("l", limit=1000)
        assert len(samples) == SAMPLES
        assert max(channel.count for sample in samples for channel in sample.channels) == 90_006
        before = replayed(journal)
        assert before.difference == ""
        assert before.inputs == 121

        stay = {Kind.MESSAGES: 35 * DAY_US, Kind.SAMPLES: 35 * DAY_US}
        # Those from before there were seals were sealed as they were found: all at once, so they wait as if new.
        made = make_all(journal.store, "old", stay, 1, full=20)
        let_go(journal.store, 2)
        assert bool(made) is (version >= 5)
        with journal.store.reading() as connection:
            assert any(heads(connection).values()) is bool(made)
        assert journal.query_samples("l", limit=1000) == samples
        again = replayed(journal)
        assert (again.difference, again.outputs) == ("", before.outputs)
        assert again.engine.snapshot_text() == before.engine.snapshot_text()
        assert journal.verify() == []
        assert journal.verify(whole=False) == []


def test_one_is_kept_of_each_schema_before_archives() -> None:
    assert sorted(int(each.name.split("-")[1].split(".")[0]) for each in KEPT.glob("schema-*.db.gz")) == list(
        range(1, 10)
    )
