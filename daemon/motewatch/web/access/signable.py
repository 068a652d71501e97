"""What can be signed, looked up in the record: a sample, an alarm's history, a stretch of the audit trail, a report.

Rules: the lines that are signed are those on record, not what a page makes of them; a later line changes the digest. A
new kind of thing is one line in `KINDS`. Must not know pages or who may sign.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from motewatch.alarms.lifecycle import State
from motewatch.engine.codec import output_from
from motewatch.engine.records import AlarmChanged, SampleTaken
from motewatch.journal.journal import Journal
from motewatch.journal.reports import made_report
from motewatch.journal.signed import alarm_texts, audit_range, sample_texts, signature_rows
from motewatch.links.publications import iso
from motewatch.site.instants import instant, instant_us
from motewatch.web.access.signing import Signed, beside, sha256_of

STEPS_MAX: Final = 5_000
AUDIT_ROWS_MAX: Final = 1_000


@dataclass(frozen=True, slots=True)
class Signable:
    """A thing as it is on record now."""

    subject: str
    title: str
    table: tuple[tuple[str, ...], ...]
    """What it says, for people: the first row names the columns."""
    sha256: str
    warning: str = ""
    """Why it will not stay as it is."""


def sample_subject(location: str, end_us: int) -> str:
    """How a sample is named on the audit trail."""
    return f"sample/{location}/{iso(end_us)}"


def alarm_subject(alarm: str, start_us: int) -> str:
    """How one life of an alarm is named: from this step on until it is normal again."""
    return f"alarm/{alarm}/{iso(start_us)}"


def signable(record: Journal, subject: str) -> Signable | None:
    """The thing of this subject, or None: there is none. Asks the record, so call it in a thread of the pool."""
    kind, _, rest = subject.partition("/")
    look = KINDS.get(kind)
    return None if look is None or len(subject) > 300 else look(record, subject, rest)


def signatures_of(record: Journal, subject: str) -> list[Signed]:
    """The signatures of a thing, and whether it has changed since each. In a thread of the pool."""
    rows = signature_rows(record.store, subject)
    if not rows:
        return []
    found = signable(record, subject)
    return beside(rows, None if found is None else found.sha256)


def _sample(record: Journal, subject: str, rest: str) -> Signable | None:
    location, _, end = rest.rpartition("/")
    end_us = _instant(end)
    texts = [] if end_us is None else sample_texts(record.store, location, end_us)
    if not texts:
        return None
    table = [("Revision", "Period", "Particles counted", "Sampled", "Readings", "Quality")]
    for text in texts:
        taken = output_from("sample", text)
        assert isinstance(taken, SampleTaken)
        one = taken.sample
        counts = ", ".join(f"≥ {each.size_nm / 1000:g} µm: {each.count}" for each in one.channels)
        quality = ", ".join(str(flag.name).lower().replace("_", " ") for flag in one.quality) or "good"
        period = f"{_when(one.start_us)} to {_when(one.end_us)}"
        table.append((str(one.revision), period, counts, f"{one.coverage:.0%}", str(one.readings), quality))
    return Signable(subject, f"Sample at {location}", tuple(table), sha256_of(subject, texts))


def _alarm(record: Journal, subject: str, rest: str) -> Signable | None:
    alarm, _, start = rest.rpartition("/")
    start_us = _instant(start)
    if start_us is None:
        return None
    texts, steps = _life(alarm_texts(record.store, alarm, start_us, STEPS_MAX), start_us)
    if not steps:
        return None
    table = [("Time", "What", "State", "By", "Comment")]
    table += [(_when(each.at_us), each.text, str(each.after), each.by, each.comment) for each in steps]
    over = steps[-1].after is State.NORMAL
    warning = "" if over else "This alarm is not back to normal: what happens next comes after the signature."
    return Signable(subject, f"Alarm {alarm}", tuple(table), sha256_of(subject, texts), warning)


def _life(texts: Sequence[str], start_us: int) -> tuple[list[str], list[AlarmChanged]]:
    """From the step of that instant up to the first one that leads back to normal."""
    lines: list[str] = []
    steps: list[AlarmChanged] = []
    for text in texts:
        step = output_from("alarm", text)
        assert isinstance(step, AlarmChanged)
        # A step that was found late may be dated after one that was found before it.
        if not steps and step.at_us != start_us:
            continue
        lines.append(text)
        steps.append(step)
        if step.after is State.NORMAL:
            break
    return lines, steps


def _audit(record: Journal, subject: str, rest: str) -> Signable | None:
    asked = re.fullmatch(r"([1-9]\d{0,17})-([1-9]\d{0,17})", rest)
    if asked is None:
        return None
    first, last = int(asked[1]), int(asked[2])
    if not first <= last < first + AUDIT_ROWS_MAX:
        return None
    rows = audit_range(record.store, first, last)
    if [row.id for row in rows] != list(range(first, last + 1)):
        return None
    # The hash of a row covers the row and all before it.
    lines = [f"{row.id} {row.hash}" for row in rows]
    table = [("Row", "Time", "Who", "What", "About", "Detail")]
    table += [(str(row.id), _when(row.at_us), row.by, row.action, row.subject, row.detail) for row in rows]
    return Signable(subject, f"Audit trail, rows {first} to {last}", tuple(table), sha256_of(subject, lines))


def _report(record: Journal, subject: str, rest: str) -> Signable | None:
    made = made_report(record.store, rest)
    if made is None:
        return None
    table = [("Report", "From", "Until", "Batch", "Made by", "Content (SHA-256)")]
    table.append((made.title, _when(made.start_us), _when(made.end_us), made.batch, made.made_by, made.hash))
    # The hash is that of the whole content; a page proves the file against it before it shows anything.
    return Signable(subject, f"{made.title} {made.id}", tuple(table), sha256_of(subject, [made.hash]))


def _when(us: int) -> str:
    """To the second; what is signed has the microseconds."""
    return f"{instant(us):%Y-%m-%d %H:%M:%S} UTC"


def _instant(text: str) -> int | None:
    try:
        moment = datetime.fromisoformat(text)
        return instant_us(moment if moment.tzinfo else moment.replace(tzinfo=UTC))
    except (ValueError, OverflowError):
        return None


Look = Callable[[Journal, str, str], Signable | None]

KINDS: Final[dict[str, Look]] = {"sample": _sample, "alarm": _alarm, "audit": _audit, "report": _report}
"""What looks up each kind of thing: given the record, the whole subject, and what follows the kind."""
