"""Reports for the pages and the HTTP API: what is asked for as a scope, making, and the signatures of a report.

Rules: whoever makes a report is on the audit trail with its content hash. What cannot be made is said in a sentence.
Must not know pages or programs.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from motewatch.journal.journal import Journal
from motewatch.journal.reports import Made
from motewatch.links.report_sheet import SignedBy
from motewatch.links.report_shelf import ReportError, Shelf
from motewatch.picture.report_scope import TITLE_MAX, Kind, Scope, ScopeError, Span, last_over, span_from
from motewatch.site.instants import instant_us
from motewatch.site.models import Site
from motewatch.web.access.desk import Visitor
from motewatch.web.access.signable import signatures_of
from motewatch.web.bodies import one_line
from motewatch.web.console.house import House

MADE = "report-made"
"""The action on the audit trail."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What somebody asks for, as texts. Times are local where they have no offset."""

    kind: str
    at: str = ""
    """A time in the shift, day or month; empty: the last one that is over."""
    start: str = ""
    end: str = ""
    batch: str = ""
    place: str = ""
    """`location:ID`, `room:ID` or `area:ID`; empty: the whole site."""


class ReportDesk:
    """See the module. Everything waits, so call it in a thread of the pool."""

    def __init__(self, house: House) -> None:
        self._house = house
        self.shelf = Shelf(house.record.store)

    def make(self, visitor: Visitor, wanted: Wanted) -> Made:
        """Make and keep a report. Raises `ReportError`."""
        house = self._house
        now_us = house.clock.now_us()
        try:
            scope = scope_of(wanted, house.site, house.feed.zone, now_us)
        except ScopeError as error:
            raise ReportError(str(error), error.field) from None
        made, new = self.shelf.make(scope, visitor.id, now_us)
        if new:
            house.enter(visitor, MADE, f"report/{made.id}", f"sha256 {made.hash}")
        return made


def scope_of(wanted: Wanted, site: Site, zone: ZoneInfo, now_us: int) -> Scope:
    """The scope that is meant. Raises `ScopeError`."""
    places = _places(wanted.place, site)
    batch = one_line(wanted.batch)
    if wanted.kind not in set(Kind):
        raise ScopeError("say what to report: shift, day, month or batch")
    kind = Kind(wanted.kind)
    if kind is Kind.BATCH:
        if not batch or len(batch) > TITLE_MAX:
            raise ScopeError(f"a batch needs its number, of {TITLE_MAX} characters at most", "batch")
        return Scope(Span(kind, _time(wanted.start, zone, "start"), _time(wanted.end, zone, "end")), places, batch)
    at = wanted.at.strip()
    shifts = site.site.shifts
    if not at:
        return Scope(last_over(kind, now_us, shifts, zone), places)
    # One field for all three on the page: a day or a month is the part of it that counts.
    text = at[: {Kind.DAY: 10, Kind.MONTH: 7}.get(kind, len(at))]
    return Scope(span_from(kind, text, shifts, zone), places)


def report_signatures(record: Journal, report: str) -> list[SignedBy]:
    """The electronic signatures of a report, for its signature block."""
    return [
        SignedBy(
            each.signature.name,
            each.signature.meaning.value,
            each.signature.when,
            each.signature.comment,
            fits=not each.changed,
        )
        for each in signatures_of(record, f"report/{report}")
    ]


def _time(text: str, zone: ZoneInfo, field: str) -> int:
    try:
        at = datetime.fromisoformat(text.strip())
        return instant_us(at if at.tzinfo else at.replace(tzinfo=zone))
    except (ValueError, OverflowError):
        raise ScopeError("a batch needs a start and an end, such as 2026-03-02T08:00", field) from None


def _places(place: str, site: Site) -> tuple[str, ...]:
    if not place:
        return ()
    kind, _, id_ = place.partition(":")
    areas = {room.id: room.area for room in site.rooms}
    found = tuple(
        each.id
        for each in site.locations
        if (kind == "location" and each.id == id_)
        or (kind == "room" and each.room == id_)
        or (kind == "area" and areas[each.room] == id_)
    )
    if not found:
        raise ScopeError(f"there is no location in '{place[:80]}'", "place")
    return found
