"""Steps of alarms on record, newest first, by priority, kind, room and time.

Rules: ordered by when a step happened, then by its row, so that a place in the list never changes: a page from it
neither loses nor repeats what was on record before. Bounded by the caller's limit. Nothing here writes or judges.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import and_, or_, select

from motewatch.engine.codec import output_from
from motewatch.engine.records import AlarmChanged
from motewatch.journal import tables
from motewatch.journal.store import Store

_alarms, _outputs = tables.alarm_events.c, tables.outputs.c


@dataclass(frozen=True, slots=True)
class Narrowed:
    """Which steps; None: whatever. All that is given must hold."""

    priority: str | None = None
    kind: str | None = None
    room: str | None = None
    since_us: int | None = None
    until_us: int | None = None
    """Before this instant."""


Place = tuple[int, int]
"""When a step happened, and its row."""


def alarm_history(
    store: Store, wanted: Narrowed, after: Place | None, limit: int
) -> tuple[list[tuple[Place, AlarmChanged]], Place | None]:
    """The steps after that place in the list (None: the newest), and the place to go on from, if there are more."""
    query = select(_alarms.at_us, _alarms.output_id, _outputs.body).join(
        tables.outputs, _outputs.id == _alarms.output_id
    )
    for column, value in (
        (_alarms.priority, wanted.priority),
        (_alarms.kind, wanted.kind),
        (_alarms.room, wanted.room),
    ):
        if value is not None:
            query = query.where(column == value)
    if wanted.since_us is not None:
        query = query.where(_alarms.at_us >= wanted.since_us)
    if wanted.until_us is not None:
        query = query.where(_alarms.at_us < wanted.until_us)
    if after is not None:
        at_us, row = after
        query = query.where(or_(_alarms.at_us < at_us, and_(_alarms.at_us == at_us, _alarms.output_id < row)))
    query = query.order_by(_alarms.at_us.desc(), _alarms.output_id.desc()).limit(limit + 1)
    found: list[tuple[Place, AlarmChanged]] = []
    with store.reading() as connection:
        for at_us, row, body in connection.execute(query):
            step = output_from("alarm", body)
            assert isinstance(step, AlarmChanged)
            found.append(((at_us, row), step))
    return found[:limit], found[limit - 1][0] if len(found) > limit else None
