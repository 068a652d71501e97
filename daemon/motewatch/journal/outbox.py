"""The outbox: what is still to be told to which sink, what was told, and when to try again.

Rules: "it happened" was committed with the record, "someone was told" is marked here afterwards, so a sink may be told
twice but never not at all; the rows' keys let it notice. Rows are handed out by the time of their next try and then in
the engine's order. Delivered rows stay for a while, because a sink may forget what it accepted (`resend`). This module
sends nothing and reads no clock.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import bindparam, delete, func, null, select, update

from motewatch.journal import tables
from motewatch.journal.prepared import Prepared
from motewatch.journal.rows import OutboxRow
from motewatch.journal.store import Store

_c = tables.outbox.c
_ROW = (
    _c.id,
    _c.sink,
    _c.key,
    _c.topic,
    _c.payload,
    _c.retain,
    _c.created_us,
    _c.attempts,
    _c.next_try_us,
    _c.expiry_s,
)
_DUE = (
    select(*_ROW)
    .where(
        _c.sink == bindparam("sink"),
        _c.delivered_us.is_(None),
        _c.next_try_us <= bindparam("now_us"),
        _c.next_try_us >= bindparam("from_us"),
    )
    .order_by(_c.next_try_us, _c.id)
    .limit(bindparam("count"))
)
# A row delivered already keeps its first mark: two workers may have had it in hand.
_DELIVERED = Prepared(
    update(tables.outbox)
    .where(_c.id == bindparam("row_id"), _c.delivered_us.is_(None))
    .values(delivered_us=bindparam("now_us"), last_error=null()),
    ["now_us", "row_id"],
)
_RETRY = (
    update(tables.outbox)
    .where(_c.id == bindparam("row_id"), _c.delivered_us.is_(None))
    .values(attempts=_c.attempts + 1, next_try_us=bindparam("next_us"), last_error=bindparam("error"))
)
_MOVE = (
    update(tables.outbox)
    .where(_c.id == bindparam("row_id"), _c.delivered_us.is_(None))
    .values(next_try_us=bindparam("next_us"))
)
# Ended like a delivered row, but the error stays: nobody will try again, and `prune` may take it in its time.
_REFUSED = (
    update(tables.outbox)
    .where(_c.id == bindparam("row_id"), _c.delivered_us.is_(None))
    .values(attempts=_c.attempts + 1, delivered_us=bindparam("now_us"), last_error=bindparam("error"))
)


class Outbox:
    """The rows of all sinks."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def due(self, sink: str, now_us: int, limit: int, from_us: int = 0) -> list[OutboxRow]:
        """Up to `limit` undelivered rows whose time has come: by next try, then in the engine's order; of those whose
        next try is not before `from_us`."""
        asked = {"sink": sink, "now_us": now_us, "from_us": from_us, "count": limit}
        with self._store.reading() as connection:
            rows = connection.execute(_DUE, asked).all()
        return [
            OutboxRow(row_id, of_sink, key, topic, payload, bool(retain), *others)
            for row_id, of_sink, key, topic, payload, retain, *others in rows
        ]

    def delivered(self, ids: Sequence[int], now_us: int) -> None:
        """These rows were accepted by their sink."""
        if ids:
            with self._store.writing() as connection:
                _DELIVERED.many(connection, [(now_us, row_id) for row_id in ids])

    def retry(self, ids: Sequence[int], next_try_us: int, error: str) -> None:
        """These rows were not accepted: one more failed try each, the next at `next_try_us`."""
        if ids:
            rows = [{"row_id": row_id, "next_us": next_try_us, "error": error} for row_id in ids]
            with self._store.writing() as connection:
                connection.execute(_RETRY, rows)

    def move(self, ids: Sequence[int], next_try_us: int) -> None:
        """These rows stand elsewhere in line, without a try."""
        if ids:
            with self._store.writing() as connection:
                connection.execute(_MOVE, [{"row_id": row_id, "next_us": next_try_us} for row_id in ids])

    def refused(self, ids: Sequence[int], now_us: int, error: str) -> None:
        """These rows will never be accepted by their sink: given up, with the reason kept."""
        if ids:
            rows = [{"row_id": row_id, "now_us": now_us, "error": error} for row_id in ids]
            with self._store.writing() as connection:
                connection.execute(_REFUSED, rows)

    def resend(self, sink: str, since_us: int, now_us: int) -> int:
        """Whatever was delivered at or after `since_us` is due again; returns how many rows that are.

        Rows refused since then are among them: a sink that was restarted may have been mended.
        """
        again = (
            update(tables.outbox)
            .where(_c.sink == sink, _c.delivered_us >= since_us)
            .values(delivered_us=None, next_try_us=now_us, attempts=0, last_error=None)
        )
        with self._store.writing() as connection:
            return connection.execute(again).rowcount

    def last_taken_us(self, sink: str) -> int | None:
        """When the sink last took a row, as far as its delivered rows still tell; None when none does."""
        last = select(func.max(_c.delivered_us)).where(
            _c.sink == sink, _c.delivered_us.is_not(None), _c.last_error.is_(None)
        )
        with self._store.reading() as connection:
            value: int | None = connection.execute(last).scalar_one()
        return value

    def backlog(self, sink: str) -> int:
        """How many rows wait, due or not."""
        count = select(func.count()).select_from(tables.outbox).where(_c.sink == sink, _c.delivered_us.is_(None))
        with self._store.reading() as connection:
            return connection.execute(count).scalar_one()

    def backlogs(self) -> dict[str, tuple[int, int]]:
        """Of each sink that something waits for: how many rows, and when the oldest of them was made."""
        waiting = select(_c.sink, func.count(), func.min(_c.created_us)).where(_c.delivered_us.is_(None))
        with self._store.reading() as connection:
            return {sink: (rows, oldest_us) for sink, rows, oldest_us in connection.execute(waiting.group_by(_c.sink))}

    def waiting(self, prefix: str) -> dict[str, list[int]]:
        """Ids of the rows that wait, due or not, of every sink whose name begins so."""
        rows = select(_c.sink, _c.id).where(
            _c.delivered_us.is_(None), _c.sink >= prefix, _c.sink < prefix[:-1] + chr(ord(prefix[-1]) + 1)
        )
        found: dict[str, list[int]] = {}
        with self._store.reading() as connection:
            for sink, row_id in connection.execute(rows.order_by(_c.sink, _c.id)):
                found.setdefault(sink, []).append(row_id)
        return found

    def prune(self, delivered_before_us: int, page: int = 1000) -> int:
        """Remove rows delivered before that instant; returns how many.

        Page by page, each its own transaction, so that the writer never waits long.
        """
        with self._store.reading() as connection:
            sinks = connection.execute(select(_c.sink).distinct()).scalars().all()
        return sum(self._prune(sink, delivered_before_us, page) for sink in sinks)

    def _prune(self, sink: str, delivered_before_us: int, page: int) -> int:
        # By sink, for its index. DELETE ... LIMIT is not standard SQL; a subquery says the same.
        old = select(_c.id).where(_c.sink == sink, _c.delivered_us < delivered_before_us)
        removal = delete(tables.outbox).where(_c.id.in_(old.order_by(_c.delivered_us).limit(page)))
        removed = 0
        while True:
            with self._store.writing() as connection:
                count = connection.execute(removal).rowcount
            removed += count
            if count < page:
                return removed
