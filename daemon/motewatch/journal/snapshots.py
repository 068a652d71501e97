"""Snapshots of the engine's state: where a restart begins its replay.

Rules: the last `KEEP` stay, the rest go (the record itself is the truth; a snapshot only saves time). What is in one,
and whether its version is known, is the engine's business.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import delete, func, insert, select

from motewatch.journal import tables
from motewatch.journal.rows import SnapshotRow
from motewatch.journal.store import Store

KEEP: Final = 3

_c = tables.snapshots.c


class Snapshots:
    """The few newest snapshots."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def latest(self) -> SnapshotRow | None:
        """The newest, or None."""
        query = select(_c.input_id, _c.engine_us, _c.output_id, _c.version, _c.body).order_by(_c.id.desc()).limit(1)
        with self._store.reading() as connection:
            row = connection.execute(query).first()
        return None if row is None else SnapshotRow(*row)

    def save(self, snapshot: SnapshotRow) -> None:
        """Keep this one, and let the oldest go."""
        with self._store.writing() as connection:
            row_id = (connection.execute(select(func.max(_c.id))).scalar() or 0) + 1
            connection.execute(
                insert(tables.snapshots),
                {
                    "id": row_id,
                    "input_id": snapshot.input_id,
                    "engine_us": snapshot.engine_us,
                    "output_id": snapshot.output_id,
                    "version": snapshot.version,
                    "body": snapshot.body,
                },
            )
            connection.execute(delete(tables.snapshots).where(_c.id <= row_id - KEEP))
