"""Does the audit trail's chain hold? From the first row to the last, and when these are from.

Rules: reads only, page by page, up to the row that was the last when it began. Where the chain breaks, what comes after
proves nothing, so the first row that does not fit is named and the walk ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from motewatch.journal import chain, tables
from motewatch.journal.paging import pages
from motewatch.journal.queries import audit_rows
from motewatch.journal.rows import AuditRow
from motewatch.journal.store import Store


@dataclass(frozen=True, slots=True)
class TrailCheck:
    """How far it holds: so many rows, from `first_us` to `last_us`. `trouble`: the first row that does not fit."""

    rows: int
    first_us: int | None
    last_us: int | None
    last_hash: str
    trouble: str

    def plain(self) -> dict[str, Any]:
        """As plain values."""
        return {name: getattr(self, name) for name in TrailCheck.__slots__}


def check_trail(store: Store) -> TrailCheck:
    """Walk the chain."""
    rows, first_us, last_us, last_hash = 0, None, None, chain.FIRST
    for page in pages(store, audit_rows(), tables.audit.c.id):
        for columns in page:
            row = AuditRow(*columns)
            if trouble := chain.broken(row, rows + 1, last_hash):
                return TrailCheck(rows, first_us, last_us, last_hash, trouble)
            rows, last_us, last_hash = row.id, row.at_us, row.hash
            first_us = row.at_us if first_us is None else first_us
    return TrailCheck(rows, first_us, last_us, last_hash, "")
