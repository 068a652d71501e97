"""What the record says of sensors: newest readings, dead letters page by page, who knocks, who was checked in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from motewatch.engine.records import Audited
from motewatch.journal import sensor_record
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch, DeadLetter
from motewatch.journal.sensor_record import (
    knocking,
    letter,
    letters,
    newest_letters,
    newest_readings,
    placings,
    readings_of,
)
from support.journal_records import plain_row, reading_row


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.db") as journal:
        yield journal


def turned(sensor: str | None, reason: str = "unknown-sensor", at_us: int = 0) -> DeadLetter:
    return DeadLetter(at_us, "a/topic", b"\x00bytes", reason, "why", sensor)


def test_a_record_without_anything_is_answered(journal: Journal) -> None:
    store = journal.store
    assert (newest_readings(store), newest_letters(store), placings(store)) == ({}, {}, {})
    assert (readings_of(store, "s1", 5), letters(store, 5), knocking(store)) == ([], [], [])
    assert letter(store, 1) is None


def test_the_newest_reading_of_each_sensor_and_those_of_one(journal: Journal) -> None:
    rows = [
        reading_row(1),
        reading_row(2),
        plain_row(),
        reading_row(9, "s2"),
        reading_row(3),
        reading_row(1, "s3", "b2"),
    ]
    journal.commit(Batch(inputs=rows))
    found = newest_readings(journal.store)
    assert {sensor: row.seq for sensor, row in found.items()} == {"s1": 3, "s2": 9, "s3": 1}
    assert found["s3"].payload == b"s3 b2 1"
    assert [row.seq for row in readings_of(journal.store, "s1", 10)] == [3, 2, 1]
    assert [row.seq for row in readings_of(journal.store, "s1", 2)] == [3, 2]
    assert readings_of(journal.store, "s4", 2) == []


def test_dead_letters_come_page_by_page_and_by_sensor(journal: Journal) -> None:
    told = [turned("s1", "not-json", 1), turned(None, "not-json", 2), turned("s2", at_us=3), turned("s1", "too-old", 4)]
    journal.commit(Batch(dead_letters=told))
    store = journal.store
    first = letters(store, 2)
    assert [one.letter for one in first] == [told[3], told[2]]
    assert [one.letter for one in letters(store, 9, first[-1].id)] == [told[1], told[0]]
    assert [one.letter for one in letters(store, 9, sensor="s1")] == [told[3], told[0]]
    assert letter(store, first[0].id) == first[0]
    assert {sensor: one.letter for sensor, one in newest_letters(store).items()} == {"s1": told[3], "s2": told[2]}


def test_only_unknown_sensors_knock_and_the_last_one_comes_first(journal: Journal) -> None:
    told = [turned("n1", at_us=1), turned("n2", at_us=2), turned("s1", "too-old", 3), turned("n1", at_us=4)]
    journal.commit(Batch(dead_letters=[*told, turned(None, at_us=5)]))
    found = knocking(journal.store)
    assert [(one.sensor, one.number, one.last.letter) for one in found] == [("n1", 2, told[3]), ("n2", 1, told[1])]


def test_the_last_word_on_where_a_portable_stands(journal: Journal) -> None:
    said = [
        Audited(1, "ada", "check-in", "sensor/h1", "l1"),
        Audited(2, "ada", "note", "sensor/h1", "x"),
        Audited(3, "ben", "check-out", "sensor/h1", ""),
        Audited(4, "ben", "check-in", "sensor/h2", "l2; round"),
    ]
    journal.commit(Batch(inputs=[plain_row()], outputs=[(0, one) for one in said]))
    found = placings(journal.store)
    assert {sensor: (row.by, row.action, row.detail) for sensor, row in found.items()} == {
        "h1": ("ben", "check-out", ""),
        "h2": ("ben", "check-in", "l2; round"),
    }


def test_no_question_walks_through_the_whole_record(journal: Journal) -> None:
    """Beyond the newest rows nothing is looked at; so it is not found."""
    assert sensor_record.LETTERS_BACK == 5_000
    journal.commit(Batch(dead_letters=[turned("old"), *(turned("new", at_us=1) for _ in range(5_000))]))
    store = journal.store
    assert [one.sensor for one in knocking(store)] == ["new"]
    assert list(newest_letters(store)) == ["new"]
    assert letters(store, 9, sensor="old") == []
    assert len(letters(store, 6_000)) == 5_001
