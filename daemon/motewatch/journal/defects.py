"""Telling a defect in words: which row of a refused batch was already on record.

Asked only after a transaction was refused; the answer goes into the error's sentence.
"""

from __future__ import annotations

from sqlalchemy import Connection, select

from motewatch.journal import tables
from motewatch.journal.rows import Batch


def repeated_reading(connection: Connection, batch: Batch) -> str | None:
    """The first reading of the batch that is on record, or twice in the batch."""
    c = tables.inputs.c
    seen: set[tuple[str | None, str | None, int]] = set()
    for row in batch.inputs:
        if row.seq is None:
            continue
        key = (row.sensor, row.boot, row.seq)
        query = select(c.id).where(c.sensor == row.sensor, c.boot == row.boot, c.seq == row.seq)
        if key in seen or connection.execute(query).first() is not None:
            return (
                f"reading {row.seq} of boot '{row.boot}' of sensor '{row.sensor}' is already on record; the engine "
                "must recognise repeats"
            )
        seen.add(key)
    return None


def repeated_key(connection: Connection, batch: Batch) -> str | None:
    """The first outbox key of the batch that its sink already has, or that is twice in the batch."""
    c = tables.outbox.c
    seen: set[tuple[str, str]] = set()
    for row in batch.outbox:
        query = select(c.id).where(c.sink == row.sink, c.key == row.key)
        if (row.sink, row.key) in seen or connection.execute(query).first() is not None:
            return f"the key '{row.key}' is already in the outbox of '{row.sink}'"
        seen.add((row.sink, row.key))
    return None


def knows_key(connection: Connection, sink: str, key: str) -> bool:
    """Is a row with this key in the outbox, delivered or not?"""
    row = tables.outbox.c
    found = connection.execute(select(row.id).where(row.sink == sink, row.key == key)).first()
    return found is not None
