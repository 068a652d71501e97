"""Reading the record for a report, as of one seal of its hash chain; and the register of reports that were made.

Rules: everything is asked as of the seal, so that a report can be made again from the same record later, and differs
only where the record was changed. Samples come a day at a time, each in one short read transaction, so that a long
report holds up nobody. The register holds what was made; it is no part of the record. Must not know what a report says.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from pydantic_core import from_json
from sqlalchemy import bindparam, func, insert, or_, select, update

from motewatch.alarms.annunciations import AlarmStep
from motewatch.alarms.lifecycle import Event, State
from motewatch.alarms.priority import Priority
from motewatch.engine.codec import decode_internal, output_from
from motewatch.engine.records import AlarmChanged, Configured, Told
from motewatch.journal import tables
from motewatch.journal.prepared import Prepared
from motewatch.journal.queries import audit_rows
from motewatch.journal.reach import is_archived, reaching
from motewatch.journal.rows import AuditRow
from motewatch.journal.store import Store
from motewatch.wire.records import DAY_US

REPORTS_FOLDER: Final = "reports"
"""Beside the journal: where the files of the register are."""

ARCHIVED_US: Final = 10 * DAY_US
"""So much of a location's time is taken from archives at once."""

MOST: Final = 20_000
"""Steps, calls, notes and signatures of one report, of each kind; a report with more says so."""

_inputs, _outputs, _samples, _alarms, _audit, _calls, _seals, _reports = (
    table.c
    for table in (
        tables.inputs,
        tables.outputs,
        tables.samples,
        tables.alarm_events,
        tables.audit,
        tables.calls,
        tables.seals,
        tables.reports,
    )
)

_TEXTS = Prepared(
    select(_samples.end_us, _outputs.body)
    .join_from(tables.samples, tables.outputs, _samples.output_id == _outputs.id)
    .where(_samples.location == bindparam("location"))
    .where(_samples.end_us > bindparam("after"), _samples.end_us <= bindparam("until"))
    .where(_samples.output_id <= bindparam("last"))
    .order_by(_samples.end_us, _samples.revision),
    ["location", "after", "until", "last"],
)


TOGETHER: Final = 60
"""So many samples are parsed in one call: a fraction of a millisecond."""


@dataclass(frozen=True, slots=True)
class AsOf:
    """A seal: up to where the record is looked at."""

    seal: int
    hash: str
    input_id: int
    output_id: int
    engine_us: int


@dataclass(frozen=True, slots=True)
class CallMade:
    """A call and its outcome as of the seal."""

    told: Told
    outcome: str
    """Empty: not known yet."""


@dataclass(frozen=True, slots=True)
class Made:
    """A report that was made."""

    id: str
    kind: str
    title: str
    start_us: int
    end_us: int
    batch: str
    hash: str
    seal: int
    made_us: int
    made_by: str
    file: str
    """Beside the journal, in the folder of reports."""


class ReportReader:
    """The record as of a seal."""

    def __init__(self, store: Store, as_of: AsOf) -> None:
        self._store = store
        self.as_of = as_of

    def configurations(self, until_us: int) -> list[tuple[int, Configured]]:
        """All that took effect before that instant, with when, oldest first."""
        query = (
            select(_inputs.applied_us, _inputs.payload)
            .where(_inputs.kind == "configured", _inputs.id <= self.as_of.input_id, _inputs.applied_us < until_us)
            .order_by(_inputs.id)
        )
        found = []
        for applied_us, payload in self._all(query):
            what = decode_internal("configured", payload)
            assert isinstance(what, Configured)
            found.append((applied_us, what))
        return found

    def samples(self, location: str, start_us: int, end_us: int) -> Iterator[list[list[Any]]]:
        """Latest revisions that end in `(start_us, end_us]`, oldest first, as `engine.codec` wrote them, parsed;
        some at a time.
        """
        after = start_us
        while after < end_us:
            with self._store.reading() as connection:
                # An archive file is opened anew for each piece, and mostly holds more than a day.
                step = ARCHIVED_US if is_archived(connection, after, after + ARCHIVED_US) else DAY_US
            until = min(after + step, end_us)
            with reaching(self._store, location, after, until) as connection:
                rows = _TEXTS.plain(connection, (location, after, until, self.as_of.output_id))
            latest = list(dict(rows).values())
            # Some in one call: a whole day would keep all other threads waiting, and one alone is mostly the call.
            for begin in range(0, len(latest), TOGETHER):
                yield from_json(f"[{','.join(latest[begin : begin + TOGETHER])}]")
            after = until

    def alarm_steps(self, start_us: int, end_us: int) -> list[AlarmChanged]:
        """All steps of the alarms that had one in that time or were not normal at its start: from there to the seal."""
        last = self.as_of.output_id
        before = (
            select(func.max(_alarms.output_id).label("output_id"))
            .where(_alarms.at_us < start_us, _alarms.output_id <= last)
            .group_by(_alarms.alarm)
            .subquery()
        )
        standing = (
            select(_alarms.alarm)
            .join_from(tables.alarm_events, before, _alarms.output_id == before.c.output_id)
            .where(_alarms.state_after != State.NORMAL.value)
        )
        inside = select(_alarms.alarm).where(
            _alarms.at_us >= start_us, _alarms.at_us < end_us, _alarms.output_id <= last
        )
        alarms = sorted({*self._scalars(standing), *self._scalars(inside)})
        found = []
        for alarm in alarms:
            normal = select(func.max(_alarms.output_id)).where(
                _alarms.alarm == alarm,
                _alarms.at_us < start_us,
                _alarms.output_id <= last,
                _alarms.state_after == State.NORMAL.value,
            )
            since = self._scalars(normal)[0] or 0
            query = (
                select(_outputs.body)
                .join_from(tables.alarm_events, tables.outputs, _alarms.output_id == _outputs.id)
                .where(_alarms.alarm == alarm, _alarms.output_id > since, _alarms.output_id <= last)
                .order_by(_alarms.output_id)
                .limit(MOST)
            )
            for text in self._scalars(query):
                step = output_from("alarm", text)
                assert isinstance(step, AlarmChanged)
                found.append(step)
        return found

    def figures_steps(self, since_us: int, until_us: int) -> list[AlarmStep]:
        """The steps found in that time and the last one before of each alarm, from the columns alone."""
        last_before = select(func.max(_alarms.output_id)).where(_alarms.found_us < since_us).group_by(_alarms.alarm)
        names = ("alarm", "kind", "priority", "event", "state_before", "state_after", "at_us", "found_us")
        query = (
            select(*(_alarms[name] for name in names))
            .where(_alarms.found_us < until_us, _alarms.output_id <= self.as_of.output_id)
            .where(or_(_alarms.found_us >= since_us, _alarms.output_id.in_(last_before)))
            .order_by(_alarms.output_id)
        )
        return [
            AlarmStep(alarm, kind, Priority(priority), Event(event), State(before), State(after), at_us, found_us)
            for alarm, kind, priority, event, before, after, at_us, found_us in self._all(query)
        ]

    def audit(self, actions: Sequence[str], since_us: int) -> list[AuditRow]:
        """Rows of these actions from that instant on, oldest first."""
        query = (
            audit_rows()
            .where(_audit.action.in_(actions), _audit.at_us >= since_us, _audit.output_id <= self.as_of.output_id)
            .order_by(_audit.id)
            .limit(MOST)
        )
        return [AuditRow(*row) for row in self._all(query)]

    def calls(self, start_us: int, end_us: int) -> list[CallMade]:
        """Calls of that time. An outcome counts when it was known a minute before the seal: it is written later than
        the call, and so the seal alone does not date it."""
        query = (
            select(_outputs.body, _calls.outcome, _calls.outcome_us)
            .join_from(tables.calls, tables.outputs, _calls.output_id == _outputs.id)
            .where(_calls.at_us >= start_us, _calls.at_us < end_us, _calls.output_id <= self.as_of.output_id)
            .order_by(_calls.output_id)
            .limit(MOST)
        )
        known_us = self.as_of.engine_us - 60_000_000
        found = []
        for body, outcome, outcome_us in self._all(query):
            told = output_from("told", body)
            assert isinstance(told, Told)
            found.append(CallMade(told, outcome if outcome is not None and outcome_us <= known_us else ""))
        return found

    def _all(self, query: Any) -> list[Any]:
        with self._store.reading() as connection:
            return list(connection.execute(query).all())

    def _scalars(self, query: Any) -> list[Any]:
        with self._store.reading() as connection:
            return list(connection.execute(query).scalars())


def newest_seal(store: Store) -> AsOf | None:
    """The head of the chain; None before the first batch."""
    return _as_of(store, select(*_SEAL).order_by(_seals.id.desc()).limit(1))


def seal(store: Store, seal_id: int) -> AsOf | None:
    """The seal of that number."""
    return _as_of(store, select(*_SEAL).where(_seals.id == seal_id))


_SEAL = (_seals.id, _seals.hash, _seals.input_id, _seals.output_id, _seals.engine_us)


def _as_of(store: Store, query: Any) -> AsOf | None:
    with store.reading() as connection:
        row = connection.execute(query).first()
    if row is None:
        return None
    return AsOf(row.id, bytes(row.hash).hex(), row.input_id, row.output_id, row.engine_us or 0)


_MADE = tuple(_reports[name] for name in Made.__dataclass_fields__)


def keep(store: Store, made: Made) -> bool:
    """Put a report into the register; False: it is there already, the same."""
    values = {name: getattr(made, name) for name in Made.__dataclass_fields__}
    with store.writing() as connection:
        if connection.execute(select(_reports.id).where(_reports.id == made.id)).first() is not None:
            return False
        number = connection.execute(select(func.coalesce(func.max(_reports.number), 0) + 1)).scalar_one()
        connection.execute(insert(tables.reports).values(number=number, **values))
    return True


def made_report(store: Store, report_id: str) -> Made | None:
    """The report of this id."""
    with store.reading() as connection:
        row = connection.execute(select(*_MADE).where(_reports.id == report_id)).first()
    return None if row is None else Made(*row)


def report_files(store: Store) -> list[tuple[str, str]]:
    """The files of all kept reports, the oldest first: name, and hash of the content."""
    with store.reading() as connection:
        return [
            (row[0], row[1])
            for row in connection.execute(select(_reports.file, _reports.hash).order_by(_reports.number))
        ]


def made_reports(store: Store, before: int | None = None, limit: int = 100) -> list[tuple[int, Made]]:
    """The newest reports, newest first, each with its running number; those with a smaller number than `before`."""
    query = select(_reports.number, *_MADE)
    if before is not None:
        query = query.where(_reports.number < before)
    with store.reading() as connection:
        rows = connection.execute(query.order_by(_reports.number.desc()).limit(limit)).all()
    return [(row[0], Made(*row[1:])) for row in rows]


# Schedules and their mails


@dataclass(frozen=True, slots=True)
class ReportMail:
    """A report on its way to one address; `ended_us`: no further try."""

    report: str
    schedule: str
    channel: str
    address: str
    attempts: int
    next_try_us: int
    ended_us: int | None
    sent: bool
    detail: str


_runs, _mails = tables.report_runs.c, tables.report_mails.c
_MAIL = tuple(_mails[name] for name in ReportMail.__dataclass_fields__)


def runs(store: Store, schedule: str) -> set[int]:
    """The starts of the times of which this schedule has its report."""
    with store.reading() as connection:
        return set(connection.execute(select(_runs.start_us).where(_runs.schedule == schedule)).scalars())


def scheduled_report(
    store: Store, schedule: str, start_us: int, report: str, ways: Sequence[tuple[str, str]], now_us: int
) -> None:
    """This time of the schedule has its report, which is to be mailed over these channels to these addresses."""
    with store.writing() as connection:
        connection.execute(insert(tables.report_runs).values(schedule=schedule, start_us=start_us, report=report))
        for channel, address in dict.fromkeys(ways):
            values = {"report": report, "schedule": schedule, "channel": channel, "address": address}
            known = select(_mails.report).where(*(_mails[name] == value for name, value in values.items()))
            if connection.execute(known).first() is None:
                new = {"attempts": 0, "next_try_us": now_us, "ended_us": None, "sent": False, "detail": ""}
                connection.execute(insert(tables.report_mails).values(**values, **new))


def due_mails(store: Store, now_us: int, limit: int = 20) -> list[ReportMail]:
    """Mails whose time has come, the longest waiting first."""
    query = select(*_MAIL).where(_mails.ended_us.is_(None), _mails.next_try_us <= now_us)
    with store.reading() as connection:
        rows = connection.execute(query.order_by(_mails.next_try_us).limit(limit)).all()
    return [ReportMail(*row) for row in rows]


def mails_of(store: Store, report: str) -> list[ReportMail]:
    """Where a report was mailed, or is to be."""
    query = select(*_MAIL).where(_mails.report == report).order_by(_mails.schedule, _mails.address, _mails.channel)
    with store.reading() as connection:
        return [ReportMail(*row) for row in connection.execute(query).all()]


def mail_tried(store: Store, mail: ReportMail) -> None:
    """How a try went: its attempts, next try, end and detail."""
    key = (
        _mails.report == mail.report,
        _mails.schedule == mail.schedule,
        _mails.channel == mail.channel,
        _mails.address == mail.address,
    )
    names = ("attempts", "next_try_us", "ended_us", "sent", "detail")
    values = {name: getattr(mail, name) for name in names}
    with store.writing() as connection:
        connection.execute(update(tables.report_mails).where(*key).values(**values))
