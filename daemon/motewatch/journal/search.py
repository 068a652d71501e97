"""Searching everything that happened: one list over alarm steps, the audit trail, calls, dead letters and samples.

Rules: newest first by when it happened, then by table and row, so that every row has one place that never changes: a
cursor names a place, and pages from it neither lose nor repeat what was on record when the first page was made. Each
question is one read transaction with a bounded answer. Samples beyond a level are found by looking at samples one by
one, so a page may end before it is full: its cursor then says how far it has looked. Steps that a person's order made
are left out of the alarms: the order itself is on the audit trail. Nothing here writes, judges or knows the site.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, Select, and_, false, func, or_, select

from motewatch.alarms.lifecycle import Event
from motewatch.callout.records import Outcome
from motewatch.engine.codec import output_from
from motewatch.engine.records import AlarmChanged, SampleTaken, Told
from motewatch.journal import tables
from motewatch.journal.queries import audit_rows
from motewatch.journal.reach import ALL_TIME, reaching, windows
from motewatch.journal.rows import AuditRow, CallRow
from motewatch.journal.store import Store
from motewatch.measure.samples import Sample
from motewatch.wire.records import DAY_US, HOUR_US

LOOKED_AT: Final = 12_000
"""Samples that one page looks at most."""

PLACES_MAX: Final = 300
"""Locations that one question about samples or a room names at most."""


class Kind(StrEnum):
    """What can be searched for."""

    ALARM = "alarm"
    ACT = "act"
    NOTE = "note"
    OCCUPANCY = "occupancy"
    CALL = "call"
    DEAD_LETTER = "dead-letter"
    CONFIGURATION = "configuration"
    SIGNATURE = "signature"
    ACCESS = "access"
    SAMPLE = "sample"


USUAL: Final = frozenset(Kind) - {Kind.SAMPLE}
"""Where nothing is said: samples take looking at each, and what matters of them is an alarm."""

ACTS: Final = (
    *("acknowledge", "shelve", "unshelve", "reset", "remove-from-service", "return-to-service"),
    *("answer-by-link", "confirm-test", "refused", "check-in", "check-out"),
)
_ACTIONS: Final[dict[Kind, tuple[str, ...]]] = {
    Kind.ACT: ACTS,
    Kind.NOTE: ("note",),
    Kind.CALL: ("called-unrecorded",),
    Kind.OCCUPANCY: ("occupancy",),
    Kind.CONFIGURATION: ("configuration",),
    Kind.SIGNATURE: ("signed",),
}
"""Actions of the audit trail by kind; all others are access."""

_KNOWN: Final = {action: kind for kind, actions in _ACTIONS.items() for action in actions}
_BY_PERSONS: Final = tuple(
    event.value for event in (Event.ACKNOWLEDGE, Event.RESET, Event.SHELVE, Event.REMOVE_FROM_SERVICE)
)

_outputs, _alarms, _audit, _calls, _of_alarm, _letters, _samples = (
    table.c
    for table in (
        *(tables.outputs, tables.alarm_events, tables.audit, tables.calls, tables.call_alarms),
        *(tables.dead_letters, tables.samples),
    )
)
ALARMS, AUDIT, CALLS, LETTERS, SAMPLES = range(5)
"""The tables in the order in which rows of one instant stand."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a row stands in the list."""

    at_us: int
    table: int
    id: int

    @property
    def order(self) -> tuple[int, int, int]:
        """Newest first."""
        return (-self.at_us, self.table, -self.id)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is searched for; None: whatever. All that is given must hold."""

    kinds: frozenset[Kind] = USUAL
    since_us: int | None = None
    until_us: int | None = None
    """Before this instant."""
    location: str | None = None
    room: str | None = None
    room_locations: tuple[str, ...] = ()
    """The locations of `room`, for what names a location only."""
    sensor: str | None = None
    person: str | None = None
    text: str | None = None
    """Words in what is on the audit trail, notes and comments above all."""


@dataclass(frozen=True, slots=True)
class Letter:
    """A dead letter without its bytes."""

    id: int
    received_us: int
    topic: str
    bytes: int
    reason: str
    detail: str
    sensor: str | None


@dataclass(frozen=True, slots=True)
class Beyond:
    """A sample above a level."""

    sample: Sample
    words: str
    """Which level it is above, and by how much."""


@dataclass(frozen=True, slots=True)
class Found:
    """One row of the list."""

    place: Place
    kind: Kind
    what: AlarmChanged | AuditRow | CallRow | Letter | Beyond


@dataclass(frozen=True, slots=True)
class Page:
    """One page. `next`: where to go on; None: that is all. `looked_to_us`: how far it looked, if it ended early."""

    rows: list[Found]
    next: Place | None
    looked_to_us: int | None = None


Judge = Callable[[Sample, int], str]
"""The level that a sample, given after that input, is above, in words; empty: none."""

_Part = tuple[list[Found], Place | None]
"""Rows of one table, and the place that it has looked to, where it has not looked to the end."""


def search(
    store: Store, wanted: Wanted, after: Place | None, limit: int, judge: Judge = lambda sample, input_id: ""
) -> Page:
    """The next `limit` rows after that place (None: the newest)."""
    parts: list[_Part] = []
    with store.reading() as connection:
        for table, look in _LOOKS.items():
            if table is not SAMPLES:
                parts.append((look(connection, wanted, after, limit + 1), None))
    if Kind.SAMPLE in wanted.kinds and not (wanted.person or wanted.text):
        parts.append(_beyond(store, wanted, after, limit + 1, judge))
    rows = sorted((row for part, _ in parts for row in part), key=lambda row: row.place.order)
    floors = [floor for _, floor in parts if floor is not None]
    floor = min(floors, key=lambda place: place.order) if floors else None
    if floor is not None:
        rows = [row for row in rows if row.place.order <= floor.order]
    if len(rows) > limit:
        return Page(rows[:limit], rows[limit - 1].place)
    return Page(rows, floor, None if floor is None else floor.at_us)


def kind_of_action(action: str) -> Kind:
    """The kind of a row of the audit trail."""
    return _KNOWN.get(action, Kind.ACCESS)


def _alarm_steps(connection: Connection, wanted: Wanted, after: Place | None, limit: int) -> list[Found]:
    if Kind.ALARM not in wanted.kinds or wanted.person or wanted.text:
        return []
    query = select(_alarms.output_id).where(_alarms.event.not_in(_BY_PERSONS))
    for column, value in (
        (_alarms.location, wanted.location),
        (_alarms.room, wanted.room),
        (_alarms.sensor, wanted.sensor),
    ):
        if value is not None:
            query = query.where(column == value)
    ids = _page(connection, query, _alarms.at_us, _alarms.output_id, ALARMS, wanted, after, limit)
    found = []
    for row_id, body in _bodies(connection, ids):
        step = output_from("alarm", body)
        assert isinstance(step, AlarmChanged)
        found.append(Found(Place(step.at_us, ALARMS, row_id), Kind.ALARM, step))
    return found


def _trail(connection: Connection, wanted: Wanted, after: Place | None, limit: int) -> list[Found]:
    actions = [action for kind in wanted.kinds for action in _ACTIONS.get(kind, ())]
    allowed: list[ColumnElement[bool]] = [_audit.action.in_(actions)] if actions else []
    if Kind.ACCESS in wanted.kinds:
        allowed.append(_audit.action.not_in(list(_KNOWN)))
    if not allowed:
        return []
    query = audit_rows()
    if wanted.kinds & USUAL != USUAL:
        query = query.where(or_(*allowed))
    if wanted.location is not None:
        query = query.where(_about([wanted.location]))
    if wanted.room is not None:
        places = _about(wanted.room_locations[:PLACES_MAX])
        query = query.where(or_(_audit.subject.in_([wanted.room, f"room/{wanted.room}"]), places))
    if wanted.sensor is not None:
        query = query.where(_below(_audit.subject, f"sensor/{wanted.sensor}", f"alarm/sensor/{wanted.sensor}"))
    if wanted.person is not None:
        query = query.where(_audit.who == wanted.person)
    if wanted.text is not None:
        texts = (_audit.detail, _audit.subject, _audit.action)
        query = query.where(or_(*(text.icontains(wanted.text, autoescape=True) for text in texts)))
    query = _next(query, _audit.at_us, _audit.id, AUDIT, wanted, after, limit)
    rows = [AuditRow(*row) for row in connection.execute(query).all()]
    return [Found(Place(row.at_us, AUDIT, row.id), kind_of_action(row.action), row) for row in rows]


def _told(connection: Connection, wanted: Wanted, after: Place | None, limit: int) -> list[Found]:
    if Kind.CALL not in wanted.kinds or wanted.text:
        return []
    query = select(_calls.output_id)
    alarms = []
    if wanted.location is not None:
        alarms.append([f"location/{wanted.location}"])
    if wanted.room is not None:
        alarms.append([f"location/{each}" for each in wanted.room_locations[:PLACES_MAX]])
    if wanted.sensor is not None:
        alarms.append([f"sensor/{wanted.sensor}"])
    for prefixes in alarms:
        query = query.where(_calls.output_id.in_(select(_of_alarm.output_id).where(_below(_of_alarm.alarm, *prefixes))))
    if wanted.person is not None:
        query = query.where(_calls.person == wanted.person)
    ids = _page(connection, query, _calls.at_us, _calls.output_id, CALLS, wanted, after, limit)
    columns = (_calls.output_id, _calls.outcome, _calls.outcome_us, _calls.attempts, _calls.detail)
    outcomes = {
        row_id: (None if outcome is None else Outcome(outcome), *more)
        for row_id, outcome, *more in connection.execute(select(*columns).where(_calls.output_id.in_(ids)))
    }
    found = []
    for row_id, body in _bodies(connection, ids):
        told = output_from("told", body)
        assert isinstance(told, Told)
        found.append(Found(Place(told.at_us, CALLS, row_id), Kind.CALL, CallRow(told, *outcomes[row_id])))
    return found


def _dead_letters(connection: Connection, wanted: Wanted, after: Place | None, limit: int) -> list[Found]:
    elsewhere = wanted.location or wanted.room or wanted.person or wanted.text
    if Kind.DEAD_LETTER not in wanted.kinds or elsewhere:
        return []
    length = func.length(_letters.payload)
    columns = (_letters.id, _letters.received_us, _letters.topic, length, _letters.reason)
    query: Select[Any] = select(*columns, _letters.detail, _letters.sensor)
    if wanted.sensor is not None:
        query = query.where(_letters.sensor == wanted.sensor)
    query = _next(query, _letters.received_us, _letters.id, LETTERS, wanted, after, limit)
    letters = [Letter(*row) for row in connection.execute(query).all()]
    return [Found(Place(each.received_us, LETTERS, each.id), Kind.DEAD_LETTER, each) for each in letters]


def _beyond(store: Store, wanted: Wanted, after: Place | None, limit: int, judge: Judge) -> _Part:
    locations = wanted.room_locations[:PLACES_MAX] if wanted.room is not None else None
    if wanted.location is not None:
        inside = locations is None or wanted.location in locations
        locations = (wanted.location,) if inside else ()
    each: Sequence[str | None] = [None] if locations is None else locations
    # One question for each location: so each walks the index of its location, and ends after so many samples.
    most = max(limit, LOOKED_AT // max(1, len(each)))
    rows: list[Found] = []
    floors = []
    for place in each:
        seen = _looked_at(store, place, wanted, after, most)
        for end_us, output_id, input_id, body in seen:
            taken = output_from("sample", body)
            assert isinstance(taken, SampleTaken)
            if wanted.sensor is not None and wanted.sensor not in taken.sample.sensors:
                continue
            if words := judge(taken.sample, input_id):
                beyond = Beyond(taken.sample, words)
                rows.append(Found(Place(end_us, SAMPLES, output_id), Kind.SAMPLE, beyond))
        if len(seen) == most:
            floors.append(Place(seen[-1].end_us, SAMPLES, seen[-1].output_id))
    return rows, min(floors, key=lambda place: place.order) if floors else None


def _looked_at(store: Store, place: str | None, wanted: Wanted, after: Place | None, most: int) -> list[Any]:
    """The next so many samples: end, output, input before it, text."""
    columns: list[Any] = [_samples.end_us, _samples.output_id, _samples.input_id, _outputs.body]
    query = select(*columns).join_from(tables.samples, tables.outputs, _samples.output_id == _outputs.id)
    if place is not None:
        query = query.where(_samples.location == place)
    first_us = ALL_TIME[0] if wanted.since_us is None else wanted.since_us - 1
    last_us = ALL_TIME[1] if wanted.until_us is None else wanted.until_us - 1
    if after is not None:
        last_us = min(last_us, after.at_us)
    seen: list[Any] = []
    for begin, end in windows(
        store, place, first_us, last_us, newest_first=True, width_us=HOUR_US if place is None else DAY_US
    ):
        inside = query.where(_samples.end_us > begin, _samples.end_us <= end)
        inside = _next(inside, _samples.end_us, _samples.output_id, SAMPLES, wanted, after, most - len(seen))
        with reaching(store, place, begin, end) as connection:
            seen += connection.execute(inside).all()
        if len(seen) >= most:
            break
    return seen


_LOOKS: Final[dict[int, Callable[[Connection, Wanted, Place | None, int], list[Found]]]] = {
    ALARMS: _alarm_steps,
    AUDIT: _trail,
    CALLS: _told,
    LETTERS: _dead_letters,
}


def _page(
    connection: Connection,
    query: Select[Any],
    at: Any,
    row_id: Any,
    table: int,
    wanted: Wanted,
    after: Place | None,
    limit: int,
) -> list[int]:
    """Ids first, texts after: so no text is read of a row that is not shown."""
    return list(connection.execute(_next(query, at, row_id, table, wanted, after, limit)).scalars())


def _bodies(connection: Connection, ids: list[int]) -> list[tuple[int, str]]:
    query = select(_outputs.id, _outputs.body).where(_outputs.id.in_(ids))
    return [(row.id, row.body) for row in connection.execute(query).all()]


def _next(
    query: Select[Any], at: Any, row_id: Any, table: int, wanted: Wanted, after: Place | None, limit: int
) -> Select[Any]:
    if wanted.since_us is not None:
        query = query.where(at >= wanted.since_us)
    if wanted.until_us is not None:
        query = query.where(at < wanted.until_us)
    if after is not None:
        if table < after.table:
            query = query.where(at < after.at_us)
        elif table > after.table:
            query = query.where(at <= after.at_us)
        else:
            query = query.where(at <= after.at_us, or_(at < after.at_us, row_id < after.id))
    return query.order_by(at.desc(), row_id.desc()).limit(limit)


def _about(locations: Iterable[str]) -> ColumnElement[bool]:
    """Subjects of the audit trail that are about one of these locations."""
    kinds = ("location", "alarm/location", "sample")
    return _below(_audit.subject, *(f"{kind}/{location}" for location in locations for kind in kinds))


def _below(column: Any, *prefixes: str) -> ColumnElement[bool]:
    """The name itself, or what follows it after a slash; by ranges, so that an index serves."""
    return or_(
        false(),
        *(or_(column == each, and_(column >= f"{each}/", column < f"{each}0")) for each in prefixes),
    )
