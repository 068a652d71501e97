"""Rows of the record in words: what the list of `Record` says of each, and where it leads.

Rules: each kind has a word and a shape of its own; instants are the site's, with their date. Pure. Must not know HTML.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from motewatch.alarms.lifecycle import Event
from motewatch.engine.plan import Grade
from motewatch.engine.records import AlarmChanged
from motewatch.journal.rows import AuditRow, CallRow
from motewatch.journal.search import Beyond, Found, Kind, Letter
from motewatch.links.publications import iso
from motewatch.picture.words import EVENTS, STATES, local_times
from motewatch.web.words import local
from motewatch.wire.wording import plain

KINDS: Final[dict[Kind, tuple[str, str]]] = {
    Kind.ALARM: ("Alarms", "▲"),
    Kind.ACT: ("Acknowledgements and other acts", "☑"),
    Kind.NOTE: ("Notes", "✎"),
    Kind.OCCUPANCY: ("Occupancy", "⌂"),
    Kind.CALL: ("Calls", "☎"),
    Kind.DEAD_LETTER: ("Messages not understood", "✉"),
    Kind.CONFIGURATION: ("Configuration", "⚙"),
    Kind.SIGNATURE: ("Signatures", "✒"),
    Kind.ACCESS: ("Sign-ins, access and the rest", "◆"),
    Kind.SAMPLE: ("Samples beyond a level", "∙"),
}
"""Of each kind: its word in the plural, and its shape."""

_ONE: Final[dict[Kind, str]] = {
    Kind.ALARM: "Alarm",
    Kind.ACT: "Act",
    Kind.NOTE: "Note",
    Kind.OCCUPANCY: "Occupancy",
    Kind.CALL: "Call",
    Kind.DEAD_LETTER: "Not understood",
    Kind.CONFIGURATION: "Configuration",
    Kind.SIGNATURE: "Signature",
    Kind.ACCESS: "Access",
    Kind.SAMPLE: "Sample",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One row as it is shown."""

    key: str
    when: str
    at: str
    """The instant for programs."""
    css: str
    sign: str
    kind: str
    head: str
    detail: str
    who: str
    links: tuple[tuple[str, str], ...] = ()
    """(path, label)."""


def stamp(us: int, zone: ZoneInfo) -> str:
    """`Thu 2026-03-05 01:58:03`."""
    when = local(us, zone)
    return f"{when:%a %Y-%m-%d %H:%M:%S}"


def sample_path(location: str, end_us: int) -> str:
    """The page of one sample."""
    return f"/record/sample?{urlencode({'location': location, 'end': iso(end_us)})}"


def alarm_path(alarm: str) -> str:
    """The page of an alarm."""
    return f"/alarm?{urlencode({'id': alarm})}"


def note_path(subject: str) -> str:
    """The page of the notes on a thing."""
    return f"/note?{urlencode({'subject': subject})}"


def line_of(found: Found, names: Mapping[str, str], zone: ZoneInfo) -> Line:
    """A row in words. `names`: what people call each location."""
    what, at_us = found.what, found.place.at_us
    css, sign = "none", KINDS[found.kind][1]
    links: tuple[tuple[str, str], ...] = ()
    if isinstance(what, AlarmChanged):
        css, sign, head, detail, who = _alarm(what)
        if what.location is not None and what.kind.startswith("count-") and what.event is Event.STARTS:
            links = ((sample_path(what.location, what.at_us), "Sample"),)
        links += ((alarm_path(what.alarm), "Alarm"), (note_path(f"alarm/{what.alarm}"), "Notes"))
    elif isinstance(what, AuditRow):
        head, detail, who = _entry(what, found.kind)
        links = _where(what)
    elif isinstance(what, CallRow):
        told = what.told
        outcome = "not known yet" if what.outcome is None else what.outcome.value.replace("-", " ")
        alarms = ", ".join(dict.fromkeys(fact.alarm for fact in told.facts))
        head = f"{told.person} by {told.channel}: {outcome}"
        detail, who = "; ".join(each for each in (alarms, what.detail or "") if each), ""
    elif isinstance(what, Letter):
        head = f"{what.reason}: {what.detail}"
        detail, who = f"{what.topic}, {what.bytes} bytes, kept as they came", what.sensor or ""
    else:
        css, sign, head, detail = _beyond(what, names)
        who = ", ".join(what.sample.sensors)
        links = ((sample_path(what.sample.location, what.sample.end_us), "Sample"),)
    head, detail = plain(local_times(head, zone)), plain(local_times(detail, zone))
    key = f"{found.place.table}-{found.place.id}"
    return Line(key, stamp(at_us, zone), iso(at_us), css, sign, _ONE[found.kind], head, detail, plain(who), links)


def _alarm(step: AlarmChanged) -> tuple[str, str, str, str, str]:
    if step.event in (Event.STARTS, Event.RE_ALARM):
        alert = step.kind.endswith(f"-{Grade.ALERT.value}")
        css, sign = ("watch", "▲") if alert or step.priority.value not in ("high", "critical") else ("bad", "✖")
    elif step.event in (Event.RETURNS, Event.RETURNS_LATCHED):
        css, sign = "fine", "✓"
    else:
        css, sign = "none", "–"
    head = f"{EVENTS[step.event.value]}: {step.text or step.alarm}"
    late = "; found late" if step.late else ""
    detail = f"{step.alarm}, {step.priority.value}; now {STATES[step.after.value]}{late}"
    return css, sign, head, detail, step.by


def _entry(row: AuditRow, kind: Kind) -> tuple[str, str, str]:
    """A note is what it says; of everything else first what was done, to what."""
    if kind is Kind.NOTE:
        return row.detail, f"on {row.subject}", row.by
    if kind is Kind.CONFIGURATION:
        return "a configuration took effect", row.detail, row.by
    return f"{row.action.replace('-', ' ')}: {row.subject}", row.detail, row.by


def _where(row: AuditRow) -> tuple[tuple[str, str], ...]:
    if row.action == "configuration":
        return ((f"/record/configurations/{row.detail}", "Configuration"),)
    kind, _, rest = row.subject.partition("/")
    if kind == "sample" and row.action in ("note", "signed"):
        location, _, end = rest.rpartition("/")
        return ((f"/record/sample?{urlencode({'location': location, 'end': end})}", "Sample"),)
    if row.action == "note":
        return ((note_path(row.subject), "Notes"),)
    return ()


def _beyond(what: Beyond, names: Mapping[str, str]) -> tuple[str, str, str, str]:
    sample = what.sample
    action = f"the {Grade.ACTION.value} level" in what.words
    css, sign = ("bad", "✖") if action else ("watch", "▲")
    revision = "" if sample.revision == 1 else f", revision {sample.revision}"
    return css, sign, what.words, f"{names.get(sample.location, sample.location)}, {sample.occupancy}{revision}"
