"""Questions to the record: by people, by a replay, and as of an input."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from motewatch.alarms.lifecycle import Event, State
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, DeadLetter
from support.journal_records import alarm, reading_row, sample, taken


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.db") as journal:
        yield journal


def test_samples_of_a_location_in_their_latest_revision(journal: Journal) -> None:
    outputs = [taken(60), taken(120), taken(60, 2, count=9), taken(180), taken(60, location="l2")]
    journal.commit(Batch(outputs=[(BY_TIME, output) for output in outputs], engine_us=1))

    assert journal.samples("l1", 60, 120) == [sample(60, 2, count=9), sample(120)]
    assert journal.samples("l1", 61, 119) == []
    assert journal.samples("l1", 0, 1000) == [sample(60, 2, count=9), sample(120), sample(180)]
    assert journal.samples("l3", 0, 1000) == []


def test_samples_as_of_an_input(journal: Journal) -> None:
    journal.commit(Batch([reading_row(1), reading_row(2)], [(0, taken(60)), (1, taken(60, 2, count=9))], engine_us=1))
    journal.commit(Batch([reading_row(3)], [(0, taken(60, 3, count=11))], engine_us=2))

    assert journal.samples("l1", 0, 100, before_input_id=1) == []
    assert journal.samples("l1", 0, 100, before_input_id=2) == [sample(60)]
    assert journal.samples("l1", 0, 100, before_input_id=3) == [sample(60, 2, count=9)]
    assert journal.samples("l1", 0, 100, before_input_id=4) == [sample(60, 3, count=11)]
    assert journal.samples("l1", 0, 100, before_output_id=3) == [sample(60, 2, count=9)]


def test_samples_made_by_time_passing_are_never_dated_before_they_can_have_been(journal: Journal) -> None:
    rows = [reading_row(1), reading_row(2), reading_row(3)]
    journal.commit(Batch(rows, [(BY_TIME, taken(60)), (1, taken(120)), (BY_TIME, taken(180))], engine_us=1))
    journal.commit(Batch(outputs=[(BY_TIME, taken(240))], engine_us=2))

    def ends(before_input_id: int) -> list[int]:
        return [found.end_us for found in journal.samples("l1", 0, 1000, before_input_id)]

    assert ends(1) == []
    assert ends(2) == [60]
    assert ends(3) == [60, 120]
    assert ends(4) == [60, 120, 180, 240]


def test_readings_and_boots_as_of_an_input(journal: Journal) -> None:
    journal.commit(Batch([reading_row(5), reading_row(6, boot="b2")], engine_us=1))

    assert journal.reading_start_us("s1", "b1", 5) == 300
    assert journal.reading_start_us("s1", "b1", 6) is None
    assert journal.reading_start_us("s1", "b1", 5, before_input_id=1) is None
    assert journal.reading_start_us("s1", "b1", 5, before_input_id=2) == 300
    assert journal.knows_boot("s1", "b2")
    assert not journal.knows_boot("s1", "b2", before_input_id=2)
    assert not journal.knows_boot("s2", "b1")


def test_people_get_the_newest_samples_oldest_first(journal: Journal) -> None:
    outputs = [taken(end, location=location) for end in (60, 120, 180) for location in ("l1", "l2")]
    outputs.append(taken(60, 2, count=9))
    journal.commit(Batch(outputs=[(BY_TIME, output) for output in outputs], engine_us=1))

    def keys(**question: object) -> list[tuple[int, str, int]]:
        found = journal.query_samples(**question)  # type: ignore[arg-type]
        return [(one.end_us, one.location, one.revision) for one in found]

    assert keys(limit=3) == [(120, "l2", 1), (180, "l1", 1), (180, "l2", 1)]
    assert keys(location="l1") == [(60, "l1", 2), (120, "l1", 1), (180, "l1", 1)]
    assert keys(location="l1", all_revisions=True, until_us=120) == [(60, "l1", 1), (60, "l1", 2)]
    assert keys(since_us=120, until_us=180) == [(120, "l1", 1), (120, "l2", 1)]


def test_alarm_events_by_alarm_and_time(journal: Journal) -> None:
    events = [alarm(at_us=60), alarm(alarm_id="silent/s1", at_us=70), alarm(State.ACKNOWLEDGED, at_us=80)]
    journal.commit(Batch(outputs=[(BY_TIME, event) for event in events], engine_us=1))

    assert journal.query_alarm_events() == events
    assert journal.query_alarm_events(limit=2) == events[1:]
    assert journal.query_alarm_events(alarm="silent/s1") == [events[1]]
    assert journal.query_alarm_events(since_us=70, until_us=80) == [events[1]]


def test_an_alarm_stands_by_its_last_event(journal: Journal) -> None:
    events = [
        alarm(alarm_id="a"),
        alarm(alarm_id="b"),
        alarm(State.RETURNED_UNACKNOWLEDGED, "a", 90, Event.RETURNS, State.UNACKNOWLEDGED),
        alarm(State.ACKNOWLEDGED, "b", 95, Event.ACKNOWLEDGE, State.UNACKNOWLEDGED),
        alarm(State.NORMAL, "b", 99, Event.RETURNS, State.ACKNOWLEDGED),
        alarm(State.SHELVED, "c", 99, Event.SHELVE),
    ]
    journal.commit(Batch(outputs=[(BY_TIME, event) for event in events], engine_us=1))
    assert journal.standing_alarms() == [events[2]]


def test_the_newest_dead_letters_oldest_first(journal: Journal) -> None:
    letters = [DeadLetter(n, "t", b"x", "not-json", f"letter {n}", "s1") for n in range(5)]
    journal.commit(Batch(dead_letters=letters, engine_us=1))
    assert journal.query_dead_letters() == letters
    assert journal.query_dead_letters(limit=2) == letters[3:]
