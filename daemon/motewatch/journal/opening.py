"""Sealing what was on record before there were seals: once, as it is found, in one transaction.

Rules: done when a journal of an earlier schema is first opened for writing, and never again: no seal is made later for
rows that came without one. It proves nothing about the time before; `verify` says from where on the chain holds. A
table of millions of rows takes minutes, once.
"""

from __future__ import annotations

import itertools
from dataclasses import astuple
from typing import Final

from sqlalchemy import Connection, func, insert, select

from motewatch.journal import seals, tables
from motewatch.journal.prepared import Prepared
from motewatch.journal.seals import Seal
from motewatch.journal.store import Store

ROWS: Final = 1000
"""Rows of each table under one of these seals, so that no more are held in memory."""

_INSERT: Final = Prepared(insert(tables.seals), tables.seals.c.keys())


def open_chain(store: Store) -> int:
    """Seal the record so far if nothing is sealed yet; returns how many seals were made."""
    with store.reading() as connection:
        if not _is_due(connection):
            return 0
    with store.writing() as connection:
        return _seal_all(connection)


def _is_due(connection: Connection) -> bool:
    if connection.execute(select(func.max(tables.seals.c.id))).scalar() is not None:
        return False
    return any(connection.execute(select(func.max(table.c.id))).scalar() is not None for table in tables.SEALED)


def _seal_all(connection: Connection) -> int:
    engine_us = connection.execute(select(tables.meta.c.engine_us)).scalar()
    previous = seals.FIRST
    last_ids = [0, 0, 0]
    for seal_id in itertools.count(1):
        pages = [
            connection.execute(select(table).where(table.c.id > last).order_by(table.c.id).limit(ROWS)).all()
            for table, last in zip(tables.SEALED, last_ids, strict=True)
        ]
        if not any(pages):
            return seal_id - 1
        last_ids = [page[-1].id if page else last for page, last in zip(pages, last_ids, strict=True)]
        inputs, outputs, letters = ([tuple(row) for row in page] for page in pages)
        made: Seal = seals.seal(
            seal_id,
            previous,
            (last_ids[0], last_ids[1], last_ids[2]),
            engine_us,
            (seals.input_hashes(inputs), seals.output_hashes(outputs), seals.dead_letter_hashes(letters)),
            opening=True,
        )
        _INSERT.many(connection, [astuple(made)])
        previous = made.hash
    raise AssertionError("counting has no end")
