"""`Record`: search everything that happened, the audit trail, one sample with all that is known of it, and notes.

Rules: a page of a list is fetched, never counted; its link to older rows names a place and loses nothing. Notes are
added and never changed. Must not know how the record is searched.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Final
from urllib.parse import quote, urlencode

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from motewatch.journal.configurations import PlansOnRecord
from motewatch.journal.journal import Journal
from motewatch.journal.sample_record import notes_on, trail
from motewatch.journal.search import USUAL, Kind, Place, search
from motewatch.journal.signed import signature_rows
from motewatch.picture.levels import beyond_words
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.access.signable import signatures_of
from motewatch.web.access.signing import Signed
from motewatch.web.bodies import one_line
from motewatch.web.console.house import House, Rule
from motewatch.web.console.listing import cursor_of, place_of
from motewatch.web.console.note_subjects import NOTE, NOTE_MAX, instant_of, thing
from motewatch.web.console.record_lines import KINDS, line_of, note_path, sample_path, stamp
from motewatch.web.console.record_wanted import Asked, UnclearError, wanted_of
from motewatch.web.console.sample_page import SamplePage, sample_page
from motewatch.web.console.typed import UNTOUCHED, Typed, too_long

ROWS: Final = 50
SIGNATURES: Final = 5
"""Shown beside a thing that can be signed in parts."""

NOT_YET: Final = "It was handed over, but is not on record yet. Look at the notes before you write it again."
NO_SAMPLE: Final = "There is no such sample on record."

ROUTES: Final = (
    Rule("/record", "record", ("GET",), May.LOOK),
    Rule("/record/audit", "audit", ("GET",), May.LOOK),
    Rule("/record/sample", "sample", ("GET",), May.LOOK),
    Rule("/note", "notes", ("GET",), May.LOOK),
    Rule("/note", "note", ("POST",), May.NOTE),
)


class RecordPages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._plans = PlansOnRecord(house.record.store)

    async def record(self, request: Request, visitor: Visitor) -> Response:
        """The list, after what was asked for."""
        query = request.query_params
        fields = {name: query.get(name, "") for name in ("since", "until", "person", "text")}
        kind, _, id_ = query.get("place", "").partition(":")
        if kind in ("location", "room", "sensor"):
            fields[kind] = id_
        kinds = tuple(dict.fromkeys(query.getlist("kind")[: 2 * len(KINDS)]))
        # The form says all kinds where nobody has touched them.
        asked = Asked(**fields, kinds=() if set(kinds) == USUAL else kinds)
        place = place_of("record", query.get("cursor", ""), int, int, int)
        return await run_in_threadpool(self._record, visitor, asked, query.get("place", ""), place)

    def _record(self, visitor: Visitor, asked: Asked, where: str, place: tuple[int | str, ...] | None) -> Response:
        house, site = self._house, self._house.site
        zone = house.feed.zone
        names = {each.id: each.name for each in site.locations}
        kept = {name: value for name, value in asdict(asked).items() if name in _KEPT and value}
        fields = [*kept.items(), ("place", where), *(("kind", kind) for kind in asked.kinds)]
        shown: dict[str, Any] = {
            "asked": asked,
            "where": where,
            "kinds": [(kind, *KINDS[kind], kind in (asked.kinds or USUAL)) for kind in KINDS],
            "places": [
                ("Rooms", [(f"room:{each.id}", each.name) for each in site.rooms]),
                ("Locations", [(f"location:{each.id}", each.name) for each in site.locations]),
                ("Sensors", [(f"sensor:{each.id}", each.id) for each in site.sensors]),
            ],
            "first": place is None,
            "searched": _searched(asked, where),
            "newest": f"/record?{urlencode(fields)}",
        }
        try:
            wanted = wanted_of(asked, site)
        except UnclearError as error:
            wrong = f"{str(error)[:1].upper()}{str(error)[1:]}."
            typed = Typed("search", {}, wrong, error.field)
            return house.page("record", visitor, 422, typed=typed, lines=[], older="", looked="", **shown)

        def judge(sample: Any, input_id: int) -> str:
            plan = self._plans.as_of(input_id)
            return "" if plan is None else beyond_words(plan.locations.get(sample.location), sample)

        page = search(house.record.store, wanted, _place(place), ROWS, judge)
        older = ""
        if page.next is not None:
            after = page.next
            cursor = cursor_of("record", after.at_us, after.table, after.id)
            older = f"/record?{urlencode([*fields, ('cursor', cursor)])}"
        return house.page(
            "record",
            visitor,
            typed=UNTOUCHED,
            lines=[line_of(row, names, zone) for row in page.rows],
            older=older,
            looked="" if page.looked_to_us is None else stamp(page.looked_to_us, zone),
            **shown,
        )

    async def audit(self, request: Request, visitor: Visitor) -> Response:
        """The audit trail as it is."""
        place = place_of("audit", request.query_params.get("cursor", ""), int)
        return await run_in_threadpool(self._audit, visitor, place)

    def _audit(self, visitor: Visitor, place: tuple[int | str, ...] | None) -> Response:
        house = self._house
        before = None if place is None else int(place[0])
        rows = trail(house.record.store, before, ROWS)
        older = f"/record/audit?cursor={cursor_of('audit', rows[-1].id)}" if len(rows) == ROWS else ""
        zone = house.feed.zone
        shown = [(row, stamp(row.at_us, zone)) for row in rows]
        signed = _signed(house.record, "audit") if place is None else []
        return house.page("record_audit", visitor, rows=shown, older=older, first=place is None, signed=signed)

    async def sample(self, request: Request, visitor: Visitor) -> Response:
        """One sample, with its revisions, readings, levels, alarms and notes."""
        location, end = request.query_params.get("location", ""), request.query_params.get("end", "")
        end_us = instant_of(end)
        if end_us is None:
            raise HTTPException(404, NO_SAMPLE)
        return await run_in_threadpool(self._sample, visitor, location[:100], end_us)

    def _sample(self, visitor: Visitor, location: str, end_us: int) -> Response:
        found = self._sample_page(location, end_us)
        if found is None:
            raise HTTPException(404, NO_SAMPLE)
        signed = signatures_of(self._house.record, found.subject)
        return self._house.page("record_sample", visitor, sample=found, signed=signed)

    def _sample_page(self, location: str, end_us: int) -> SamplePage | None:
        house = self._house
        return sample_page(house.record.store, self._plans, house.site, house.feed.zone, location, end_us)

    async def notes(self, request: Request, visitor: Visitor) -> Response:
        """The notes on one thing."""
        return await run_in_threadpool(self._notes, visitor, request.query_params.get("subject", ""), 200, UNTOUCHED)

    async def note(self, request: Request, visitor: Visitor) -> Response:
        """One more."""
        subject = request.query_params.get("subject", "")
        form = await self._house.form(request, visitor)
        return await run_in_threadpool(self._noted, visitor, subject, one_line(form.get("note", "")))

    def _noted(self, visitor: Visitor, subject: str, text: str) -> Response:
        fields = {"note": text}
        if not text or len(text) > NOTE_MAX:
            wrong = too_long(text, NOTE_MAX) if text else "Write what is to be noted."
            return self._notes(visitor, subject, 422, Typed("note", fields, wrong, "note"))
        found = thing(self._house.record, self._house.site, subject)
        if found is None:
            return self._notes(visitor, subject, 404, Typed("note", fields))
        if not self._house.enter(visitor, NOTE, found.subject, text):
            return self._notes(visitor, subject, 202, Typed("note", {}, NOT_YET))
        if found.end_us is not None:
            return RedirectResponse(sample_path(found.location, found.end_us), 303)
        return RedirectResponse(f"/note?subject={quote(found.subject)}", 303)

    def _notes(self, visitor: Visitor, subject: str, status: int, typed: Typed) -> Response:
        house = self._house
        found = thing(house.record, house.site, subject)
        zone = house.feed.zone
        notes = [] if found is None else notes_on(house.record.store, found.subject)
        shown = [(row, stamp(row.at_us, zone)) for row in notes]
        signed = [] if found is None else _signed(house.record, found.subject)
        more = {"typed": typed, "longest": NOTE_MAX, "path": note_path(subject[:300]), "signed": signed}
        return house.page("note", visitor, 404 if found is None else status, found=found, notes=shown, **more)


_KEPT: Final = ("since", "until", "person", "text")


def _signed(record: Journal, subject: str) -> list[Signed]:
    """The latest signatures on a thing, or on a part of it: one life of an alarm, a stretch of the audit trail."""
    rows = signature_rows(record.store, below=f"{subject}/", limit=SIGNATURES)
    parts = dict.fromkeys([subject, *(row.subject for row in rows)])
    return [one for part in parts for one in signatures_of(record, part)][-SIGNATURES:]


def _place(found: tuple[int | str, ...] | None) -> Place | None:
    return None if found is None else Place(*(int(part) for part in found))


def _searched(asked: Asked, where: str) -> str:
    """What the list is narrowed to, in words; empty: nothing."""
    kinds = ", ".join(KINDS[Kind(kind)][0].lower() for kind in asked.kinds if kind in set(Kind))
    said = (
        asked.since and f"from {asked.since}",
        asked.until and f"until {asked.until}",
        where and where.replace(":", " ", 1),
        asked.person and f"by or to {asked.person}",
        asked.text and f"the words “{asked.text}”",
        kinds,
    )
    return "; ".join(each[:120] for each in said if each)
