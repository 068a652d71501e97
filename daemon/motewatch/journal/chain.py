"""The audit trail's hash chain: each row's SHA-256 covers its content and the hash of the row before.

Rules: the text that is hashed is fixed for ever and is therefore made here, not by the engine's codec, which may gain
fields. Changing, removing or inserting a row breaks every later link; removing the LAST rows does not, so `verify`
also compares the trail with the engine's outputs. Pure: no tables.
"""

from __future__ import annotations

import hashlib
import json
from typing import Final

from motewatch.engine.records import Audited
from motewatch.journal.rows import AuditRow

FIRST: Final = "0" * 64
"""What the first row has instead of the hash of a row before it."""


def link(row_id: int, fact: Audited, previous_hash: str) -> AuditRow:
    """The next row of the chain."""
    content = (fact.at_us, fact.by, fact.action, fact.subject, fact.detail)
    return AuditRow(row_id, *content, previous_hash, _digest(row_id, *content, previous_hash))


def broken(row: AuditRow, expected_id: int, previous_hash: str) -> str | None:
    """Why this row does not follow the one before, in words; None where it does."""
    if row.id != expected_id:
        return f"audit: row {expected_id} is missing, row {row.id} stands in its place"
    if row.previous_hash != previous_hash:
        return f"audit: row {row.id} does not follow from the row before it"
    if row.hash != _digest(row.id, row.at_us, row.by, row.action, row.subject, row.detail, row.previous_hash):
        return f"audit: row {row.id} was changed after it was written"
    return None


def _digest(row_id: int, at_us: int, by: str, action: str, subject: str, detail: str, previous_hash: str) -> str:
    content = json.dumps([row_id, at_us, by, action, subject, detail, previous_hash], ensure_ascii=True)
    return hashlib.sha256(content.encode("ascii")).hexdigest()
