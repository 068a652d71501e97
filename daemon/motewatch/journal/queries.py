"""Reading the record: for the engine's history, for replay, and for people.

Rules: every question is one short read transaction with a bounded answer. Questions of people that may match more than
`limit` rows give the NEWEST of them, oldest first. Questions of the engine can be asked as of an input: answered from
what was on record before it. Nothing here writes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

from sqlalchemy import Select, and_, bindparam, func, or_, select

from motewatch.alarms.annunciations import AlarmStep
from motewatch.alarms.lifecycle import HIDDEN, STANDING, Event, State
from motewatch.alarms.priority import Priority
from motewatch.callout.records import Outcome
from motewatch.engine.codec import output_from
from motewatch.engine.records import AlarmChanged, SampleTaken, Told
from motewatch.journal import tables
from motewatch.journal.prepared import Prepared, Values
from motewatch.journal.reach import (
    ALL_TIME,
    has_boot,
    inputs_between,
    letters_between,
    outputs_between,
    reaching,
    start_of_reading,
    windows,
)
from motewatch.journal.rows import AuditRow, CallRow, DeadLetter, InputRow
from motewatch.journal.store import Store
from motewatch.measure.samples import Sample

_inputs = tables.inputs.c
_outputs = tables.outputs.c
_samples = tables.samples.c
_alarms = tables.alarm_events.c
_calls = tables.calls.c
_of_alarm = tables.call_alarms.c
_audit = tables.audit.c
_letters = tables.dead_letters.c
_STEP = [
    _alarms[name] for name in ("alarm", "kind", "priority", "event", "state_before", "state_after", "at_us", "found_us")
]
_BEYOND_ALL_IDS: Final = 2**63 - 1


def _sample_texts() -> Select[Any]:
    return select(_samples.end_us, _outputs.body).join_from(
        tables.samples, tables.outputs, _samples.output_id == _outputs.id
    )


# The engine's questions, asked while a message is being worked on: once for each late reading, when a sensor sends
# what it has buffered for hours.
_SAMPLES = Prepared(
    _sample_texts()
    .where(_samples.location == bindparam("location"), _samples.end_us.between(bindparam("first"), bindparam("last")))
    .where(_samples.input_id < bindparam("before_input"), _samples.output_id < bindparam("before_output"))
    .order_by(_samples.end_us, _samples.revision),
    ["location", "first", "last", "before_input", "before_output"],
)
_OF_BOOT = and_(_inputs.sensor == bindparam("sensor"), _inputs.boot == bindparam("boot"))
_READING = Prepared(
    select(_inputs.start_us).where(_OF_BOOT, _inputs.seq == bindparam("seq"), _inputs.id < bindparam("before")),
    ["sensor", "boot", "seq", "before"],
)
_BOOT = Prepared(
    select(select(_inputs.id).where(_OF_BOOT, _inputs.seq.is_not(None), _inputs.id < bindparam("before")).exists()),
    ["sensor", "boot", "before"],
)


class Queries:
    """All questions to the record."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def engine_us(self) -> int | None:
        """The engine's time after the last batch; None before the first."""
        value: int | None = self._one(select(tables.meta.c.engine_us))
        return value

    def first_input_us(self) -> int | None:
        """When the first input on record was received; None before it."""
        first = self.inputs_after(0, 1)
        return first[0].received_us if first else None

    def last_input_id(self) -> int:
        """The newest input on record; 0 before the first."""
        return self._last(_inputs.id, tables.seals.c.input_id)

    def last_output_id(self) -> int:
        """The newest output on record; 0 before the first."""
        return self._last(_outputs.id, tables.seals.c.output_id)

    def inputs_after(self, input_id: int, limit: int = 1000) -> list[InputRow]:
        """The next inputs in the engine's order, those in archives included."""
        return [InputRow(*row) for row in self._after(inputs_between, input_id, self.last_input_id(), limit)]

    def outputs_after(self, output_id: int, limit: int = 1000) -> list[tuple[int, int, str]]:
        """The next outputs in the engine's order: id, id of the input that caused it (0: time passing), text."""
        found = self._after(outputs_between, output_id, self.last_output_id(), limit)
        return [(row_id, cause or 0, body) for row_id, cause, _, body in found]

    def _after(
        self,
        between: Callable[[Store, int, int], list[tuple[Any, ...]]],
        row_id: int,
        last_id: int,
        limit: int,
    ) -> list[tuple[Any, ...]]:
        """The next rows by id. Ids have no gaps but where a rule of the site has let raw messages go."""
        while row_id < last_id:
            if found := between(self._store, row_id + 1, min(row_id + limit, last_id)):
                return found
            row_id += limit
        return []

    def _last(self, row_id: Any, sealed: Any) -> int:
        """The greatest id given; the row itself may be in an archive."""
        newest = select(sealed).order_by(tables.seals.c.id.desc()).limit(1)
        return max(self._one(select(func.max(row_id))) or 0, self._one(newest) or 0)

    def samples(
        self,
        location: str,
        first_end_us: int,
        last_end_us: int,
        before_input_id: int | None = None,
        before_output_id: int | None = None,
    ) -> list[Sample]:
        """Latest revisions of the location's samples with `first_end_us <= end_us <= last_end_us`, oldest first.

        With `before_input_id` (and more exactly `before_output_id`): as they stood before that input was applied
        (before that output was given).
        """
        values = (location, first_end_us, last_end_us, _bound(before_input_id), _bound(before_output_id))
        with reaching(self._store, location, first_end_us - 1, last_end_us) as connection:
            rows = _SAMPLES.all(connection, values)
        # Revisions are rare: taking the last of each period here is simpler than asking for it.
        latest = {row.end_us: row.body for row in rows}
        return [_sample(body) for body in latest.values()]

    def reading_start_us(self, sensor: str, boot: str, seq: int, before_input_id: int | None = None) -> int | None:
        """Start of the reading on record under this key, or None. See `samples` for `before_input_id`."""
        before = _bound(before_input_id)
        rows = self._prepared(_READING, (sensor, boot, seq, before))
        return rows[0].start_us if rows else start_of_reading(self._store, sensor, boot, seq, before)

    def knows_boot(self, sensor: str, boot: str, before_input_id: int | None = None) -> bool:
        """Is any reading of this boot of this sensor on record? See `samples` for `before_input_id`."""
        before = _bound(before_input_id)
        return bool(self._prepared(_BOOT, (sensor, boot, before))[0][0]) or has_boot(self._store, sensor, boot, before)

    def query_samples(
        self,
        location: str | None = None,
        since_us: int | None = None,
        until_us: int | None = None,
        all_revisions: bool = False,
        limit: int = 1000,
    ) -> list[Sample]:
        """The newest samples with `since_us <= end_us < until_us`, oldest first."""
        after_us = ALL_TIME[0] if since_us is None else since_us - 1
        last_us = ALL_TIME[1] if until_us is None else until_us - 1
        found: list[Sample] = []
        for after, last in windows(self._store, location, after_us, last_us, newest_first=True):
            found += self._newest_samples(location, after, last, all_revisions, limit - len(found))
            if len(found) >= limit:
                break
        return found[::-1]

    def _newest_samples(
        self, location: str | None, after_us: int, last_us: int, all_revisions: bool, limit: int
    ) -> list[Sample]:
        """The newest that end in `(after_us, last_us]`, newest first."""
        query = _sample_texts().where(_samples.end_us > after_us, _samples.end_us <= last_us)
        if location is not None:
            query = query.where(_samples.location == location)
        if not all_revisions:
            newer = tables.samples.alias("newer")
            query = query.where(
                ~select(newer.c.output_id)
                .where(
                    newer.c.location == _samples.location,
                    newer.c.end_us == _samples.end_us,
                    newer.c.revision > _samples.revision,
                )
                .exists()
            )
        query = query.order_by(_samples.end_us.desc(), _samples.location.desc(), _samples.revision.desc()).limit(limit)
        with reaching(self._store, location, after_us, last_us) as connection:
            return [_sample(row.body) for row in connection.execute(query).all()]

    def query_alarm_events(
        self,
        alarm: str | None = None,
        since_us: int | None = None,
        until_us: int | None = None,
        limit: int = 1000,
    ) -> list[AlarmChanged]:
        """The newest alarm events with `since_us <= at_us < until_us`, in the order they were found."""
        query = select(_outputs.body).join_from(tables.alarm_events, tables.outputs)
        if alarm is not None:
            query = query.where(_alarms.alarm == alarm)
        query = _between(query, _alarms.at_us, since_us, until_us).order_by(_alarms.output_id.desc()).limit(limit)
        return [_alarm(row.body) for row in reversed(self._all(query))]

    def query_calls(
        self,
        person: str | None = None,
        alarm: str | None = None,
        since_us: int | None = None,
        until_us: int | None = None,
        limit: int = 1000,
    ) -> list[CallRow]:
        """The newest calls with `since_us <= at_us < until_us`, in the order they were told."""
        outcome = (_calls.outcome, _calls.outcome_us, _calls.attempts, _calls.detail)
        query: Select[Any] = select(_outputs.body, *outcome).join_from(tables.calls, tables.outputs)
        if person is not None:
            query = query.where(_calls.person == person)
        if alarm is not None:
            query = query.where(_calls.output_id.in_(select(_of_alarm.output_id).where(_of_alarm.alarm == alarm)))
        query = _between(query, _calls.at_us, since_us, until_us).order_by(_calls.output_id.desc()).limit(limit)
        return [_call(*row) for row in reversed(self._all(query))]

    def standing_alarms(self) -> list[AlarmChanged]:
        """The last event of each alarm that still stands, oldest first."""
        return [change for change in self.last_alarm_events() if change.after in STANDING]

    def hidden_alarms(self) -> list[AlarmChanged]:
        """The last event of each alarm that is shelved, suppressed by design or out of service, oldest first."""
        return [change for change in self.last_alarm_events() if change.after in HIDDEN]

    def last_alarm_events(self) -> list[AlarmChanged]:
        """The last event of each alarm that was ever raised, oldest first."""
        last = select(func.max(_alarms.output_id).label("output_id")).group_by(_alarms.alarm).subquery()
        query = (
            select(_outputs.body)
            .join_from(tables.alarm_events, last, _alarms.output_id == last.c.output_id)
            .join(tables.outputs, _outputs.id == _alarms.output_id)
            .order_by(_alarms.output_id)
        )
        return [_alarm(row.body) for row in self._all(query)]

    def alarm_steps(self, since_us: int, until_us: int) -> list[AlarmStep]:
        """The steps with `since_us <= found_us < until_us` and the last one before of each alarm, in their order.

        From the columns alone, without the texts: a year's steps are to be read in a moment.
        """
        # The first row of the time, and by the index over alarms the last one before it of each: no look at every row.
        first = select(_alarms.output_id).where(_alarms.found_us >= since_us).order_by(_alarms.output_id).limit(1)
        cut = self._one(first) or _BEYOND_ALL_IDS
        last = select(func.max(_alarms.output_id)).where(_alarms.output_id < cut).group_by(_alarms.alarm)
        query = (
            select(*_STEP)
            .where(_alarms.found_us < until_us, or_(_alarms.output_id >= cut, _alarms.output_id.in_(last)))
            .order_by(_alarms.output_id)
        )
        return [
            AlarmStep(alarm, kind, Priority(priority), Event(event), State(before), State(after), at_us, found_us)
            for alarm, kind, priority, event, before, after, at_us, found_us in self._all(query)
        ]

    def query_dead_letters(self, limit: int = 100) -> list[DeadLetter]:
        """The newest dead letters, oldest first."""
        last = self._last(_letters.id, tables.seals.c.dead_letter_id)
        return [DeadLetter(*row[1:]) for row in letters_between(self._store, last - limit + 1, last)]

    def query_audit(self, limit: int = 100) -> list[AuditRow]:
        """The newest rows of the audit trail, oldest first."""
        rows = self._all(audit_rows().order_by(_audit.id.desc()).limit(limit))
        return [AuditRow(*row) for row in reversed(rows)]

    def _all(self, query: Select[Any]) -> list[Any]:
        with self._store.reading() as connection:
            return list(connection.execute(query).all())

    def _prepared(self, statement: Prepared, values: Values) -> Sequence[Any]:
        with self._store.reading() as connection:
            return statement.all(connection, values)

    def _one(self, query: Select[Any]) -> Any:
        with self._store.reading() as connection:
            return connection.execute(query).scalar()


def audit_rows() -> Select[Any]:
    """The columns of `AuditRow`, in its order."""
    return select(
        _audit.id,
        _audit.at_us,
        _audit.who,
        _audit.action,
        _audit.subject,
        _audit.detail,
        _audit.previous_hash,
        _audit.hash,
    )


def _bound(before_id: int | None) -> int:
    return _BEYOND_ALL_IDS if before_id is None else before_id


def _between(query: Select[Any], column: Any, since_us: int | None, until_us: int | None) -> Select[Any]:
    bounds = []
    if since_us is not None:
        bounds.append(column >= since_us)
    if until_us is not None:
        bounds.append(column < until_us)
    return query.where(and_(*bounds)) if bounds else query


def _sample(text: str) -> Sample:
    output = output_from("sample", text)
    assert isinstance(output, SampleTaken)
    return output.sample


def _call(text: str, outcome: str | None, outcome_us: int | None, attempts: int | None, detail: str | None) -> CallRow:
    told = output_from("told", text)
    assert isinstance(told, Told)
    return CallRow(told, None if outcome is None else Outcome(outcome), outcome_us, attempts, detail)


def _alarm(text: str) -> AlarmChanged:
    output = output_from("alarm", text)
    assert isinstance(output, AlarmChanged)
    return output
