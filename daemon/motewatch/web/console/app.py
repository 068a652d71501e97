"""The console as an ASGI application: who may ask for what, sign-in, the pages, and the stream of changes.

Rules: every route but the sign-in is refused without a session, and refused by role where the table `ROUTES` says so. A
GET changes nothing. A POST is taken only from our own pages: the browser's word on where it comes from, and the
session's own token in the form. Everything works without scripts. Nothing is loaded from elsewhere.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from queue import Empty, SimpleQueue
from typing import Any, Final
from urllib.parse import quote, urlsplit

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from motewatch.engine.records import Pressed, Replied
from motewatch.links.clock import TimeSource
from motewatch.web.access.desk import TOKEN_DAYS, AccessDesk, AccessError, Visitor
from motewatch.web.access.roles import SCOPES, May, Role
from motewatch.web.bodies import form_of, one_line, whole_body
from motewatch.web.console.api import BASE, Api, problem
from motewatch.web.console.feed import Feed
from motewatch.web.console.now import COMMENT_MAX
from motewatch.web.hardened import Hardened
from motewatch.web.words import local

_log = logging.getLogger("motewatch.console")

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
REPLY_S: Final = 8.0
TICK_S: Final = 1.0
POLL_S: Final = 0.1
SESSION_CHECK_S: Final = 5.0
SHOWN_TRIES: Final = 20

Post = Callable[[Pressed, Callable[[Replied], None]], None]
"""Hands an order to the engine; the callable hears the reply once it is on record."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One route: its methods, and what its visitor must be allowed (None: to be signed in is enough)."""

    path: str
    name: str
    methods: tuple[str, ...]
    needs: May | None


ROUTES: Final = (
    Rule("/", "now", ("GET",), May.LOOK),
    Rule("/wall", "wall", ("GET",), May.LOOK),
    Rule("/events", "events", ("GET",), May.LOOK),
    Rule("/acknowledge", "acknowledge", ("GET", "POST"), May.ACKNOWLEDGE),
    Rule("/access", "access", ("GET", "POST"), May.MANAGE),
    Rule("/tokens", "tokens", ("GET", "POST"), May.LOOK),
    Rule("/password", "password", ("GET", "POST"), None),
    Rule("/sign-out", "sign_out", ("POST",), None),
)
"""What a session is needed for."""

OPEN: Final = ("/sign-in", "/console.css", "/console.js", "/favicon.ico", "/robots.txt")

ICON: Final = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16"><rect width="16" height="16" rx="3" fill="#17475e"/>'
    '<circle cx="5" cy="10" r="2" fill="#fff"/><circle cx="10" cy="6" r="3" fill="#fff"/></svg>'
)


class ConsoleApp:
    """See the module. `app` is what a server runs."""

    def __init__(
        self,
        desk: AccessDesk,
        feed: Feed,
        post: Post,
        clock: TimeSource,
        public_url: str,
        *,
        reply_s: float = REPLY_S,
    ) -> None:
        self.desk = desk
        self.feed = feed
        self._post = post
        self.clock = clock
        self._reply_s = reply_s
        parts = urlsplit(public_url)
        self._origin = f"{parts.scheme}://{parts.netloc}".casefold()
        self._https = parts.scheme == "https"
        self.cookie = "__Host-motewatch" if self._https else "motewatch"
        self._stopping = threading.Event()
        self._templates = _environment()
        self._parts: dict[str, tuple[int, str, str]] = {}
        self._parts_lock = threading.Lock()
        self.app = Hardened(
            Starlette(
                routes=[
                    Route("/robots.txt", lambda _: PlainTextResponse("User-agent: *\nDisallow: /\n")),
                    Route("/favicon.ico", lambda _: Response(ICON, media_type="image/svg+xml")),
                    Route("/console.css", lambda _: Response(_file("console.css"), media_type="text/css")),
                    Route("/console.js", lambda _: Response(_file("console.js"), media_type="text/javascript")),
                    Route("/sign-in", self._sign_in, methods=["GET", "POST"]),
                    *(Route(rule.path, self._guarded(rule), methods=list(rule.methods)) for rule in ROUTES),
                    *Api(desk, feed, self.press, self.visitor).routes,
                ],
                exception_handlers={HTTPException: self._problem, Exception: self._problem},
            ),
            style="",
            https=self._https,
            policy=POLICY,
        )

    def stop(self) -> None:
        """End the streams; let nobody wait for a reply any more."""
        self._stopping.set()

    # Who is asking

    def _guarded(self, rule: Rule) -> Callable[[Request], Awaitable[Response]]:
        handler: Callable[[Request, Visitor], Awaitable[Response]] = getattr(self, f"_{rule.name}")

        async def guarded(request: Request) -> Response:
            used = rule.name not in ("events", "wall")
            visitor = await run_in_threadpool(self.visitor, request, used=used)
            if visitor is None:
                if rule.name == "events" or request.method == "POST":
                    raise HTTPException(401)
                after = "" if rule.path == "/" else f"?next={quote(rule.path)}"
                return RedirectResponse(f"/sign-in{after}", 303)
            if visitor.must_change and rule.name not in ("password", "sign_out"):
                return RedirectResponse("/password", 303)
            if rule.needs is not None and not visitor.may(rule.needs):
                raise HTTPException(403)
            return await handler(request, visitor)

        return guarded

    def visitor(self, request: Request, *, used: bool = True) -> Visitor | None:
        """Whose session the request's cookie is."""
        return self.desk.visitor(request.cookies.get(self.cookie, ""), used=used)

    async def _form(self, request: Request, visitor: Visitor | None) -> dict[str, str]:
        """The form of a POST that one of our own pages sent; raises 400 or 403."""
        site, origin = request.headers.get("sec-fetch-site", ""), request.headers.get("origin", "")
        ours = (self._origin, f"{request.url.scheme}://{request.headers.get('host', '')}".casefold())
        if site in ("cross-site", "same-site") or (origin and origin.casefold() not in ours):
            raise HTTPException(403)
        form = form_of(await whole_body(request))
        if visitor is not None and not secrets.compare_digest(form.get("csrf", "").encode(), visitor.csrf.encode()):
            raise HTTPException(403)
        return form

    # Signing in and out

    async def _sign_in(self, request: Request) -> Response:
        after = request.query_params.get("next", "/")
        # Only to our own pages.
        after = after if after in {rule.path for rule in ROUTES} else "/"
        if request.method != "POST":
            return self._page("sign_in", None, 200, wrong="", user="", after=after)
        form = await self._form(request, None)
        before, address = request.cookies.get(self.cookie), _address(request)
        user = form.get("user", "")
        try:
            secret = await run_in_threadpool(self.desk.sign_in, user, form.get("password", ""), address, before)
        except AccessError as error:
            status = 429 if error.wait_s else 403
            answer = self._page("sign_in", None, status, wrong=str(error), user=user[:64], after=after)
            if error.wait_s:
                answer.headers["Retry-After"] = str(int(error.wait_s) + 1)
            return answer
        return self._with_session(RedirectResponse(after, 303), secret)

    async def _sign_out(self, request: Request, visitor: Visitor) -> Response:
        await self._form(request, visitor)
        await run_in_threadpool(self.desk.sign_out, visitor)
        answer = RedirectResponse("/sign-in", 303)
        answer.delete_cookie(self.cookie, path="/", secure=self._https, httponly=True, samesite="strict")
        return answer

    async def _password(self, request: Request, visitor: Visitor) -> Response:
        if request.method != "POST":
            return self._page("password", visitor, 200, wrong="")
        form = await self._form(request, visitor)
        given = (form.get("old", ""), form.get("new", ""), form.get("again", ""))
        try:
            secret = await run_in_threadpool(self.desk.change_password, visitor, *given, _address(request))
        except AccessError as error:
            return self._page("password", visitor, 429 if error.wait_s else 422, wrong=str(error))
        return self._with_session(RedirectResponse("/", 303), secret)

    def _with_session(self, answer: Response, secret: str) -> Response:
        answer.set_cookie(self.cookie, secret, path="/", secure=self._https, httponly=True, samesite="strict")
        return answer

    # Right now

    async def _now(self, request: Request, visitor: Visitor) -> Response:
        return await run_in_threadpool(self._now_page, visitor, "now")

    async def _wall(self, request: Request, visitor: Visitor) -> Response:
        return await run_in_threadpool(self._now_page, visitor, "wall")

    def _now_page(self, visitor: Visitor, view: str) -> Response:
        kind = _kind(view, visitor)
        part, clock = self.part(kind)
        return self._page("now", visitor, 200, part=part, clock=clock, view=view)

    def part(self, kind: str) -> tuple[str, str]:
        """What changes on the page, as markup, and the clock. Made once for all who look, a second long."""
        second = int(self.clock.monotonic_s())
        stamp = (self.feed.version << 34) + second
        with self._parts_lock:
            kept = self._parts.get(kind)
            if kept is None or kept[0] != stamp:
                now = self.feed.now()
                template = self._templates.get_template("console/part.html")
                part = Markup(template.render(now=now, acknowledge=kind.endswith("+"), wall=kind.startswith("wall")))
                kept = self._parts[kind] = stamp, part, now.clock
            return kept[1], kept[2]

    async def _events(self, request: Request, visitor: Visitor) -> Response:
        kind = _kind("wall" if request.query_params.get("view") == "wall" else "now", visitor)
        headers = {"X-Accel-Buffering": "no"}
        return StreamingResponse(self._stream(request, kind), media_type="text/event-stream", headers=headers)

    async def _stream(self, request: Request, kind: str) -> AsyncIterator[str]:
        shown, version, told_s = "", -1, 0.0
        checked_s = self.clock.monotonic_s()
        while not (self._stopping.is_set() or self.feed.over):
            now_s = self.clock.monotonic_s()
            if now_s - checked_s >= SESSION_CHECK_S:
                checked_s = now_s
                visitor = await run_in_threadpool(self.visitor, request, used=False)
                if visitor is None or _kind(kind.rstrip("+"), visitor) != kind:
                    yield _event("ended", "")
                    return
            if self.feed.version != version or now_s - told_s >= TICK_S:
                version, told_s = self.feed.version, now_s
                part, clock = await run_in_threadpool(self.part, kind)
                if part != shown:
                    shown = part
                    yield _event("now", part)
                yield _event("tick", clock)
            await asyncio.sleep(POLL_S)

    async def _acknowledge(self, request: Request, visitor: Visitor) -> Response:
        alarm = request.query_params.get("alarm", "")[:200]
        found = next((one for one in (await run_in_threadpool(self.feed.now)).alarms if one.id == alarm), None)
        if request.method != "POST":
            return self._page("acknowledge", visitor, 200 if found else 404, alarm=found, wrong="", comment="")
        form = await self._form(request, visitor)
        comment = one_line(form.get("comment", ""))
        if len(comment) > COMMENT_MAX:
            wrong = f"A comment has {COMMENT_MAX} characters at most."
            return self._page("acknowledge", visitor, 422, alarm=found, wrong=wrong, comment=comment[:COMMENT_MAX])
        replied = await run_in_threadpool(self.press, visitor, alarm, comment)
        if replied is None:
            wrong = "It was handed over, but there is no reply yet. Look at the list before you try again."
            return self._page("acknowledge", visitor, 202, alarm=found, wrong=wrong, comment=comment)
        if not replied.accepted:
            text = f"Refused: {replied.text}."
            return self._page("acknowledge", visitor, 409, alarm=found, wrong=text, comment=comment)
        # It is on record; the page that follows is to show it.
        for _ in range(SHOWN_TRIES):
            now = await run_in_threadpool(self.feed.now)
            if not any(one.id == alarm and one.open for one in now.alarms):
                break
            await asyncio.sleep(POLL_S)
        return RedirectResponse("/", 303)

    def press(self, visitor: Visitor, alarm: str, comment: str) -> Replied | None:
        """Hand the acknowledgement to the engine; its reply, or None where there is none yet."""
        replies: SimpleQueue[Replied] = SimpleQueue()
        self._post(Pressed(f"console-{secrets.token_hex(12)}", visitor.id, alarm, comment), replies.put)
        deadline_s = self.clock.monotonic_s() + self._reply_s
        while not self._stopping.is_set() and self.clock.monotonic_s() < deadline_s:
            try:
                return replies.get(timeout=0.1)
            except Empty:
                continue
        return None

    # Users and tokens

    async def _access(self, request: Request, visitor: Visitor) -> Response:
        if request.method != "POST":
            return await run_in_threadpool(self._access_page, visitor, 200, "", "", "")
        form = await self._form(request, visitor)
        return await run_in_threadpool(self._manage, visitor, form)

    def _manage(self, visitor: Visitor, form: dict[str, str]) -> Response:
        user, act, secret = form.get("user", "").strip(), form.get("act", ""), ""
        try:
            if act == "make":
                secret = self.desk.add_user(visitor, user, form.get("name", ""), form.get("role", ""))
            elif act == "secret":
                secret = self.desk.new_secret(visitor, user)
            elif act == "role":
                self.desk.set_role(visitor, user, form.get("role", ""))
            elif act in ("enable", "disable"):
                self.desk.set_enabled(visitor, user, enabled=act == "enable")
            else:
                raise HTTPException(400)
        except AccessError as error:
            return self._access_page(visitor, 422, str(error), "", "")
        # The one page that shows a secret is the answer to the POST itself: it is nowhere else.
        return self._access_page(visitor, 200, "", user, secret) if secret else RedirectResponse("/access", 303)

    def _access_page(self, visitor: Visitor, status: int, wrong: str, user: str, secret: str) -> Response:
        users = self.desk.users()
        return self._page("access", visitor, status, users=users, roles=[*Role], wrong=wrong, made=user, secret=secret)

    async def _tokens(self, request: Request, visitor: Visitor) -> Response:
        if request.method != "POST":
            return await run_in_threadpool(self._tokens_page, visitor, 200, "", "")
        form = await self._form(request, visitor)

        def act() -> Response:
            try:
                if form.get("act") == "make":
                    given = (form.get("label", ""), form.get("scope", ""), form.get("days", ""))
                    return self._tokens_page(visitor, 200, "", self.desk.add_token(visitor, *given))
                if form.get("act") != "end":
                    raise HTTPException(400)
                self.desk.end_token(visitor, form.get("token", ""))
            except AccessError as error:
                return self._tokens_page(visitor, 422, str(error), "")
            return RedirectResponse("/tokens", 303)

        return await run_in_threadpool(act)

    def _tokens_page(self, visitor: Visitor, status: int, wrong: str, secret: str) -> Response:
        scopes = [scope for scope, rights in SCOPES.items() if rights <= visitor.rights]
        now_us = self.clock.now_us()
        tokens = [(each, each.ended_us is None and now_us < each.until_us) for each in self.desk.tokens(visitor)]
        return self._page(
            "tokens", visitor, status, tokens=tokens, scopes=scopes, days=TOKEN_DAYS, wrong=wrong, secret=secret
        )

    # Answers

    async def _problem(self, request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 500
        if request.url.path.startswith(f"{BASE}/"):
            said = isinstance(error, HTTPException) and error.detail != HTTPException(status).detail
            return problem(status, error.detail if isinstance(error, HTTPException) and said else "")
        return self._page("problem", None, status, status=status)

    def _page(self, name: str, visitor: Visitor | None, code: int, **more: Any) -> Response:
        zone = self.feed.zone
        template = self._templates.get_template(f"console/{name}.html")

        def day(us: int) -> str:
            return f"{local(us, zone):%Y-%m-%d}"

        return HTMLResponse(template.render(visitor=visitor, title=self.feed.title, may=May, day=day, **more), code)


def _kind(view: str, visitor: Visitor) -> str:
    return f"{view}+" if view == "now" and visitor.may(May.ACKNOWLEDGE) else view


def _event(name: str, data: str) -> str:
    lines = "".join(f"data: {line}\n" for line in data.splitlines() or [""])
    return f"event: {name}\n{lines}\n"


def _address(request: Request) -> str:
    return "" if request.client is None else request.client.host


def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("motewatch.web", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        auto_reload=False,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@lru_cache(maxsize=4)
def _file(name: str) -> str:
    return (files("motewatch.web") / "templates" / "console" / name).read_text("utf-8")
