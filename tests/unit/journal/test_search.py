"""Searching the record: what each filter finds, and how far a page looks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import Audited, Output
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, CallRow, DeadLetter
from motewatch.journal.search import LOOKED_AT, Kind, Wanted, search
from motewatch.measure.samples import Sample
from support.calls import CALL
from support.journal_records import alarm, taken

ALL = frozenset(Kind)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.db") as journal:
        yield journal


def said(by: str, action: str, subject: str, at_us: int, detail: str = "") -> Audited:
    return Audited(at_us, by, action, subject, detail)


def fill(journal: Journal) -> None:
    away = replace(alarm(alarm_id="sensor/s2/silent", at_us=90), location=None, room=None, sensor="s2")
    outputs: list[Output] = [
        alarm(alarm_id="location/l1/0.5um/action", at_us=10),
        # What a person ordered is on the trail, not among the alarms as well.
        alarm(State.ACKNOWLEDGED, "location/l1/0.5um/action", 20, Event.ACKNOWLEDGE, State.UNACKNOWLEDGED),
        said("ada", "acknowledge", "location/l1/0.5um/action", 20, "door was open"),
        said("ben", "note", "sample/l1/2026-01-01T00:00:00Z", 30, "100% a door_seal"),
        said("ben", "note", "location/l10", 40, "another place"),
        said("ada", "occupancy", "r1", 50, "at-rest"),
        said("service", "configuration", "site", 60, "d" * 64),
        said("quinn", "signed", "alarm/location/l1/0.5um/action/2026", 70, "reviewed"),
        said("ada", "sign-in", "ada", 80, "as operator"),
        away,
        replace(CALL, person="eve", at_us=95),
        taken(100, count=200),
        taken(160, count=7),
    ]
    letters = [DeadLetter(120, "motewatch/site/counts/s2", b"{}", "unreadable", "no JSON", "s2")]
    journal.commit(Batch(outputs=[(BY_TIME, output) for output in outputs], dead_letters=letters, engine_us=1))


def judge(sample: Sample, input_id: int) -> str:
    return "above" if sample.channels[0].count > 100 else ""


def kinds(journal: Journal, **wanted: object) -> list[tuple[int, str]]:
    page = search(journal.store, Wanted(**{"kinds": ALL, **wanted}), None, 100, judge)  # type: ignore[arg-type]
    assert page.next is None
    return [(row.place.at_us, row.kind.value) for row in page.rows]


def test_everything_comes_newest_first(journal: Journal) -> None:
    fill(journal)
    assert kinds(journal) == [
        *[(120, "dead-letter"), (100, "sample"), (95, "call"), (90, "alarm"), (80, "access"), (70, "signature")],
        *[(60, "configuration"), (50, "occupancy"), (40, "note"), (30, "note"), (20, "act"), (10, "alarm")],
    ]


def test_filters(journal: Journal) -> None:
    fill(journal)
    assert kinds(journal, kinds=frozenset({Kind.NOTE, Kind.SAMPLE})) == [(100, "sample"), (40, "note"), (30, "note")]
    assert kinds(journal, kinds=frozenset({Kind.ACCESS})) == [(80, "access")]
    assert kinds(journal, kinds=frozenset()) == []
    assert kinds(journal, since_us=80, until_us=95) == [(90, "alarm"), (80, "access")]
    # l10 is not l1.
    here = [(100, "sample"), (70, "signature"), (30, "note"), (20, "act"), (10, "alarm")]
    assert kinds(journal, location="l1") == here
    assert kinds(journal, room="r1", room_locations=("l1",)) == [*here[:2], (50, "occupancy"), *here[2:]]
    assert kinds(journal, room="r1", location="l1", room_locations=("l1",)) == here
    assert kinds(journal, room="r2", location="l1", room_locations=("l2",)) == []
    assert kinds(journal, sensor="s2") == [(120, "dead-letter"), (90, "alarm")]
    assert kinds(journal, sensor="s1") == [(100, "sample")]
    assert kinds(journal, person="ada") == [(80, "access"), (50, "occupancy"), (20, "act")]
    assert kinds(journal, person="eve") == [(95, "call")]
    assert kinds(journal, text="DOOR") == [(30, "note"), (20, "act")]
    assert kinds(journal, text="% A DOOR_") == [(30, "note")]
    assert kinds(journal, text="x%") == []


def test_a_call_brings_its_alarms_and_outcome(journal: Journal) -> None:
    fill(journal)
    (call,) = search(journal.store, Wanted(frozenset({Kind.CALL})), None, 9).rows
    assert isinstance(call.what, CallRow)
    assert call.what.told == replace(CALL, person="eve", at_us=95)
    location = CALL.facts[0].alarm.split("/")[1]
    assert kinds(journal, location=location, kinds=frozenset({Kind.CALL})) == [(95, "call")]


def test_samples_are_looked_at_in_stretches(journal: Journal) -> None:
    many = LOOKED_AT + 100
    outputs = [taken(60 * (n + 1), count=200 if n == 50 else 7) for n in range(many)]
    journal.commit(Batch(outputs=[(BY_TIME, output) for output in outputs], engine_us=1))
    journal.commit(Batch(outputs=[(BY_TIME, alarm(at_us=60))], engine_us=2))
    wanted = Wanted(frozenset({Kind.SAMPLE, Kind.ALARM}))
    first = search(journal.store, wanted, None, 10, judge)
    assert first.rows == []
    assert first.looked_to_us == 60 * (many - LOOKED_AT + 1)
    assert first.next is not None
    second = search(journal.store, wanted, first.next, 10, judge)
    assert [(row.place.at_us, row.kind) for row in second.rows] == [(60 * 51, Kind.SAMPLE), (60, Kind.ALARM)]
    assert second.next is None
