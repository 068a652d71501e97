"""Signing: what is signed and its digest, the signatures that there are, and the second confirmation by password.

Rules: what is signed is what the page showed: where the record has changed meanwhile nothing is signed. User and
password are asked for each time. Must not know how a thing is looked up.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import Any, Final
from urllib.parse import quote
from zoneinfo import ZoneInfo

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from motewatch.journal.journal import Journal
from motewatch.journal.signed import SIGNED, last_audit_id, signature_rows
from motewatch.picture.words import local_times
from motewatch.web.access.desk import AccessError, Visitor
from motewatch.web.access.roles import May
from motewatch.web.access.signable import AUDIT_ROWS_MAX, signable, signatures_of
from motewatch.web.access.signing import COMMENT_MAX, MEANS, Meaning, signature_of, written
from motewatch.web.bodies import one_line
from motewatch.web.console.house import House, Rule, address_of
from motewatch.web.console.typed import UNTOUCHED, Typed, too_long
from motewatch.web.words import local

RECENT: Final = 50
TIMES: Final = frozenset({"Time", "Period", "From", "Until"})

ROUTES: Final = (Rule("/sign", "sign", ("GET", "POST"), May.SIGN),)


class SigningPages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house

    async def sign(self, request: Request, visitor: Visitor) -> Response:
        """One thing to be signed; without a subject: the latest signatures, and the next review of the audit trail."""
        house = self._house
        subject = request.query_params.get("subject", "")
        if request.method != "POST":
            if not subject:
                return await run_in_threadpool(self._recent, visitor)
            return await run_in_threadpool(self._page, visitor, subject, 200, UNTOUCHED)
        form = await house.form(request, visitor)
        return await run_in_threadpool(self._signed, visitor, subject, form, address_of(request))

    def _signed(self, visitor: Visitor, subject: str, form: dict[str, str], address: str) -> Response:
        house = self._house
        comment, word = one_line(form.get("comment", "")), form.get("meaning", "")

        fields = {"meaning": word, "comment": comment, "user": form.get("user", "")[:64]}

        def again(status: int, wrong: str, where: str = "") -> Response:
            return self._page(visitor, subject, status, Typed("sign", fields, wrong, where))

        found = signable(house.record, subject)
        if found is None:
            return again(404, "")
        if word not in set(Meaning):
            return again(422, "Choose what the signature means.", "meaning")
        if len(comment) > COMMENT_MAX:
            return again(422, too_long(comment, COMMENT_MAX), "comment")
        if not secrets.compare_digest(form.get("sha256", "").encode(), found.sha256.encode()):
            return again(409, "It has changed while you read it. Nothing was signed. Read it again.")
        try:
            house.desk.confirm(visitor, form.get("user", ""), form.get("password", ""), address)
        except AccessError as error:
            answer = again(429 if error.wait_s else 403, str(error), error.field)
            if error.wait_s:
                answer.headers["Retry-After"] = str(int(error.wait_s) + 1)
            return answer
        now = local(house.clock.now_us(), house.feed.zone)
        detail = written(Meaning(word), visitor.name, now, house.feed.zone.key, found.sha256, comment)
        if not house.enter(visitor, SIGNED, subject, detail):
            return again(
                202, "It was handed over, but is not on record yet. Look at the signatures before you try again."
            )
        return RedirectResponse(f"/sign?subject={quote(subject)}", 303)

    def _page(self, visitor: Visitor, subject: str, status: int, typed: Typed) -> Response:
        house = self._house
        found = signable(house.record, subject)
        signed = signatures_of(house.record, subject)
        table = [] if found is None else _local(found.table, house.feed.zone)
        more = {
            "table": table,
            "signed": signed,
            "typed": typed,
            "means": MEANS,
        }
        return house.page("sign", visitor, 404 if found is None else status, found=found, **more)

    def _recent(self, visitor: Visitor) -> Response:
        record = self._house.record
        recent = [one for one in map(signature_of, signature_rows(record.store, limit=RECENT)) if one is not None]
        return self._house.page("signatures", visitor, recent=recent[::-1], **_next_review(record))


def _local(table: Sequence[Sequence[str]], zone: ZoneInfo) -> list[list[str]]:
    """The columns with times in the site's, as everywhere in the console; what is signed has UTC."""
    names = table[0]
    return [
        [local_times(each, zone) if name in TIMES else each for name, each in zip(names, row, strict=True)]
        for row in table
    ]


def _next_review(record: Journal) -> dict[str, Any]:
    """The rows of the audit trail after the last that somebody signed, as far as one review may reach."""
    done = 0
    for row in signature_rows(record.store, below="audit/"):
        _, _, last = row.subject.rpartition("-")
        done = max(done, int(last) if last.isdecimal() else 0)
    newest = last_audit_id(record.store)
    until = min(newest, done + AUDIT_ROWS_MAX)
    return {"review": f"audit/{done + 1}-{until}" if until > done else "", "done": done, "newest": newest}
