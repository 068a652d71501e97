"""Calls on record: who was told, when, why, over which way, and what became of it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from motewatch.callout.records import Cause, Delivered, Fact, Outcome
from motewatch.engine.codec import canonical, encode_internal
from motewatch.journal import migrations
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, CallRow, InputRow
from motewatch.journal.store import Store
from support.calls import CALL, FACT

FIRST = replace(CALL, at_us=100)
OTHER = replace(FACT, alarm="location/prep-1/0.5um/alert", priority="low")
SECOND = replace(CALL, id="call-2", at_us=200, cause=Cause.CLIMBED, person="ben", facts=(FACT, OTHER))
THIRD = replace(CALL, id="call-3", at_us=300, channel="mail", address="ada@example.org", cause=Cause.OTHER_WAY)
REFUSED = Delivered(FIRST.id, Outcome.REFUSED, 250, 1, "no such number")
TAKEN = Delivered(SECOND.id, Outcome.DELIVERED, 260, 2, "")


def delivered(what: Delivered) -> InputRow:
    return InputRow(0, "delivered", what.at_us, what.at_us, "", encode_internal(what))


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.db") as journal:
        yield journal


def fill(journal: Journal) -> None:
    journal.commit(Batch(outputs=[(BY_TIME, FIRST), (BY_TIME, SECOND)], engine_us=200))
    journal.commit(Batch([delivered(REFUSED), delivered(TAKEN)], [(0, THIRD)], engine_us=300))


ON_RECORD = [
    CallRow(FIRST, Outcome.REFUSED, 250, 1, "no such number"),
    CallRow(SECOND, Outcome.DELIVERED, 260, 2, ""),
    CallRow(THIRD),
]


def test_each_call_is_there_with_what_became_of_it(journal: Journal) -> None:
    fill(journal)
    assert journal.query_calls() == ON_RECORD
    assert journal.verify() == []


def test_calls_are_asked_for_by_person_alarm_and_time_the_newest_first_to_stay(journal: Journal) -> None:
    fill(journal)
    assert journal.query_calls(person="ada") == [ON_RECORD[0], ON_RECORD[2]]
    assert journal.query_calls(alarm=OTHER.alarm) == [ON_RECORD[1]]
    assert journal.query_calls(alarm=FACT.alarm, person="ben") == [ON_RECORD[1]]
    assert journal.query_calls(alarm="location/none") == []
    assert journal.query_calls(since_us=200, until_us=300) == [ON_RECORD[1]]
    assert journal.query_calls(limit=2) == ON_RECORD[1:]


def test_the_first_outcome_stays_and_one_of_an_unknown_call_is_no_harm(journal: Journal) -> None:
    fill(journal)
    again = replace(REFUSED, outcome=Outcome.DELIVERED, at_us=400)
    stranger = replace(REFUSED, told="call-99", at_us=400)
    journal.commit(Batch([delivered(again), delivered(stranger)], engine_us=400))
    assert journal.query_calls() == ON_RECORD
    assert journal.verify() == []


def test_a_call_and_its_outcome_in_one_batch(journal: Journal) -> None:
    journal.commit(Batch([delivered(REFUSED)], [(BY_TIME, FIRST)], engine_us=300))
    assert journal.query_calls() == ON_RECORD[:1]


def test_an_outcome_that_cannot_be_written_takes_its_batch_with_it(tmp_path: Path) -> None:
    """The row and the input that tells it are one transaction."""
    path = tmp_path / "journal.db"
    with Journal(path) as journal:
        fill(journal)
        with closing(sqlite3.connect(path)) as raw:
            raw.execute("CREATE TRIGGER broken BEFORE UPDATE ON calls BEGIN SELECT RAISE(ABORT, 'broken'); END")
            raw.commit()
        with pytest.raises(Exception, match="broken"):
            journal.commit(Batch([delivered(replace(TAKEN, told=THIRD.id))], engine_us=400))
        assert journal.last_input_id() == 2
        assert journal.query_calls() == ON_RECORD


@pytest.mark.parametrize(
    "sql",
    [
        "DELETE FROM calls",
        "DELETE FROM call_alarms",
        "UPDATE call_alarms SET alarm = 'x'",
        "UPDATE calls SET outcome = 'delivered' WHERE person = 'ben'",
        "UPDATE calls SET outcome = NULL, outcome_us = NULL, attempts = NULL, detail = NULL",
        "UPDATE calls SET person = 'eve' WHERE outcome IS NULL",
        "UPDATE calls SET address = 'x', outcome = 'delivered', outcome_us = 1, attempts = 1, detail = '' "
        "WHERE outcome IS NULL",
    ],
)
def test_nothing_but_a_first_outcome_is_ever_entered(tmp_path: Path, sql: str) -> None:
    path = tmp_path / "journal.db"
    with Journal(path) as journal:
        fill(journal)
    with closing(sqlite3.connect(path)) as raw, pytest.raises(sqlite3.IntegrityError, match=r"append-only|once"):
        raw.execute(sql)


def test_a_journal_from_before_gets_a_row_for_each_call_on_record(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    store = Store(path)
    migrations.migrate(store, migrations.known()[:2])
    store.close()
    odd = replace(THIRD, note="Überfüllt “x”", facts=(FACT, replace(FACT, state="latched"), OTHER))
    plain: list[tuple[object, ...]] = []
    for number, told in enumerate((FIRST, SECOND, odd), 1):
        plain.append((number, "told", canonical(told)))
    with closing(sqlite3.connect(path)) as raw:
        raw.executemany("INSERT INTO outputs (id, input_id, kind, body) VALUES (?, NULL, ?, ?)", plain)
        raw.executemany(
            "INSERT INTO call_ids (id, output_id) VALUES (?, ?)", [(FIRST.id, 1), (SECOND.id, 2), (odd.id, 3)]
        )
        late = replace(TAKEN, outcome=Outcome.GIVEN_UP, at_us=900)
        rows = [
            (number, "delivered", what.at_us, what.at_us, "", encode_internal(what))
            for number, what in enumerate((TAKEN, REFUSED, late, replace(late, told="call-99")), 1)
        ]
        raw.executemany(
            "INSERT INTO inputs (id, kind, received_us, applied_us, topic, payload) VALUES (?, ?, ?, ?, ?, ?)",
            [(number, kind, 1000, 1000, topic, payload) for number, kind, _, _, topic, payload in rows],
        )
        raw.commit()
    with Journal(path) as journal:
        assert journal.query_calls() == [*ON_RECORD[:2], CallRow(odd)]
        assert journal.query_calls(alarm=OTHER.alarm) == [ON_RECORD[1], CallRow(odd)]
        assert journal.verify() == []
        journal.commit(Batch([delivered(replace(late, told=odd.id))], engine_us=1000))
        assert journal.query_calls()[-1] == CallRow(odd, Outcome.GIVEN_UP, 900, 2, "")


def test_a_test_call_has_no_alarm(journal: Journal) -> None:
    test = replace(CALL, id="test-1", cause=Cause.TEST, facts=(), answer="test/k7m2qx4c")
    journal.commit(Batch(outputs=[(BY_TIME, test)], engine_us=1))
    assert journal.query_calls() == [CallRow(test)]
    assert journal.verify() == []


def test_a_fact_told_twice_in_one_call_counts_once(journal: Journal) -> None:
    facts: tuple[Fact, ...] = (FACT, replace(FACT, state="acknowledged"))
    journal.commit(Batch(outputs=[(BY_TIME, replace(CALL, facts=facts))], engine_us=1))
    assert len(journal.query_calls(alarm=FACT.alarm)) == 1
    assert journal.verify() == []
