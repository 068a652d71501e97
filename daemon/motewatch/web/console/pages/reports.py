"""`Reports`: those that were made, making one, one with its signatures and its check, and the documents.

Rules: a document is always a download, so that nothing in it runs in the console's name. Must not know what a report
says.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final
from urllib.parse import quote
from zoneinfo import ZoneInfo

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from motewatch.journal.reports import Made, made_reports, mails_of
from motewatch.links.report_sheet import sheet
from motewatch.links.report_shelf import MEDIA_TYPES, Checked, DocumentFormat, ReportError, check
from motewatch.picture.words import local_times
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.access.signable import signatures_of
from motewatch.web.console.house import House, Rule
from motewatch.web.console.listing import cursor_of, place_of
from motewatch.web.console.report_desk import ReportDesk, Wanted, report_signatures
from motewatch.web.console.typed import UNTOUCHED, Typed
from motewatch.web.words import local

SHOWN: Final = 30

ROUTES: Final = (
    Rule("/reports", "reports", ("GET",), May.LOOK),
    Rule("/reports/make", "make", ("GET", "POST"), May.NOTE),
    Rule("/report/{report}", "report", ("GET",), May.LOOK),
    Rule("/report/{report}/{form}", "download", ("GET",), May.LOOK),
)


class ReportPages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._desk = ReportDesk(house)

    async def reports(self, request: Request, visitor: Visitor) -> Response:
        """The list, newest first."""
        place = place_of("reports", request.query_params.get("cursor", ""), int)
        return await run_in_threadpool(self._list, visitor, place)

    def _list(self, visitor: Visitor, place: tuple[int | str, ...] | None) -> Response:
        before = None if place is None else int(place[0])
        found = made_reports(self._house.record.store, before, SHOWN + 1)
        older = f"/reports?cursor={cursor_of('reports', found[SHOWN - 1][0])}" if len(found) > SHOWN else ""
        shown = [self._shown(made) for _, made in found[:SHOWN]]
        return self._house.page("reports", visitor, made=shown, older=older, first=before is None)

    async def make(self, request: Request, visitor: Visitor) -> Response:
        """The form, and making one; a report that is there already is shown."""
        house = self._house
        if request.method != "POST":
            query = request.query_params
            wanted = Wanted(query.get("kind", "day")[:9], query.get("at", "")[:30], place=query.get("place", "")[:80])
            return self._form(visitor, 200, UNTOUCHED, wanted)
        form = await house.form(request, visitor)
        fields = {name: form.get(name, "")[:200] for name in ("kind", "at", "start", "end", "batch", "place")}
        wanted = Wanted(**fields)
        try:
            made = await run_in_threadpool(self._desk.make, visitor, wanted)
        except ReportError as error:
            which = "batch" if wanted.kind == "batch" else "usual"
            wrong = f"{str(error)[:1].upper()}{str(error)[1:]}."
            return self._form(visitor, 422, Typed(which, fields, wrong, error.field), wanted)
        return RedirectResponse(f"/report/{made.id}", 303)

    def _form(self, visitor: Visitor, status: int, typed: Typed, wanted: Wanted) -> Response:
        site = self._house.site
        groups = [
            ("Areas", [(f"area:{each.id}", each.name) for each in site.areas]),
            ("Rooms", [(f"room:{each.id}", each.name) for each in site.rooms]),
            ("Locations", [(f"location:{each.id}", each.name) for each in site.locations]),
        ]
        more = {"typed": typed, "wanted": wanted, "groups": groups, "shifts": site.site.shifts}
        return self._house.page("report_make", visitor, status, **more)

    async def report(self, request: Request, visitor: Visitor) -> Response:
        """One report: what it found, its signatures, and whether it is still so."""
        wanted = request.query_params.get("check", "") == "1"
        return await run_in_threadpool(self._report, visitor, request.path_params["report"], wanted)

    def _report(self, visitor: Visitor, report: str, wanted: bool) -> Response:
        house = self._house
        made = self._found(report)
        checked: Checked | None = None
        content: dict[str, Any] | None = None
        wrong = ""
        try:
            data = self._desk.shelf.data(made)
            content = sheet(data)
            checked = check(house.record.store, data, made.hash) if wanted else None
        except ReportError as error:
            wrong = str(error)
        more = {
            "made": self._shown(made),
            "content": content,
            "checked": None if checked is None else _in_local_times(checked, house.feed.zone),
            "wrong": wrong,
            "signed": signatures_of(house.record, f"report/{made.id}"),
            "mails": mails_of(house.record.store, made.id),
        }
        return house.page("report", visitor, 200 if content is not None else 500, **more)

    async def download(self, request: Request, visitor: Visitor) -> Response:
        """The document with the signatures that there are."""
        given = request.path_params
        if given["form"] not in set(DocumentFormat):
            raise HTTPException(404)
        return await run_in_threadpool(self._download, given["report"], DocumentFormat(given["form"]))

    def _download(self, report: str, form: DocumentFormat) -> Response:
        return document_answer(self._desk, self._house, self._found(report), form)

    def _found(self, report: str) -> Made:
        try:
            return self._desk.shelf.find(report)
        except ReportError:
            raise HTTPException(404, "There is no report of this id.") from None

    def _shown(self, made: Made) -> dict[str, Any]:
        zone = self._house.feed.zone

        def when(us: int) -> str:
            return f"{local(us, zone):%Y-%m-%d %H:%M %Z}"

        return {
            "id": made.id,
            "title": made.title,
            "start": when(made.start_us),
            "end": when(made.end_us),
            "batch": made.batch,
            "hash": made.hash,
            "made": when(made.made_us),
            "by": made.made_by,
            "sign": f"/sign?subject={quote(f'report/{made.id}')}",
        }


def _in_local_times(checked: Checked, zone: ZoneInfo) -> Checked:
    """The differences with the site's time, as everything on the pages."""
    problems, since = (tuple(local_times(each, zone) for each in lines) for lines in (checked.problems, checked.since))
    return replace(checked, problems=problems, since=since)


def document_answer(desk: ReportDesk, house: House, made: Made, form: DocumentFormat) -> Response:
    """The document as a download. Raises 500 with a sentence where the kept file cannot be trusted."""
    try:
        content = desk.shelf.document(made, form, report_signatures(house.record, made.id))
    except ReportError as error:
        raise HTTPException(500, str(error)) from None
    headers = {
        "Content-Disposition": f'attachment; filename="{made.id}.{form.value}"',
        "Cache-Control": "private, no-store",
    }
    return Response(content, media_type=MEDIA_TYPES[form], headers=headers)
