"""Electronic signatures: what they mean, how they are written on the audit trail, and whether they still hold. Pure.

Rules: a signature names who, when (the site's own time with its zone), what it means, and the SHA-256 of what was
signed; the digest covers the subject too, so that a signature fits nothing else. It is read back strictly: what does
not look like one is none. Meanings are a fixed list. Must not know pages, passwords or the record.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

from motewatch.journal.rows import AuditRow


class Meaning(StrEnum):
    """What somebody says by signing."""

    REVIEWED = "reviewed"
    APPROVED = "approved"
    AUTHORED = "authored"


MEANS: Final = {
    Meaning.REVIEWED: "I have looked at all of it, and the comments and findings are complete.",
    Meaning.APPROVED: "I agree to it, and it may be used as it is.",
    Meaning.AUTHORED: "I am responsible for what it says.",
}

COMMENT_MAX: Final = 500

_WRITTEN: Final = re.compile(
    r'(?P<meaning>[a-z]+); by (?P<name>"(?:[^"\\]|\\.)*"); at (?P<at>\S+) (?P<zone>\S+); '
    r"sha256 (?P<sha256>[0-9a-f]{64})(?:; (?P<comment>.*))?"
)


@dataclass(frozen=True, slots=True)
class Signature:
    """One signature as it stands on the audit trail."""

    row: int
    """Of the audit trail."""
    by: str
    name: str
    meaning: Meaning
    at: datetime
    zone: str
    sha256: str
    comment: str
    subject: str

    @property
    def when(self) -> str:
        """Its time, with the zone's distance and name."""
        return f"{self.at:%Y-%m-%d %H:%M:%S %z} ({self.zone})"


@dataclass(frozen=True, slots=True)
class Signed:
    """A signature beside the thing that it is about."""

    signature: Signature
    changed: bool
    """What it is about is not the same any more."""


def sha256_of(subject: str, lines: Iterable[str]) -> str:
    """The digest that a signature carries: over what is signed, and which thing that is."""
    made = hashlib.sha256()
    for line in ("motewatch signature 1", subject, *lines):
        data = line.encode()
        # With its length, so that no two lists of lines are the same bytes.
        made.update(b"%d:%b\n" % (len(data), data))
    return made.hexdigest()


def written(meaning: Meaning, name: str, at: datetime, zone: str, sha256: str, comment: str) -> str:
    """A signature as the detail of a row of the audit trail; `comment` is one line."""
    quoted = json.dumps(name, ensure_ascii=False)
    text = f"{meaning}; by {quoted}; at {at.isoformat(timespec='seconds')} {zone}; sha256 {sha256}"
    return f"{text}; {comment}" if comment else text


def signature_of(row: AuditRow) -> Signature | None:
    """The signature that this row holds, or None: it is none."""
    found = _WRITTEN.fullmatch(row.detail)
    if found is None:
        return None
    try:
        meaning, at, name = Meaning(found["meaning"]), datetime.fromisoformat(found["at"]), json.loads(found["name"])
    except ValueError:
        return None
    comment = found["comment"] or ""
    return Signature(row.id, row.by, name, meaning, at, found["zone"], found["sha256"], comment, row.subject)


def beside(rows: Sequence[AuditRow], sha256: str | None) -> list[Signed]:
    """The signatures in these rows, and whether what they are about (of this digest now) has changed since."""
    found = (signature_of(row) for row in rows)
    return [Signed(one, one.sha256 != sha256) for one in found if one is not None]
