"""The console as an ASGI application: every route behind its rule, sign-in, styles and scripts, and errors in words.

Rules: every route but the open ones is refused without a session, and refused by role where its `Rule` says so. Every
page works without scripts. Nothing is loaded from elsewhere.
"""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from functools import lru_cache
from importlib.resources import files
from typing import Any, Final
from urllib.parse import quote, urlsplit

from sqlalchemy.exc import SQLAlchemyError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route, compile_path

from motewatch.web.access.desk import Visitor
from motewatch.web.console.api import Api
from motewatch.web.console.entrance import Entrance
from motewatch.web.console.house import HERE, House, Rule, role_words
from motewatch.web.console.operation import BASE, problem
from motewatch.web.console.pages import (
    alarms,
    asides,
    configurations,
    occupancy,
    on_call,
    record,
    reports,
    right_now,
    rooms,
    sensors,
    signing,
    users,
)
from motewatch.web.hardened import Hardened

_log = logging.getLogger("motewatch.console")

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)

GROUPS: Final[tuple[tuple[tuple[Rule, ...], Callable[[House], object]], ...]] = (
    (right_now.ROUTES, right_now.RightNowPages),
    (alarms.ROUTES, alarms.AlarmPages),
    (rooms.ROUTES, rooms.RoomPages),
    (occupancy.ROUTES, occupancy.OccupancyPages),
    (on_call.ROUTES, on_call.OnCallPages),
    (sensors.ROUTES, sensors.SensorPages),
    (record.ROUTES, record.RecordPages),
    (configurations.ROUTES, configurations.ConfigurationPages),
    (asides.ROUTES, asides.AsidePages),
    (reports.ROUTES, reports.ReportPages),
    (users.ROUTES, users.UserPages),
    (signing.ROUTES, signing.SigningPages),
)
"""Each group of pages: its routes, and what makes them."""

ROUTES: Final[tuple[Rule, ...]] = tuple(rule for rules, _ in GROUPS for rule in rules)
"""What a session is needed for."""

_PATHS: Final = [compile_path(rule.path)[0] for rule in ROUTES if "GET" in rule.methods]

OPEN: Final = ("/sign-in", "/console.css", "/script/now.js", "/favicon.ico", "/robots.txt")
"""What everybody may see; with an identity provider also the way there and back (`entrance`)."""

ICON: Final = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16"><rect width="16" height="16" rx="3" fill="#17475e"/>'
    '<circle cx="5" cy="10" r="2" fill="#fff"/><circle cx="10" cy="6" r="3" fill="#fff"/></svg>'
)

Handler = Callable[[Request, Visitor], Awaitable[Response]]


class ConsoleApp:
    """See the module. `app` is what a server runs."""

    def __init__(self, house: House) -> None:
        self.house = house
        self.app = Hardened(
            Starlette(
                routes=[
                    Route("/robots.txt", lambda _: PlainTextResponse("User-agent: *\nDisallow: /\n")),
                    Route("/favicon.ico", lambda _: Response(ICON, media_type="image/svg+xml")),
                    Route("/console.css", lambda _: Response(_styles(), media_type="text/css")),
                    Route("/script/{name}.js", _script),
                    *Entrance(house, _own).routes,
                    *self._pages(),
                    *Api(house).routes,
                ],
                exception_handlers={HTTPException: self._problem, Exception: self._problem},
            ),
            style="",
            https=house.https,
            policy=POLICY,
        )

    def stop(self) -> None:
        """End the streams; let nobody wait for a reply any more."""
        self.house.stopping.set()

    def _pages(self) -> list[Route]:
        routes = []
        for rules, make in GROUPS:
            group: Any = make(self.house)
            routes += [
                Route(rule.path, self._guarded(rule, getattr(group, rule.name)), methods=list(rule.methods))
                for rule in rules
            ]
        return routes

    def _guarded(self, rule: Rule, handler: Handler) -> Callable[[Request], Awaitable[Response]]:
        async def guarded(request: Request) -> Response:
            # What refreshes itself is no use of the session.
            used = rule.name not in ("events", "wall")
            visitor = await run_in_threadpool(self.house.visitor, request, used=used)
            if visitor is None:
                if rule.name == "events" or request.method == "POST":
                    raise HTTPException(401)
                wanted = request.url.path + (f"?{request.url.query}" if request.url.query else "")
                return RedirectResponse("/sign-in" if wanted == "/" else f"/sign-in?next={quote(wanted)}", 303)
            if visitor.must_change and rule.name not in ("password", "sign_out"):
                return RedirectResponse("/password", 303)
            if rule.needs is not None and not visitor.may(rule.needs):
                raise HTTPException(403, role_words(visitor))
            HERE.set(request.url.path)
            return await handler(request, visitor)

        return guarded

    async def _problem(self, request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 500
        headers = (error.headers or {}) if isinstance(error, HTTPException) else {}
        if request.url.path.startswith(f"{BASE}/"):
            return problem(status, _said(error), headers)
        HERE.set(request.url.path)
        visitor = await run_in_threadpool(self._whoever, request)
        answer = self.house.page("problem", visitor, status, code=status, said=_said(error))
        answer.headers.update(headers)
        return answer

    def _whoever(self, request: Request) -> Visitor | None:
        """Who is told that something went wrong, for the ways on; nobody, where that is what went wrong."""
        try:
            return self.house.visitor(request, used=False)
        except SQLAlchemyError:
            _log.exception("cannot tell who asked for a page that failed")
            return None


def _said(error: Exception) -> str:
    """What was said of it beside its number; empty: nothing."""
    if not isinstance(error, HTTPException) or error.detail == HTTPException(error.status_code).detail:
        return ""
    return error.detail


def _own(path: str) -> str:
    """Where to go after the sign-in: only to our own pages."""
    parts = urlsplit(path)
    ours = not parts.scheme and not parts.netloc and any(each.fullmatch(parts.path) for each in _PATHS)
    return path if ours and path.startswith("/") and "\\" not in path and path.isprintable() else "/"


def _templates(folder: str, kind: str) -> list[tuple[str, str]]:
    """(name, text) of all files of a kind in a folder of the templates, by name."""
    found = files("motewatch.web") / "templates" / "console" / folder
    here = [(each.name, each.read_text("utf-8")) for each in found.iterdir() if each.name.endswith(kind)]
    return sorted(here)


@lru_cache(maxsize=1)
def _styles() -> str:
    """One style sheet of all: the base first."""
    found = dict(_templates("css", ".css"))
    return "\n".join([found.pop("base.css"), *found.values()])


@lru_cache(maxsize=1)
def _scripts() -> dict[str, str]:
    return {name.removesuffix(".js"): text for name, text in _templates("script", ".js")}


def _script(request: Request) -> Response:
    text = _scripts().get(request.path_params["name"])
    if text is None:
        raise HTTPException(404)
    return Response(text, media_type="text/javascript")
