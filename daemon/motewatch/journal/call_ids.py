"""Finds a call on record by its id: what the page behind the links in calls asks, besides the steps of an alarm.

Rules: an id is a text from outside, so it is looked up and never trusted. Reading only, from any thread.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import bindparam, select

from motewatch.callout.answers import TEST
from motewatch.callout.records import Cause, Outcome, Told
from motewatch.engine.codec import output_from
from motewatch.engine.records import AlarmChanged
from motewatch.journal import tables
from motewatch.journal.journal import Journal
from motewatch.journal.rows import CallRow

_CALL = (
    select(tables.outputs.c.kind, tables.outputs.c.body)
    .join_from(tables.call_ids, tables.outputs, tables.call_ids.c.output_id == tables.outputs.c.id)
    .where(tables.call_ids.c.id == bindparam("call"))
)

_TEST_CALLS = (
    select(tables.outputs.c.kind, tables.outputs.c.body)
    .join_from(tables.call_ids, tables.outputs, tables.call_ids.c.output_id == tables.outputs.c.id)
    .where(tables.call_ids.c.id >= "test-", tables.call_ids.c.id < "test.")
    .order_by(tables.outputs.c.id)
)
_PERSONS = select(tables.calls.c.person).distinct().order_by(tables.calls.c.person)
_ANSWERED = (
    select(tables.audit.c.subject, tables.audit.c.who, tables.audit.c.at_us, tables.audit.c.detail)
    .where(tables.audit.c.action == "answer-by-link", tables.audit.c.at_us >= bindparam("since_us"))
    .order_by(tables.audit.c.output_id)
)
_CONFIRMED_BY = (
    select(tables.audit.c.subject, tables.audit.c.who, tables.audit.c.at_us)
    .where(tables.audit.c.action == "confirm-test", tables.audit.c.at_us >= bindparam("since_us"))
    .order_by(tables.audit.c.output_id)
)
_CONFIRMED = select(tables.audit.c.subject, tables.audit.c.at_us).where(tables.audit.c.action == "confirm-test")


@dataclass(frozen=True, slots=True)
class AnsweredBy:
    """Who answered a call, and when."""

    by: str
    at_us: int
    act: str
    """What they did, such as `acknowledge`."""


class CallRecord:
    """The calls on record, and the steps of the alarms they are about."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal

    def told(self, call: str) -> Told | None:
        """The call of this id, or None."""
        with self._journal.store.reading() as connection:
            row = connection.execute(_CALL, {"call": call}).one_or_none()
        if row is None:
            return None
        found = output_from(row.kind, row.body)
        return found if isinstance(found, Told) else None

    def last_test_calls(self) -> list[tuple[Told, int | None]]:
        """The last test call over each way to a person, and when it was confirmed (None: not yet), in order."""
        with self._journal.store.reading() as connection:
            rows = connection.execute(_TEST_CALLS).all()
            confirmed = {row.subject: row.at_us for row in connection.execute(_CONFIRMED)}
        last: dict[tuple[str, str, str], Told] = {}
        for row in rows:
            told = output_from(row.kind, row.body)
            if isinstance(told, Told) and told.cause is Cause.TEST:
                last[told.person, told.channel, told.address] = told
        return [(told, confirmed.get(told.answer.removeprefix(TEST))) for _, told in sorted(last.items())]

    def page(
        self, limit: int, before: int | None = None, *, person: str | None = None, alarm: str | None = None
    ) -> list[tuple[int, CallRow]]:
        """The newest calls, newest first, each with its place on record; `before`: only those of an earlier place."""
        calls = tables.calls.c
        query = select(
            calls.output_id, tables.outputs.c.body, calls.outcome, calls.outcome_us, calls.attempts, calls.detail
        ).join_from(tables.calls, tables.outputs)
        if before is not None:
            query = query.where(calls.output_id < before)
        if person is not None:
            query = query.where(calls.person == person)
        if alarm is not None:
            about = tables.call_alarms.c
            query = query.where(calls.output_id.in_(select(about.output_id).where(about.alarm == alarm)))
        found = []
        with self._journal.store.reading() as connection:
            for row in connection.execute(query.order_by(calls.output_id.desc()).limit(limit)):
                told = output_from("told", row.body)
                assert isinstance(told, Told)
                outcome = None if row.outcome is None else Outcome(row.outcome)
                found.append((row.output_id, CallRow(told, outcome, row.outcome_us, row.attempts, row.detail)))
        return found

    def persons(self) -> list[str]:
        """Ids of all who were ever called."""
        with self._journal.store.reading() as connection:
            return [row.person for row in connection.execute(_PERSONS)]

    def answers(self, calls: Sequence[Told]) -> dict[str, AnsweredBy]:
        """Who answered each of these by its link, or confirmed it, first; by id of the call. Others took no answer."""
        if not calls:
            return {}
        since = {"since_us": min(told.at_us for told in calls)}
        found: dict[str, AnsweredBy] = {}
        with self._journal.store.reading() as connection:
            for row in connection.execute(_ANSWERED, since):
                found.setdefault(row.subject, AnsweredBy(row.who, row.at_us, row.detail))
            tests = {told.answer.removeprefix(TEST): told.id for told in calls if told.answer.startswith(TEST)}
            for confirmed in connection.execute(_CONFIRMED_BY, since):
                if confirmed.subject in tests:
                    found.setdefault(tests[confirmed.subject], AnsweredBy(confirmed.who, confirmed.at_us, "confirm"))
        return {told.id: found[told.id] for told in calls if told.id in found}

    def query_alarm_events(self, alarm: str | None = None, *, limit: int = 1000) -> list[AlarmChanged]:
        """The newest steps of an alarm, oldest first."""
        return self._journal.query_alarm_events(alarm, limit=limit)
