"""Reports for programs: the list, making one, and the documents."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from motewatch.journal.reports import Made, made_reports
from motewatch.links.publications import iso
from motewatch.links.report_shelf import MEDIA_TYPES, DocumentFormat, ReportError
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.console.house import House
from motewatch.web.console.listing import Listed, cursor_of, place_of
from motewatch.web.console.operation import BASE, Operation, Out, answer, body_of, query_of
from motewatch.web.console.pages.reports import document_answer
from motewatch.web.console.report_desk import ReportDesk, Wanted


class MadeReport(Out):
    """A report that was made."""

    id: str
    kind: str
    title: str
    start: str
    end: str
    batch: str
    sha256: str = Field(description="Of its content; it follows from the record alone.")
    seal: int = Field(description="The seal of the record's hash chain up to which it looks.")
    made: str
    made_by: str


class MadeReports(Out):
    """A page of them, newest first."""

    reports: list[MadeReport]
    next: str | None


class WantedReport(Out):
    """What to report. Times without an offset are in the site's zone."""

    kind: Literal["shift", "day", "month", "batch"]
    at: str = Field(
        default="", max_length=40, description="A time in the shift, day or month; empty: the last that is over."
    )
    start: str = Field(default="", max_length=40, description="Of a batch.")
    end: str = Field(default="", max_length=40, description="Of a batch.")
    batch: str = Field(default="", max_length=120, description="Number of the batch.")
    place: str = Field(default="", max_length=80, description="location:ID, room:ID or area:ID; empty: all.")


def _document(form: DocumentFormat) -> Operation:
    return Operation(
        f"{BASE}/reports/{{report}}.{form.value}",
        "GET",
        f"report_{form.value}",
        f"A report as {form.value.upper()}, with the signatures that there are",
        May.LOOK,
        MadeReport,
        problems=(401, 403, 404),
        media=MEDIA_TYPES[form].partition(";")[0],
    )


OPERATIONS: Final = (
    Operation(
        f"{BASE}/reports",
        "GET",
        "reports",
        "The reports that were made, newest first",
        May.LOOK,
        MadeReports,
        problems=(400, 401, 403),
        asks=Listed,
    ),
    Operation(
        f"{BASE}/reports",
        "POST",
        "make_report",
        "Make a report in the name of the token's user; the same again is found, not made twice",
        May.NOTE,
        MadeReport,
        WantedReport,
        (400, 401, 403, 413, 422),
    ),
    *(_document(form) for form in DocumentFormat),
)


class ReportOperations:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._desk = ReportDesk(house)

    async def reports(self, request: Request, visitor: Visitor) -> Response:
        """The list."""
        asked = query_of(request, Listed)
        place = place_of("reports", asked.cursor, int)
        before = None if place is None else int(place[0])
        found = await run_in_threadpool(made_reports, self._house.record.store, before, asked.limit + 1)
        shown = found[: asked.limit]
        after = cursor_of("reports", shown[-1][0]) if len(found) > asked.limit else None
        return answer(MadeReports(reports=[_told(made) for _, made in shown], next=after))

    async def make_report(self, request: Request, visitor: Visitor) -> Response:
        """Make one."""
        body = await body_of(request, WantedReport)
        try:
            made = await run_in_threadpool(self._desk.make, visitor, Wanted(**body.model_dump()))
        except ReportError as error:
            raise HTTPException(422, str(error)) from None
        return answer(_told(made))

    async def report_pdf(self, request: Request, visitor: Visitor) -> Response:
        """As PDF/A."""
        return await run_in_threadpool(self._document, request, DocumentFormat.PDF)

    async def report_html(self, request: Request, visitor: Visitor) -> Response:
        """As one HTML file."""
        return await run_in_threadpool(self._document, request, DocumentFormat.HTML)

    async def report_json(self, request: Request, visitor: Visitor) -> Response:
        """As its data."""
        return await run_in_threadpool(self._document, request, DocumentFormat.JSON)

    def _document(self, request: Request, form: DocumentFormat) -> Response:
        try:
            made = self._desk.shelf.find(request.path_params["report"])
        except ReportError:
            raise HTTPException(404) from None
        return document_answer(self._desk, self._house, made, form)


def _told(made: Made) -> MadeReport:
    return MadeReport(
        id=made.id,
        kind=made.kind,
        title=made.title,
        start=iso(made.start_us),
        end=iso(made.end_us),
        batch=made.batch,
        sha256=made.hash,
        seal=made.seal,
        made=iso(made.made_us),
        made_by=made.made_by,
    )
