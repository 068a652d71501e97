"""Signatures as they stand on the audit trail: of one thing with whether it has changed since, or all, newest first."""

from __future__ import annotations

from typing import Final

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from motewatch.journal.signed import signature_rows
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.access.signable import signable
from motewatch.web.access.signing import Signed, beside
from motewatch.web.console.house import House
from motewatch.web.console.listing import Listed, cursor_of, place_of
from motewatch.web.console.operation import BASE, Operation, Out, answer, query_of

LIST: Final = "signatures"


class SignaturesAsked(Listed):
    """Which signatures."""

    subject: str = Field(default="", max_length=300, description="Of this thing only, such as sample/needles/TIME.")


class SignatureOut(Out):
    """One signature."""

    row: int = Field(description="Of the audit trail.")
    subject: str
    by: str = Field(description="Id of the user.")
    name: str = Field(description="The printed name.")
    meaning: str = Field(description="reviewed, approved or authored.")
    at: str = Field(description="The site's own time, with its distance from UTC.")
    zone: str
    sha256: str = Field(description="Of what was signed.")
    comment: str
    changed: bool | None = Field(description="Has it changed since? null: asked for without a subject.")


class Signatures(Out):
    """A page of signatures, newest first."""

    signatures: list[SignatureOut]
    next: str | None


OPERATIONS: Final = (
    Operation(
        f"{BASE}/signatures",
        "GET",
        "signatures",
        "Electronic signatures, of one thing or all, newest first",
        May.LOOK,
        Signatures,
        problems=(400,),
        asks=SignaturesAsked,
    ),
)


class SignatureOperations:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house

    async def signatures(self, request: Request, visitor: Visitor) -> Response:
        """A page of signatures."""
        asked = query_of(request, SignaturesAsked)
        place = place_of(LIST, asked.cursor, int)
        before = None if place is None else int(place[0])
        return answer(await run_in_threadpool(self._listed, asked, before))

    def _listed(self, asked: SignaturesAsked, before: int | None) -> Signatures:
        record, subject = self._house.record, asked.subject or None
        rows = signature_rows(record.store, subject, limit=asked.limit + 1, before=before)[::-1]
        found = signable(record, asked.subject) if asked.subject and rows else None
        page = beside(rows[: asked.limit], None if found is None else found.sha256)
        more = len(rows) > asked.limit
        listed = [_out(one, known=subject is not None) for one in page]
        return Signatures(signatures=listed, next=cursor_of(LIST, rows[asked.limit - 1].id) if more else None)


def _out(signed: Signed, *, known: bool) -> SignatureOut:
    one = signed.signature
    return SignatureOut(
        row=one.row,
        subject=one.subject,
        by=one.by,
        name=one.name,
        meaning=one.meaning,
        at=one.at.isoformat(),
        zone=one.zone,
        sha256=one.sha256,
        comment=one.comment,
        changed=signed.changed if known else None,
    )
