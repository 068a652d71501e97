"""What can be signed, as it is on record now, and the signatures there are.

Rules: texts come as they were written, oldest first, so that the same record always gives the same bytes; bounded.
Must not know what a signature means.
"""

from __future__ import annotations

from sqlalchemy import func, select

from motewatch.journal import tables
from motewatch.journal.queries import audit_rows
from motewatch.journal.reach import reaching
from motewatch.journal.rows import AuditRow
from motewatch.journal.store import Store

SIGNED = "signed"
"""The action of a signature on the audit trail."""

_outputs, _samples, _alarms, _audit = (
    table.c for table in (tables.outputs, tables.samples, tables.alarm_events, tables.audit)
)


def sample_texts(store: Store, location: str, end_us: int) -> list[str]:
    """All revisions of one sample."""
    query = (
        select(_outputs.body)
        .join_from(tables.samples, tables.outputs, _samples.output_id == _outputs.id)
        .where(_samples.location == location, _samples.end_us == end_us)
        .order_by(_samples.revision)
    )
    with reaching(store, location, end_us - 1, end_us) as connection:
        return list(connection.execute(query).scalars())


def alarm_texts(store: Store, alarm: str, since_us: int, limit: int) -> list[str]:
    """The first steps of one alarm from that instant on."""
    query = (
        select(_outputs.body)
        .join_from(tables.alarm_events, tables.outputs, _alarms.output_id == _outputs.id)
        .where(_alarms.alarm == alarm, _alarms.at_us >= since_us)
        .order_by(_alarms.output_id)
        .limit(limit)
    )
    with store.reading() as connection:
        return list(connection.execute(query).scalars())


def audit_range(store: Store, first: int, last: int) -> list[AuditRow]:
    """These rows of the audit trail."""
    with store.reading() as connection:
        found = connection.execute(audit_rows().where(_audit.id.between(first, last)).order_by(_audit.id)).all()
    return [AuditRow(*row) for row in found]


def last_audit_id(store: Store) -> int:
    """The newest row of the audit trail; 0 before the first."""
    with store.reading() as connection:
        return connection.execute(select(func.max(_audit.id))).scalar() or 0


def signature_rows(
    store: Store, subject: str | None = None, below: str | None = None, limit: int = 100, before: int | None = None
) -> list[AuditRow]:
    """The newest signatures, oldest first: of one thing, or of all whose subject begins with `below`.

    `before`: older than this row of the audit trail.
    """
    query = audit_rows().where(_audit.action == SIGNED)
    if subject is not None:
        query = query.where(_audit.subject == subject)
    if below is not None:
        query = query.where(_audit.subject.startswith(below, autoescape=True))
    if before is not None:
        query = query.where(_audit.id < before)
    with store.reading() as connection:
        found = connection.execute(query.order_by(_audit.id.desc()).limit(limit)).all()
    return [AuditRow(*row) for row in reversed(found)]
