"""Everything on record about one sample: its revisions, the readings behind it, and the steps of alarms it caused.

Rules: bounded. The record has no index of readings by time; they are looked for among the inputs just before the input
after which each revision was given, which is where they arrived. Nothing here writes or judges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from sqlalchemy import literal, select

from motewatch.engine.codec import output_from
from motewatch.engine.records import AlarmChanged, SampleTaken
from motewatch.journal import tables
from motewatch.journal.archive_files import of_sensors
from motewatch.journal.archives import Kind, folder_of, of_ids
from motewatch.journal.queries import audit_rows
from motewatch.journal.reach import reaching
from motewatch.journal.rows import AuditRow, InputRow
from motewatch.journal.store import Store
from motewatch.measure.samples import Sample

INPUTS_BEFORE: Final = 200_000
"""So many inputs before each revision are looked through."""

REVISIONS_MAX: Final = 50
READINGS_MAX: Final = 2_000
STEPS_MAX: Final = 200
NOTES_MAX: Final = 500

_outputs, _samples, _alarms, _audit, _inputs = (
    table.c for table in (tables.outputs, tables.samples, tables.alarm_events, tables.audit, tables.inputs)
)


@dataclass(frozen=True, slots=True)
class Revision:
    """One revision, and the last input that was taken in before it was given."""

    sample: Sample
    input_id: int


def revisions(store: Store, location: str, end_us: int) -> list[Revision]:
    """All revisions of one sample, the first first; none: there is no such sample."""
    query = (
        select(_outputs.body, _samples.input_id)
        .join_from(tables.samples, tables.outputs, _samples.output_id == _outputs.id)
        .where(_samples.location == location, _samples.end_us == end_us)
        .order_by(_samples.revision)
        .limit(REVISIONS_MAX)
    )
    with reaching(store, location, end_us - 1, end_us) as connection:
        rows = connection.execute(query).all()
    found = []
    for body, input_id in rows:
        taken = output_from("sample", body)
        assert isinstance(taken, SampleTaken)
        found.append(Revision(taken.sample, input_id))
    return found


def reading_rows(store: Store, of: Sequence[Revision]) -> list[InputRow]:
    """The inputs that may hold the readings of these revisions, in the order in which they came."""
    sensors = sorted({sensor for each in of for sensor in each.sample.sensors})
    if not sensors:
        return []
    found: list[InputRow] = []
    seen = 0
    for each in of:
        first = max(seen + 1, each.input_id - INPUTS_BEFORE)
        found += _of_sensors(store, sensors, each.sample.end_us, first, each.input_id)
        seen = each.input_id
    return found


def _of_sensors(store: Store, sensors: Sequence[str], end_us: int, first_id: int, last_id: int) -> list[InputRow]:
    """The first of these sensors' readings among those inputs that began before the end of the sample."""
    query = (
        select(tables.inputs)
        .where(_inputs.id.between(first_id, last_id), _inputs.sensor.in_(sensors), _inputs.start_us < end_us)
        # Without `seq`, the index over sensors does not serve: it would walk through all their years.
        .order_by(_inputs.id)
        .limit(READINGS_MAX)
    )
    with store.reading() as connection:
        rows = [InputRow(*row) for row in connection.execute(query)]
        files = [each for each in of_ids(connection, Kind.MESSAGES, first_id, last_id) if each.deleted_us is None]
    known = {row.id for row in rows}
    for archive in files:
        path = folder_of(store.path) / archive.name
        archived = of_sensors(path, sensors, first_id, last_id, end_us)
        rows += [InputRow(*row) for row in archived if row[0] not in known]
    return sorted(rows, key=lambda row: row.id)[:READINGS_MAX]


def steps_within(store: Store, location: str, start_us: int, end_us: int) -> list[AlarmChanged]:
    """Steps of the location's alarms that are dated in that period, `start_us` excluded."""
    query = (
        select(_outputs.body)
        .join_from(tables.alarm_events, tables.outputs, _alarms.output_id == _outputs.id)
        .where(_alarms.location == location, _alarms.at_us > start_us, _alarms.at_us <= end_us)
        .order_by(_alarms.output_id)
        .limit(STEPS_MAX)
    )
    with store.reading() as connection:
        bodies = connection.execute(query).scalars().all()
    found = []
    for body in bodies:
        step = output_from("alarm", body)
        assert isinstance(step, AlarmChanged)
        found.append(step)
    return found


def notes_on(store: Store, subject: str) -> list[AuditRow]:
    """The newest notes on a thing, oldest first."""
    # Written out: a partial index does not serve a bound value.
    query = audit_rows().where(_audit.action == literal("note", literal_execute=True), _audit.subject == subject)
    with store.reading() as connection:
        rows = connection.execute(query.order_by(_audit.at_us.desc(), _audit.id.desc()).limit(NOTES_MAX)).all()
    return [AuditRow(*row) for row in reversed(rows)]


def trail(store: Store, before: int | None, limit: int) -> Sequence[AuditRow]:
    """The next rows of the audit trail, newest first: those with a lower id than `before`."""
    query = audit_rows()
    if before is not None:
        query = query.where(_audit.id < before)
    with store.reading() as connection:
        return [AuditRow(*row) for row in connection.execute(query.order_by(_audit.id.desc()).limit(limit)).all()]
