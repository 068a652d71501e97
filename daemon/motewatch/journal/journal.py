"""The journal: one durable record and its outbox behind one object.

What it is for: `commit` writes what a batch of messages did, whole or not at all; only after it may the messages be
acknowledged. Everything else reads that record or marks what was told to whom.

Rules: one process writes (`Journal(path)`); its threads may share the object. Any number of processes read
(`Journal.open_reader(path)`). It decides nothing about air, alarms or time, and reads no clock. Errors are those of
`errors`; after any of them the journal holds what it held before.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import select, update

from motewatch.alarms.annunciations import AlarmStep
from motewatch.engine.records import AlarmChanged
from motewatch.journal import migrations, tables
from motewatch.journal.anchors import Anchor, broken_told, last_anchor_us
from motewatch.journal.anchors import Told as ToldAnchor
from motewatch.journal.archives import registered
from motewatch.journal.errors import JournalDefectError, JournalError, OtherSiteError
from motewatch.journal.opening import open_chain
from motewatch.journal.outbox import Outbox
from motewatch.journal.queries import Queries
from motewatch.journal.recording import Recorder
from motewatch.journal.rows import AuditRow, Batch, CallRow, DeadLetter, InputRow, OutboxRow, SnapshotRow
from motewatch.journal.seal_check import Chain, chain_of
from motewatch.journal.signature import SigningKey
from motewatch.journal.snapshots import Snapshots
from motewatch.journal.store import Store
from motewatch.journal.verify import verify
from motewatch.measure.samples import Sample


class Journal:
    """See the module. A context manager: leaving it closes the file."""

    def __init__(self, path: Path | str, *, site: str | None = None) -> None:
        """Open for writing; make or bring up to date what is there.

        `site`: whose journal this is to be; kept at the first opening, compared at each later one. Raises
        `JournalOpenError` and its kinds.
        """
        self._open(Store(Path(path)), site)

    @classmethod
    def open_reader(cls, path: Path | str) -> Self:
        """Open an existing journal for questions only, also beside a running service. Changes nothing.

        Raises `NotAJournalError` where there is none, `JournalNewerError` and `JournalOlderError`.
        """
        journal = cls.__new__(cls)
        journal._open(Store(Path(path), read_only=True), None)
        return journal

    def _open(self, store: Store, site: str | None) -> None:
        self.store = store
        try:
            if store.read_only:
                migrations.require_current(store)
            else:
                migrations.migrate(store)
                open_chain(store)
                if site is not None:
                    self._belong_to(site)
            self._recorder = None if store.read_only else Recorder(store)
        except JournalError:
            store.close()
            raise
        self._outbox = Outbox(store)
        self._queries = Queries(store)
        self._snapshots = Snapshots(store)

    def close(self) -> None:
        """Let go of the file; calling it again does nothing."""
        self.store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # Writing the record

    def commit(self, batch: Batch) -> list[int]:
        """Write the batch in one transaction, flushed to the disk; returns the ids given to its inputs, in order.

        Raises `JournalUnwritableError` (full, busy, failing disk: the batch may be tried again) or
        `JournalDefectError` (a reading or an outbox key already on record, outputs out of order: it may not).
        An input whose outputs hold a `Turned` is kept without its sequence number: it was not taken in.
        """
        if self._recorder is None:
            raise JournalDefectError(self.store.path, "this journal was opened for reading only")
        return self._recorder.commit(batch)

    def save_snapshot(self, snapshot: SnapshotRow) -> None:
        """Keep a snapshot of the engine; the three newest stay."""
        self._snapshots.save(snapshot)

    def latest_snapshot(self) -> SnapshotRow | None:
        """The newest snapshot, or None."""
        return self._snapshots.latest()

    # Restart and replay

    def engine_us(self) -> int | None:
        """The engine's time after the last batch; None before the first."""
        return self._queries.engine_us()

    def first_input_us(self) -> int | None:
        """When the first input on record was received; None before it."""
        return self._queries.first_input_us()

    def last_input_id(self) -> int:
        """The newest input on record; 0 before the first."""
        return self._queries.last_input_id()

    def last_output_id(self) -> int:
        """The newest output on record; 0 before the first."""
        return self._queries.last_output_id()

    def inputs_after(self, input_id: int, limit: int = 1000) -> list[InputRow]:
        """The next inputs in the engine's order."""
        return self._queries.inputs_after(input_id, limit)

    def outputs_after(self, output_id: int, limit: int = 1000) -> list[tuple[int, int, str]]:
        """The next outputs: (id, id of the input that caused it or 0 for time passing, canonical JSON)."""
        return self._queries.outputs_after(output_id, limit)

    # The engine's long memory (see `history`)

    def samples(
        self,
        location: str,
        first_end_us: int,
        last_end_us: int,
        before_input_id: int | None = None,
        before_output_id: int | None = None,
    ) -> list[Sample]:
        """Latest revisions with `first_end_us <= end_us <= last_end_us`, oldest first; see `Queries.samples`."""
        return self._queries.samples(location, first_end_us, last_end_us, before_input_id, before_output_id)

    def reading_start_us(self, sensor: str, boot: str, seq: int, before_input_id: int | None = None) -> int | None:
        """Start of the reading on record under this key, or None."""
        return self._queries.reading_start_us(sensor, boot, seq, before_input_id)

    def knows_boot(self, sensor: str, boot: str, before_input_id: int | None = None) -> bool:
        """Is any reading of this boot of this sensor on record?"""
        return self._queries.knows_boot(sensor, boot, before_input_id)

    # The outbox

    def enqueue(self, rows: Sequence[OutboxRow]) -> int:
        """Put rows that follow from no input into the outbox; those whose key it knows are left out. How many were put.

        Keys of rows delivered long ago are forgotten with them (`prune`). From any thread. Errors as `commit`.
        """
        if self._recorder is None:
            raise JournalDefectError(self.store.path, "this journal was opened for reading only")
        return self._recorder.enqueue(rows)

    def due(self, sink: str, now_us: int, limit: int = 500) -> list[OutboxRow]:
        """Up to `limit` undelivered rows whose time has come: by next try, then in the engine's order."""
        return self._outbox.due(sink, now_us, limit)

    def delivered(self, ids: Sequence[int], now_us: int) -> None:
        """These rows were accepted by their sink."""
        self._outbox.delivered(ids, now_us)

    def retry(self, ids: Sequence[int], next_try_us: int, error: str) -> None:
        """These rows were not accepted: one more failed try each, the next at `next_try_us`."""
        self._outbox.retry(ids, next_try_us, error)

    def refused(self, ids: Sequence[int], now_us: int, error: str) -> None:
        """See `Outbox.refused`."""
        self._outbox.refused(ids, now_us, error)

    def resend(self, sink: str, since_us: int, now_us: int) -> int:
        """Whatever was delivered at or after `since_us` is due again at `now_us`; returns how many rows."""
        return self._outbox.resend(sink, since_us, now_us)

    def last_taken_us(self, sink: str) -> int | None:
        """When the sink last took a row; None when no row on record tells."""
        return self._outbox.last_taken_us(sink)

    def backlog(self, sink: str) -> int:
        """How many rows wait, due or not."""
        return self._outbox.backlog(sink)

    def backlogs(self) -> dict[str, tuple[int, int]]:
        """Of each sink that something waits for: how many rows, and when the oldest of them was made."""
        return self._outbox.backlogs()

    def prune(self, delivered_before_us: int, page: int = 1000) -> int:
        """Remove outbox rows delivered before that instant; returns how many. The record itself is never pruned."""
        return self._outbox.prune(delivered_before_us, page)

    # Questions of people

    def query_samples(
        self,
        location: str | None = None,
        since_us: int | None = None,
        until_us: int | None = None,
        all_revisions: bool = False,
        limit: int = 1000,
    ) -> list[Sample]:
        """The newest samples with `since_us <= end_us < until_us`, oldest first."""
        return self._queries.query_samples(location, since_us, until_us, all_revisions, limit)

    def query_alarm_events(
        self,
        alarm: str | None = None,
        since_us: int | None = None,
        until_us: int | None = None,
        limit: int = 1000,
    ) -> list[AlarmChanged]:
        """The newest alarm events with `since_us <= at_us < until_us`, in the order they were found."""
        return self._queries.query_alarm_events(alarm, since_us, until_us, limit)

    def query_calls(
        self,
        person: str | None = None,
        alarm: str | None = None,
        since_us: int | None = None,
        until_us: int | None = None,
        limit: int = 1000,
    ) -> list[CallRow]:
        """The newest calls with `since_us <= at_us < until_us` and what became of them, in the order they were told."""
        return self._queries.query_calls(person, alarm, since_us, until_us, limit)

    def alarm_steps(self, since_us: int, until_us: int) -> list[AlarmStep]:
        """The steps found in that time and the last one before of each alarm; see `Queries.alarm_steps`."""
        return self._queries.alarm_steps(since_us, until_us)

    def last_alarm_events(self) -> list[AlarmChanged]:
        """The last event of each alarm that was ever raised, oldest first."""
        return self._queries.last_alarm_events()

    def standing_alarms(self) -> list[AlarmChanged]:
        """The last event of each alarm that still stands, oldest first."""
        return self._queries.standing_alarms()

    def hidden_alarms(self) -> list[AlarmChanged]:
        """The last event of each alarm that is shelved, suppressed by design or out of service, oldest first."""
        return self._queries.hidden_alarms()

    def query_dead_letters(self, limit: int = 100) -> list[DeadLetter]:
        """The newest dead letters, oldest first."""
        return self._queries.query_dead_letters(limit)

    def query_audit(self, limit: int = 100) -> list[AuditRow]:
        """The newest rows of the audit trail, oldest first."""
        return self._queries.query_audit(limit)

    # Proof

    def anchor(
        self, site: str, at_us: int, key: SigningKey | None, rows_of: Callable[[Anchor], list[OutboxRow]]
    ) -> Anchor | None:
        """Put the head of the hash chain on record as an anchor, with what tells it outside, in one transaction.

        None where the chain has not grown since the last one. Errors as `commit`. From any thread.
        """
        if self._recorder is None:
            raise JournalDefectError(self.store.path, "this journal was opened for reading only")
        return self._recorder.anchor(site, at_us, key, rows_of)

    def last_anchor_us(self) -> int | None:
        """When the newest anchor was made; None before the first."""
        return last_anchor_us(self.store)

    def chain(self) -> Chain:
        """How far the hash chain reaches, unproved."""
        return chain_of(self.store)

    # Care

    def verify(
        self, told: Sequence[ToldAnchor] = (), public_key: str | None = None, *, whole: bool = True
    ) -> list[str]:
        """All problems found, as sentences; empty when the journal is in order. Reads everything, changes nothing.

        `told` are anchors that were collected elsewhere; with `public_key` they must be signed by it. Not `whole`:
        archive files are looked at by their hashes, and no row of them is read; see `verify`.
        """
        return [*verify(self.store, public_key, whole), *broken_told(self.store, told, public_key)]

    def archive_files(self) -> int:
        """How many archive files are on record."""
        with self.store.reading() as connection:
            return len(registered(connection))

    def checkpoint(self) -> bool:
        """Move the write-ahead log into the file and give its space back; False while a reader still needs it."""
        return self.store.checkpoint()

    def site(self) -> str | None:
        """Whose journal this is, or None where it was never said."""
        with self.store.reading() as connection:
            return connection.execute(select(tables.meta.c.site)).scalar()

    def _belong_to(self, site: str) -> None:
        found = self.site()
        if found is None:
            with self.store.writing() as connection:
                connection.execute(update(tables.meta).where(tables.meta.c.id == 1).values(site=site))
        elif found != site:
            raise OtherSiteError(self.store.path, found, site)
