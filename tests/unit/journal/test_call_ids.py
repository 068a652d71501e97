"""Calls on record are found by their ids, and stay as they were written."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from motewatch.journal.call_ids import CallRecord
from motewatch.journal.errors import JournalDefectError
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch
from support.answering import ALARM, CALL, STARTED, TEST_CALL


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "journal.db"
    with Journal(path) as journal:
        journal.commit(Batch(outputs=[(BY_TIME, STARTED), (BY_TIME, CALL)], engine_us=1))
        journal.commit(Batch(outputs=[(BY_TIME, TEST_CALL)], engine_us=2))
    return path


def test_a_call_is_found_by_its_id_with_everything_in_it(path: Path) -> None:
    with Journal.open_reader(path) as journal:
        record = CallRecord(journal)
        assert record.told(CALL.id) == CALL
        assert record.told(TEST_CALL.id) == TEST_CALL
        for other in (
            "",
            "call-",
            "call-1 ",
            "CALL-1",
            "call-1' OR '1' = '1",
            "\x00",
            "\udcff".encode(errors="replace").decode(),
        ):
            assert record.told(other) is None
        assert record.query_alarm_events(ALARM, limit=5) == [STARTED]
        assert record.query_alarm_events("another", limit=5) == []
        assert journal.verify() == []


def test_an_id_is_given_once_for_ever(path: Path) -> None:
    with Journal(path) as journal:
        with pytest.raises(JournalDefectError):
            journal.commit(Batch(outputs=[(BY_TIME, replace(CALL, person="ben"))], engine_us=3))
        assert CallRecord(journal).told(CALL.id) == CALL
        assert journal.last_output_id() == 3


@pytest.mark.parametrize("sql", ["DELETE FROM call_ids", "UPDATE call_ids SET id = 'x' WHERE id = 'call-1'"])
def test_ids_are_append_only(path: Path, sql: str) -> None:
    with closing(sqlite3.connect(path)) as raw, pytest.raises(sqlite3.IntegrityError, match="append-only"):
        raw.execute(sql)
