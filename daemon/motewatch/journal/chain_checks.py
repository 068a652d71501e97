"""That the chain was checked, as a fact on the audit trail: by whom, and what was found.

Rules: a check that did not come to its end says so, and is no word for the chain. Such a fact stands on the trail that
it is about: it tells that somebody looked, and proves nothing by itself. Nothing here checks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from motewatch.journal import tables
from motewatch.journal.queries import audit_rows
from motewatch.journal.rows import AuditRow
from motewatch.journal.store import Store

CHECKED: Final = "chain-checked"
"""The action on the audit trail."""

SUBJECT: Final = "record/chain"
HOLDS, BROKEN, UNFINISHED = "holds", "broken", "not finished"
SHOWN: Final = 5
"""So many problems of the record are named; all of them stand on the page of the check itself."""
DETAIL_MAX: Final = 900


def found_words(lines: Sequence[Mapping[str, Any]], trouble: str) -> str:
    """What a check found, its result first. `lines`: what the check said; `trouble`: why it did not end."""
    trail = next((line for line in lines if "rows" in line), None)
    record = next((line for line in lines if "seals" in line), None)
    said, broken = [], False
    if trail is not None:
        broken = bool(trail["trouble"])
        if broken:
            said.append(f"audit trail: first row that does not fit: {trail['trouble']}; {trail['rows']} rows before it")
        else:
            said.append(f"audit trail: {trail['rows']} rows, last hash {trail['last_hash']}")
    if record is not None:
        problems = record["problems"]
        broken = broken or bool(problems)
        shown = "; ".join(problems[:SHOWN]) + (f"; {len(problems) - SHOWN} more" if len(problems) > SHOWN else "")
        said.append(f"record: {shown}" if problems else f"record: {record['seals']} seals")
    if trouble:
        said.append(trouble)
    result = BROKEN if broken else UNFINISHED if trouble or trail is None or record is None else HOLDS
    return f"{result}; {'; '.join(said)}"[:DETAIL_MAX]


def last_check(store: Store) -> AuditRow | None:
    """The newest fact of a check; None: it was never checked from the console."""
    audit = tables.audit.c
    query = audit_rows().where(audit.action == CHECKED, audit.subject == SUBJECT)
    with store.reading() as connection:
        row = connection.execute(query.order_by(audit.at_us.desc(), audit.id.desc()).limit(1)).first()
    return None if row is None else AuditRow(*row)
