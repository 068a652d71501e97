"""What the record says of sensors: their newest readings, messages that could not be used, and where they stand.

Rules: bounded. The record has no index of readings by time, so they are looked for among the newest inputs; what is
further back is said not to be there. Nothing here writes or judges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Select, func, select

from motewatch.journal import tables
from motewatch.journal.queries import audit_rows
from motewatch.journal.rows import AuditRow, DeadLetter, InputRow
from motewatch.journal.store import Store

INPUTS_BACK: Final = 50_000
"""So many of the newest inputs are looked through for readings."""

LETTERS_BACK: Final = 5_000
"""So many of the newest dead letters are looked through for sensors that nobody knows."""

_inputs, _letters, _audit = tables.inputs.c, tables.dead_letters.c, tables.audit.c
_INPUT = [_inputs[name] for name in InputRow.__dataclass_fields__]
_LETTER = [_letters[name] for name in DeadLetter.__dataclass_fields__]
_PLACING = ("check-in", "check-out")


@dataclass(frozen=True, slots=True)
class KeptLetter:
    """A dead letter with its number on record."""

    id: int
    letter: DeadLetter


@dataclass(frozen=True, slots=True)
class Knocking:
    """A sensor that the site does not know: how often it was heard among the newest dead letters, and its last one."""

    sensor: str
    number: int
    last: KeptLetter


def newest_readings(store: Store) -> dict[str, InputRow]:
    """The newest reading of each sensor that is among the newest inputs."""
    recent = _newest(_inputs, INPUTS_BACK, "sensor", "seq")
    last = select(func.max(recent.id)).where(recent.seq.is_not(None)).group_by(recent.sensor)
    return {row[6]: InputRow(*row) for row in _all(store, select(*_INPUT).where(_inputs.id.in_(last)))}


def looked_back_us(store: Store) -> int | None:
    """When the oldest input came that is looked through for readings; None: the whole record is."""
    newest = select(func.max(_inputs.id)).scalar_subquery()
    rows = _all(store, select(_inputs.received_us).where(_inputs.id == newest - INPUTS_BACK))
    return rows[0][0] if rows else None


def readings_of(store: Store, sensor: str, limit: int) -> list[InputRow]:
    """A sensor's newest readings among the newest inputs, newest first."""
    recent = _newest(_inputs, INPUTS_BACK, "sensor", "seq")
    last = select(recent.id).where(recent.sensor == sensor, recent.seq.is_not(None)).order_by(recent.id.desc())
    query = select(*_INPUT).where(_inputs.id.in_(last.limit(limit))).order_by(_inputs.id.desc())
    return [InputRow(*row) for row in _all(store, query)]


def letters(store: Store, limit: int, before_id: int | None = None, sensor: str | None = None) -> list[KeptLetter]:
    """Dead letters, newest first, those before `before_id` only."""
    query = select(_letters.id, *_LETTER).order_by(_letters.id.desc()).limit(limit)
    if before_id is not None:
        query = query.where(_letters.id < before_id)
    if sensor is not None:
        recent = _newest(_letters, LETTERS_BACK, "sensor")
        query = query.where(_letters.id.in_(select(recent.id).where(recent.sensor == sensor)))
    return [_kept(row) for row in _all(store, query)]


def letter(store: Store, id_: int) -> KeptLetter | None:
    """One dead letter."""
    return next((_kept(row) for row in _all(store, select(_letters.id, *_LETTER).where(_letters.id == id_))), None)


def knocking(store: Store) -> list[Knocking]:
    """Sensors among the newest dead letters that are in no site configuration, those heard last first."""
    recent = _newest(_letters, LETTERS_BACK, "sensor", "reason")
    counted = select(recent.sensor, func.count().label("number"), func.max(recent.id).label("id"))
    counted = counted.where(recent.reason == "unknown-sensor", recent.sensor.is_not(None))
    last = counted.group_by(recent.sensor).subquery()
    query = select(last.c.sensor, last.c.number, _letters.id, *_LETTER)
    query = query.join_from(last, tables.dead_letters, last.c.id == _letters.id).order_by(_letters.id.desc()).limit(100)
    return [Knocking(row[0], row[1], _kept(row[2:])) for row in _all(store, query)]


def newest_letters(store: Store) -> dict[str, KeptLetter]:
    """The newest dead letter of each sensor that is among the newest ones."""
    recent = _newest(_letters, LETTERS_BACK, "sensor")
    last = select(func.max(recent.id)).where(recent.sensor.is_not(None)).group_by(recent.sensor)
    found = [_kept(row) for row in _all(store, select(_letters.id, *_LETTER).where(_letters.id.in_(last)))]
    return {one.letter.sensor: one for one in found if one.letter.sensor is not None}


def placings(store: Store) -> dict[str, AuditRow]:
    """The last check-in or check-out of each sensor."""
    last = select(func.max(_audit.id)).where(_audit.action.in_(_PLACING)).group_by(_audit.subject)
    rows = [AuditRow(*row) for row in _all(store, audit_rows().where(_audit.id.in_(last)))]
    return {row.subject.removeprefix("sensor/"): row for row in rows}


def _newest(columns: Any, number: int, *names: str) -> Any:
    """Columns of a table's newest rows, cut off first: else an index by sensor is walked through the whole record."""
    chosen = [columns.id, *(columns[name] for name in names)]
    return select(*chosen).order_by(columns.id.desc()).limit(number).subquery().c


def _kept(row: Sequence[Any]) -> KeptLetter:
    return KeptLetter(row[0], DeadLetter(*row[1:]))


def _all(store: Store, query: Select[Any]) -> list[Any]:
    with store.reading() as connection:
        return list(connection.execute(query).all())
