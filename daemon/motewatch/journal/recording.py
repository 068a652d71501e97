"""Writing a batch: from the engine's records to rows, in one transaction.

Rules: the recorder gives all ids, from what was on record when it was opened (asking them back with RETURNING
costs several times the insert), so one process writes a journal. It counts on only after the commit: a
batch that failed leaves no gap. It decides nothing; a batch that cannot be is a defect and raises.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import astuple, dataclass, field, replace
from typing import Any

from sqlalchemy import Connection, Table, bindparam, func, insert, select, update

from motewatch.callout.records import Told
from motewatch.engine.codec import INTERNAL_KINDS, canonical, decode_internal, kind_of
from motewatch.engine.records import AlarmChanged, Audited, Delivered, Repeated, SampleTaken, Turned
from motewatch.journal import anchors, chain, defects, seals, tables
from motewatch.journal.anchors import Anchor
from motewatch.journal.columns import (
    alarm_columns,
    audit_columns,
    call_alarms,
    call_columns,
    outcome_columns,
    sample_columns,
)
from motewatch.journal.errors import JournalDefectError
from motewatch.journal.prepared import Prepared, Values
from motewatch.journal.rows import BY_TIME, Batch, OutboxRow
from motewatch.journal.seals import Seal
from motewatch.journal.signature import SigningKey
from motewatch.journal.store import Store

_INSERTS = [
    (table, Prepared(insert(table), table.c.keys()))
    for table in (
        tables.inputs,
        tables.outputs,
        tables.call_ids,
        tables.calls,
        tables.call_alarms,
        tables.samples,
        tables.alarm_events,
        tables.audit,
        tables.dead_letters,
        tables.outbox,
        tables.seals,
    )
]
_COLUMNS = {table: tuple(table.c.keys()) for table, _ in _INSERTS}
_DELIVERED = INTERNAL_KINDS[Delivered]
_OF_CALL = select(tables.call_ids.c.output_id).where(tables.call_ids.c.id == bindparam("told")).scalar_subquery()
_SET_OUTCOME = update(tables.calls).where(tables.calls.c.output_id == _OF_CALL, tables.calls.c.outcome.is_(None))
"""The first outcome counts, as in the engine; that of a call not on record has no row to go to."""
_SET_TIME = update(tables.meta).where(tables.meta.c.id == 1)


@dataclass(frozen=True, slots=True)
class Head:
    """The last ids on record and the ends of the chains."""

    input_id: int
    output_id: int
    dead_letter_id: int
    outbox_id: int
    audit_id: int
    audit_hash: str
    seal_id: int
    seal_hash: bytes


@dataclass(slots=True)
class _Rows:
    """A batch as rows, by table; values in the order of the table's columns."""

    by_table: dict[Table, list[Values]] = field(default_factory=lambda: {table: [] for table, _ in _INSERTS})

    def add(self, table: Table, row: dict[str, Any]) -> None:
        """Add a row given by column; what is missing is NULL. For the tables that get a row now and then."""
        self.by_table[table].append(tuple(map(row.get, _COLUMNS[table])))


class Recorder:
    """Gives ids and writes batches. `head` is what is on record."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._turn = threading.Lock()
        with store.reading() as connection:
            self.head = read_head(connection)

    def commit(self, batch: Batch) -> list[int]:
        """Write the batch; returns the ids of its inputs in order. See `Journal.commit`."""
        with self._turn:
            head = self.head
            self._check(batch)
            ids = [head.input_id + 1 + index for index in range(len(batch.inputs))]
            rows = _Rows()
            self._inputs(batch, ids, rows)
            audit_id, audit_hash = self._outputs(batch, ids, rows)
            self._others(batch, rows)
            seal = self._seal(batch, rows)
            try:
                with self._store.writing() as connection:
                    for table, statement in _INSERTS:
                        statement.many(connection, rows.by_table[table])
                    for told, outcome in _outcomes(batch):
                        connection.execute(_SET_OUTCOME.values(outcome), {"told": told})
                    connection.execute(_SET_TIME, {"engine_us": batch.engine_us})
            except JournalDefectError as error:
                raise self._explained(batch, error) from error
            self.head = Head(
                input_id=head.input_id + len(batch.inputs),
                output_id=head.output_id + len(batch.outputs),
                dead_letter_id=head.dead_letter_id + len(batch.dead_letters),
                outbox_id=head.outbox_id + len(batch.outbox),
                audit_id=audit_id,
                audit_hash=audit_hash,
                seal_id=seal.id,
                seal_hash=seal.hash,
            )
            return ids

    def enqueue(self, rows: Sequence[OutboxRow]) -> int:
        """Put rows that belong to no batch into the outbox, but none whose key it knows; returns how many were put."""
        with self._turn:
            with self._store.reading() as connection:
                fresh = [row for row in rows if not defects.knows_key(connection, row.sink, row.key)]
            others = _Rows()
            self._others(Batch(outbox=fresh), others)
            with self._store.writing() as connection:
                for table, statement in _INSERTS:
                    statement.many(connection, others.by_table[table])
            self.head = replace(self.head, outbox_id=self.head.outbox_id + len(fresh))
            return len(fresh)

    def anchor(
        self, site: str, at_us: int, key: SigningKey | None, rows_of: Callable[[Anchor], list[OutboxRow]]
    ) -> Anchor | None:
        """See `Journal.anchor`."""
        with self._turn:
            with self._store.writing() as connection:
                made = anchors.make(connection, site, at_us, key)
                told = [] if made is None else rows_of(made)
                others = _Rows()
                self._others(Batch(outbox=told), others)
                for table, statement in _INSERTS:
                    statement.many(connection, others.by_table[table])
            self.head = replace(self.head, outbox_id=self.head.outbox_id + len(told))
            return made

    def _check(self, batch: Batch) -> None:
        last = 0
        for index, output in batch.outputs:
            if index == BY_TIME:
                continue
            if not last <= index < len(batch.inputs):
                raise self._defect(
                    f"an output names input {index} of a batch of {len(batch.inputs)}, after input {last}: outputs "
                    "must come in the engine's order"
                )
            last = index
            if isinstance(output, Repeated):
                raise self._defect("a repeated reading is not to be recorded: leave its input out of the batch")
        for row in batch.inputs:
            if (row.seq is None) != (row.start_us is None):
                raise self._defect("an input with a sequence number needs the start of its reading, and the reverse")

    def _inputs(self, batch: Batch, ids: list[int], rows: _Rows) -> None:
        # A reading that the engine turned away was not taken in: its key stays free for the true one.
        turned = {index for index, output in batch.outputs if isinstance(output, Turned)}
        rows.by_table[tables.inputs] = [
            (
                row_id,
                row.kind,
                row.received_us,
                row.applied_us,
                row.topic,
                row.payload,
                row.sensor,
                row.boot,
                None if index in turned else row.seq,
                None if index in turned else row.start_us,
            )
            for index, (row_id, row) in enumerate(zip(ids, batch.inputs, strict=True))
        ]

    def _outputs(self, batch: Batch, ids: list[int], rows: _Rows) -> tuple[int, str]:
        audit_id, audit_hash = self.head.audit_id, self.head.audit_hash
        after = _after(batch, ids, self.head.input_id)
        outputs = rows.by_table[tables.outputs]
        for place, (index, output) in enumerate(batch.outputs):
            output_id = self.head.output_id + 1 + place
            cause = None if index == BY_TIME else ids[index]
            outputs.append((output_id, cause, kind_of(output), canonical(output)))
            if isinstance(output, SampleTaken):
                rows.add(tables.samples, sample_columns(output) | {"output_id": output_id, "input_id": after[place]})
            elif isinstance(output, AlarmChanged):
                rows.add(tables.alarm_events, alarm_columns(output) | {"output_id": output_id})
            elif isinstance(output, Told):
                rows.add(tables.call_ids, {"id": output.id, "output_id": output_id})
                rows.add(tables.calls, call_columns(output) | {"output_id": output_id})
                for alarm in call_alarms(output):
                    rows.add(tables.call_alarms, {"output_id": output_id, "alarm": alarm})
            elif isinstance(output, Audited):
                row = chain.link(audit_id + 1, output, audit_hash)
                audit_id, audit_hash = row.id, row.hash
                place_in_chain = {"id": row.id, "previous_hash": row.previous_hash, "hash": row.hash}
                rows.add(tables.audit, audit_columns(output) | place_in_chain | {"output_id": output_id})
        return audit_id, audit_hash

    def _others(self, batch: Batch, rows: _Rows) -> None:
        for row_id, letter in enumerate(batch.dead_letters, start=self.head.dead_letter_id + 1):
            rows.add(
                tables.dead_letters,
                {
                    "id": row_id,
                    "received_us": letter.received_us,
                    "topic": letter.topic,
                    "payload": letter.payload,
                    "reason": letter.reason,
                    "detail": letter.detail,
                    "sensor": letter.sensor,
                },
            )
        rows.by_table[tables.outbox] = [
            (
                row_id,
                row.sink,
                row.key,
                row.topic,
                row.payload,
                row.retain,
                row.expiry_s,
                row.created_us,
                row.attempts,
                row.next_try_us,
                None,
                None,
            )
            for row_id, row in enumerate(batch.outbox, start=self.head.outbox_id + 1)
        ]

    def _seal(self, batch: Batch, rows: _Rows) -> Seal:
        """The chain's next link, over the rows as they are to be written."""
        head = self.head
        seal = seals.seal(
            head.seal_id + 1,
            head.seal_hash,
            (
                head.input_id + len(batch.inputs),
                head.output_id + len(batch.outputs),
                head.dead_letter_id + len(batch.dead_letters),
            ),
            batch.engine_us,
            (
                seals.input_hashes(rows.by_table[tables.inputs]),
                seals.output_hashes(rows.by_table[tables.outputs]),
                seals.dead_letter_hashes(rows.by_table[tables.dead_letters]),
            ),
        )
        rows.by_table[tables.seals].append(astuple(seal))
        return seal

    def _explained(self, batch: Batch, error: JournalDefectError) -> JournalDefectError:
        with self._store.reading() as connection:
            if read_head(connection) != self.head:
                return JournalDefectError(
                    self._store.path,
                    "nothing was written: another process has written this journal since it was opened. Only one "
                    "motewatch service may run on it: stop the other one and restart this one.",
                )
            reason = defects.repeated_reading(connection, batch) or defects.repeated_key(connection, batch)
        return self._defect(reason) if reason else error

    def _defect(self, message: str) -> JournalDefectError:
        return JournalDefectError(self._store.path, f"defect, nothing was written: {message}")


def read_head(connection: Connection) -> Head:
    """The last ids on record and the ends of the chains."""

    def last(table: Table) -> int:
        return connection.execute(select(func.max(table.c.id))).scalar() or 0

    audit_id = last(tables.audit)
    audit_hash = connection.execute(select(tables.audit.c.hash).where(tables.audit.c.id == audit_id)).scalar()
    seal_id = last(tables.seals)
    sealed = tables.seals.c
    seal = connection.execute(
        select(sealed.input_id, sealed.output_id, sealed.dead_letter_id, sealed.hash).where(sealed.id == seal_id)
    ).first()
    # The newest row of a table may have left for an archive; the newest seal never does, and says its id.
    ends = (0, 0, 0) if seal is None else (seal.input_id, seal.output_id, seal.dead_letter_id)
    return Head(
        input_id=max(last(tables.inputs), ends[0]),
        output_id=max(last(tables.outputs), ends[1]),
        dead_letter_id=max(last(tables.dead_letters), ends[2]),
        outbox_id=last(tables.outbox),
        audit_id=audit_id,
        audit_hash=audit_hash or chain.FIRST,
        seal_id=seal_id,
        seal_hash=seals.FIRST if seal is None else seal.hash,
    )


def _outcomes(batch: Batch) -> Iterator[tuple[str, dict[str, Any]]]:
    """What became of calls, as far as inputs of the batch say so: id of the call, and the columns."""
    for row in batch.inputs:
        if row.kind == _DELIVERED:
            what = decode_internal(row.kind, row.payload)
            if isinstance(what, Delivered):
                yield what.told, outcome_columns(what)


def _after(batch: Batch, ids: list[int], last_id: int) -> list[int]:
    """For each output the last input the engine had taken in when it gave it.

    For an output of time passing that is not known exactly within a batch; it is dated as late as it can have been
    (just before the next input that said something, else the end of the batch), so that a question "as of input n" is
    never answered with what came after n.
    """
    places: list[int] = []
    latest = ids[-1] if ids else last_id
    for index, _ in reversed(batch.outputs):
        if index == BY_TIME:
            places.append(latest)
        else:
            places.append(ids[index])
            latest = ids[index] - 1
    places.reverse()
    return places
