"""The page behind the link in a call: look first, then one press of a button.

Rules:
- A GET never changes anything: mail scanners open links. Only a POST acts, and it acts by an input of the engine like
  any command; the page waits for the engine's reply, but not for ever.
- The token in the address is the only credential. Without a genuine one there is one and the same answer, whether the
  call is unknown, the signature forged or the text nonsense. Whoever has a genuine one that has expired is told so.
- Nothing from outside is loaded, no script runs, nothing is stored by browsers, and no token is ever logged.
"""

from __future__ import annotations

import logging
import secrets
import threading
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from importlib.resources import files
from queue import Empty, SimpleQueue
from typing import Final, Protocol
from urllib.parse import urlsplit

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route

from motewatch.callout.answers import Answer, Keys, Reason, is_genuine, read
from motewatch.callout.records import Told
from motewatch.engine.answers import EXPIRED, USED
from motewatch.engine.records import Act, AlarmChanged, Answered, LinksGuessed, Replied
from motewatch.links.clock import TimeSource
from motewatch.picture.words import local_times
from motewatch.web import words
from motewatch.web.bodies import form_of, one_line, whole_body
from motewatch.web.guesses import Guesses, Pace
from motewatch.web.hardened import Hardened
from motewatch.web.sheet import (
    COMMENT_MAX,
    COMMENT_MIN,
    Place,
    Sheet,
    alarm_sheet,
    done_sheet,
    problem_sheet,
    refused_sheet,
    trial_sheet,
    used_sheet,
    waiting_sheet,
)

_log = logging.getLogger("motewatch.answer_page")

REPLY_S: Final = 8.0
"""So long a phone waits for the engine's reply before it is told that there is none yet."""

STEPS: Final = 30
"""How far back in an alarm's life the page looks for who took it."""


class Record(Protocol):
    """What the page asks the journal."""

    def told(self, call: str) -> Told | None:
        """The call of this id, or None."""
        ...

    def query_alarm_events(self, alarm: str | None = None, *, limit: int = 1000) -> list[AlarmChanged]:
        """The newest steps of an alarm, oldest first."""
        ...


Post = Callable[[Answered, Callable[[Replied], None]], None]
"""Hands an answer to the engine; the callable hears the reply once it is on record."""


class AnswerPage:
    """The application. `app` is what a server runs; `guessed` is what the housekeeping posts now and then."""

    def __init__(
        self,
        keys: Keys,
        record: Record,
        post: Post,
        place: Callable[[], Place],
        clock: TimeSource,
        public_url: str,
        *,
        https: bool = False,
        reply_s: float = REPLY_S,
    ) -> None:
        self._keys = keys
        self._record = record
        self._post = post
        self._place = place
        self._clock = clock
        self._reply_s = reply_s
        self._guesses = Guesses()
        # One link is looked at a few times and pressed once; more is not a person.
        self._looks, self._presses = Pace(60, 60.0), Pace(10, 60.0)
        self._stopping = threading.Event()
        self._template = _environment().get_template("page.html")
        self._style = Markup(_style())
        # Behind a proxy we are asked with or without the path of the public address.
        prefix = urlsplit(public_url).path.rstrip("/")
        paths = dict.fromkeys((f"{prefix}/{{token}}", "/{token}"))
        self.app = Hardened(
            Starlette(
                routes=[
                    Route("/robots.txt", lambda _: PlainTextResponse("User-agent: *\nDisallow: /\n")),
                    *(Route(path, self._answer, methods=["GET", "POST"]) for path in paths),
                ],
                exception_handlers={HTTPException: self._problem, Exception: self._problem},
            ),
            style=_style(),
            https=https,
        )

    def guessed(self) -> LinksGuessed | None:
        """Wrong links since the last call, for the audit trail; None where there were none."""
        found = self._guesses.take()
        return None if found is None else LinksGuessed(*found)

    def stop(self) -> None:
        """Let nobody wait for a reply any more."""
        self._stopping.set()

    # Requests

    async def _answer(self, request: Request) -> Response:
        token = request.path_params["token"]
        answer = await run_in_threadpool(self._read, token)
        if isinstance(answer, Reason):
            return self._not_genuine(request, answer)
        pace = self._presses if request.method == "POST" else self._looks
        wait_s = pace.wait_s(answer.told, self._clock.monotonic_s())
        if wait_s > 0:
            return self._page(problem_sheet(429), 429, wait_s)
        if request.method != "POST":
            return await run_in_threadpool(self._show, answer)
        body = await whole_body(request)
        return await run_in_threadpool(self._act, answer, body)

    def _read(self, token: str) -> Answer | Reason:
        def call_of(told: str) -> tuple[str, str] | None:
            found = self._record.told(told)
            return None if found is None else (found.person, found.answer)

        return read(self._keys, token, self._clock.now_us(), call_of)

    def _not_genuine(self, request: Request, reason: Reason) -> Response:
        if is_genuine(reason):
            return self._page(problem_sheet(410), 410)
        address = request.client.host if request.client is not None else ""
        wait_s = self._guesses.wrong(address, self._clock.monotonic_s(), self._clock.now_us())
        _log.info("a wrong link was tried", extra={"reason": reason.value, "address": address})
        status = 429 if wait_s > 0 else 404
        return self._page(problem_sheet(status), status, wait_s)

    def _show(self, answer: Answer) -> Response:
        return self._page(self._sheet(answer), 200)

    def _act(self, answer: Answer, body: bytes) -> Response:
        before = self._sheet(answer)
        form = form_of(body)
        act, comment = form.get("act", ""), one_line(form.get("comment", ""))
        minutes = 0
        if act not in ((Act.ACKNOWLEDGE, Act.SHELVE) if answer.test is None else (Act.CONFIRM,)):
            raise HTTPException(400)
        if act == Act.SHELVE:
            if form.get("minutes", "") not in {str(each) for each in self._place().shelve_min}:
                raise HTTPException(400)
            minutes = int(form["minutes"])
            if not COMMENT_MIN <= len(comment) <= COMMENT_MAX:
                text = f"write in a few words why it is shelved (at most {COMMENT_MAX} characters)"
                return self._page(refused_sheet(before, text, comment[:COMMENT_MAX], shelving=True), 422)
        answered = Answered(
            id=f"answer-{secrets.token_hex(12)}",
            told=answer.told,
            expires_us=answer.expires_us,
            by=answer.person,
            act=Act(act),
            subject=answer.subject if answer.test is None else answer.test,
            minutes=minutes,
            comment=comment[:COMMENT_MAX],
            others=self._others(answer) if act == Act.ACKNOWLEDGE else (),
        )
        replied = self._wait_for_reply(answered)
        if replied is None:
            return self._page(waiting_sheet(before), 202)
        replied = replace(replied, text=local_times(replied.text, self._place().zone))
        if replied.accepted:
            return self._page(done_sheet(before, act, replied.text, minutes), 200)
        if replied.text.startswith(EXPIRED):
            return self._page(problem_sheet(410), 410)
        # Meanwhile somebody else may have acted: where things stand now is what counts.
        now = self._sheet(answer)
        if replied.text.startswith(USED):
            return self._page(used_sheet(now, replied.text), 409)
        return self._page(refused_sheet(now, replied.text, comment, shelving=act == Act.SHELVE), 409)

    def _others(self, answer: Answer) -> tuple[str, ...]:
        """The further alarms of a call with several: whoever takes the call takes them all."""
        told = self._record.told(answer.told)
        facts = () if told is None else told.facts
        return tuple(fact.alarm for fact in facts if fact.alarm != answer.subject)

    def _wait_for_reply(self, answered: Answered) -> Replied | None:
        replies: SimpleQueue[Replied] = SimpleQueue()
        self._post(answered, replies.put)
        deadline_s = self._clock.monotonic_s() + self._reply_s
        while not self._stopping.is_set() and self._clock.monotonic_s() < deadline_s:
            try:
                return replies.get(timeout=0.1)
            except Empty:
                continue
        return None

    def _sheet(self, answer: Answer) -> Sheet:
        now_us, place = self._clock.now_us(), self._place()
        if answer.test is not None:
            return trial_sheet(answer, place, now_us)
        told = self._record.told(answer.told)
        if told is None:
            raise HTTPException(503)
        steps = self._record.query_alarm_events(answer.subject, limit=STEPS)
        last = (self._record.query_alarm_events(alarm, limit=1) for alarm in self._others(answer))
        others = sum(bool(one) and one[-1].after in words.TO_TAKE for one in last)
        return alarm_sheet(told, answer, steps, place, now_us, others)

    # Answers

    def _problem(self, _: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 500
        return self._page(problem_sheet(status), status)

    def _page(self, sheet: Sheet, status: int, wait_s: float = 0.0) -> Response:
        headers = {"Retry-After": str(int(wait_s) + 1)} if wait_s > 0 else None
        return HTMLResponse(self._template.render(sheet=sheet, style=self._style), status, headers)


def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("motewatch.web", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        auto_reload=False,
    )


@lru_cache(maxsize=1)
def _style() -> str:
    return (files("motewatch.web") / "templates" / "style.css").read_text("utf-8")
