"""Signing: what is signed and its digest, the signatures that there are, and the second confirmation by password.

Rules: what is signed is what the page showed: where the record has changed meanwhile nothing is signed. User and
password are asked for each time; who has none here signs in anew at the identity provider each time (21 CFR
11.200(a)(1): two components). Must not know how a thing is looked up.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
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
from motewatch.web.access.intent import AwayError, Intent
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
        intent = Intent(subject, found.sha256, word, comment)
        if visitor.outside:
            return self._to_provider(visitor, intent, found.title, again)
        try:
            house.desk.confirm(visitor, form.get("user", ""), form.get("password", ""), address)
        except AccessError as error:
            answer = again(429 if error.wait_s else 403, str(error), error.field)
            if error.wait_s:
                answer.headers["Retry-After"] = str(int(error.wait_s) + 1)
            return answer
        status, wrong = carried_out(house, visitor, intent)
        return again(status, wrong) if wrong else RedirectResponse(_page_of(subject), 303)

    def _to_provider(
        self, visitor: Visitor, intent: Intent, what: str, again: Callable[[int, str], Response]
    ) -> Response:
        """Who has no password here confirms at the identity provider: a page with the way there."""
        house = self._house
        if house.by_provider is None:
            return again(503, f"You sign in with {house.desk.outside_label}. Nothing was signed.")
        try:
            where, cookie = house.by_provider.begin_signing(visitor, intent, _page_of(intent.subject))
        except AccessError as error:
            status = 429 if error.wait_s else 503 if isinstance(error, AwayError) else 403
            return again(status, f"{error} Nothing was signed.")
        label = house.by_provider.settings.label
        after = _page_of(intent.subject)
        answer = house.page("confirm", visitor, where=where, label=label, intent=intent, what=what, after=after)
        return house.with_errand(answer, cookie)

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
            "label": house.desk.outside_label,
        }
        return house.page("sign", visitor, 404 if found is None else status, found=found, **more)

    def _recent(self, visitor: Visitor) -> Response:
        record = self._house.record
        recent = [one for one in map(signature_of, signature_rows(record.store, limit=RECENT)) if one is not None]
        return self._house.page("signatures", visitor, recent=recent[::-1], **_next_review(record))


def carried_out(house: House, visitor: Visitor, intent: Intent) -> tuple[int, str]:
    """Put a confirmed signature on record: status, and what went wrong if anything did. In a thread of the pool."""
    found = signable(house.record, intent.subject)
    if found is None or not visitor.may(May.SIGN):
        return 403, "This cannot be signed. Nothing was signed."
    if found.sha256 != intent.sha256:
        return 409, "It has changed while you read it. Nothing was signed. Read it again."
    now = local(house.clock.now_us(), house.feed.zone)
    detail = written(Meaning(intent.meaning), visitor.name, now, house.feed.zone.key, found.sha256, intent.comment)
    if not house.enter(visitor, SIGNED, intent.subject, detail):
        return 202, "It was handed over, but is not on record yet. Look at the signatures before you try again."
    return 200, ""


def _page_of(subject: str) -> str:
    return f"/sign?subject={quote(subject)}"


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
