"""`Right now`, its wall display, the stream of changes, and acknowledging one alarm."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from typing import Final

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response, StreamingResponse

from motewatch.engine.records import OrderedAct
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.bodies import one_line
from motewatch.web.console.house import House, Rule
from motewatch.web.console.now import COMMENT_MAX

TICK_S: Final = 1.0
POLL_S: Final = 0.1
SESSION_CHECK_S: Final = 5.0
SHOWN_TRIES: Final = 20

ROUTES: Final = (
    Rule("/", "now", ("GET",), May.LOOK),
    Rule("/wall", "wall", ("GET",), May.LOOK),
    Rule("/events", "events", ("GET",), May.LOOK),
    Rule("/acknowledge", "acknowledge", ("GET", "POST"), May.ACKNOWLEDGE),
)


class RightNowPages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._parts: dict[str, tuple[int, str, str]] = {}
        self._parts_lock = threading.Lock()

    async def now(self, request: Request, visitor: Visitor) -> Response:
        """The page."""
        return await run_in_threadpool(self._page, visitor, "now")

    async def wall(self, request: Request, visitor: Visitor) -> Response:
        """The same for a display on a wall."""
        return await run_in_threadpool(self._page, visitor, "wall")

    def _page(self, visitor: Visitor, view: str) -> Response:
        part, clock = self._part(_kind(view, visitor))
        return self._house.page("now", visitor, part=part, clock=clock, view=view)

    def _part(self, kind: str) -> tuple[str, str]:
        """What changes on the page, as markup, and the clock. Made once for all who look, a second long."""
        house = self._house
        second = int(house.clock.monotonic_s())
        stamp = (house.feed.version << 34) + second
        with self._parts_lock:
            kept = self._parts.get(kind)
            if kept is None or kept[0] != stamp:
                now = house.feed.now()
                template = house.templates.get_template("console/part.html")
                part = Markup(template.render(now=now, acknowledge=kind.endswith("+"), wall=kind.startswith("wall")))
                kept = self._parts[kind] = stamp, part, now.clock
            return kept[1], kept[2]

    async def events(self, request: Request, visitor: Visitor) -> Response:
        """The stream of changes (server-sent events)."""
        kind = _kind("wall" if request.query_params.get("view") == "wall" else "now", visitor)
        headers = {"X-Accel-Buffering": "no"}
        return StreamingResponse(self._stream(request, kind), media_type="text/event-stream", headers=headers)

    async def _stream(self, request: Request, kind: str) -> AsyncIterator[str]:
        house = self._house
        shown, version, told_s = "", -1, 0.0
        checked_s = house.clock.monotonic_s()
        while not (house.stopping.is_set() or house.feed.over):
            now_s = house.clock.monotonic_s()
            if now_s - checked_s >= SESSION_CHECK_S:
                checked_s = now_s
                visitor = await run_in_threadpool(house.visitor, request, used=False)
                if visitor is None or _kind(kind.rstrip("+"), visitor) != kind:
                    yield _event("ended", "")
                    return
            if house.feed.version != version or now_s - told_s >= TICK_S:
                version, told_s = house.feed.version, now_s
                part, clock = await run_in_threadpool(self._part, kind)
                if part != shown:
                    shown = part
                    yield _event("now", part)
                yield _event("tick", clock)
            await asyncio.sleep(POLL_S)

    async def acknowledge(self, request: Request, visitor: Visitor) -> Response:
        """Take note of one alarm."""
        house = self._house
        alarm = request.query_params.get("alarm", "")[:200]
        found = next((one for one in (await run_in_threadpool(house.feed.now)).alarms if one.id == alarm), None)
        if request.method != "POST":
            return house.page("acknowledge", visitor, 200 if found else 404, alarm=found, wrong="", comment="")
        form = await house.form(request, visitor)
        comment = one_line(form.get("comment", ""))
        if len(comment) > COMMENT_MAX:
            wrong = f"A comment has {COMMENT_MAX} characters at most."
            return house.page("acknowledge", visitor, 422, alarm=found, wrong=wrong, comment=comment[:COMMENT_MAX])
        replied = await run_in_threadpool(house.order, visitor, OrderedAct.ACKNOWLEDGE, alarm, comment)
        if replied is None:
            wrong = "It was handed over, but there is no reply yet. Look at the list before you try again."
            return house.page("acknowledge", visitor, 202, alarm=found, wrong=wrong, comment=comment)
        if not replied.accepted:
            text = f"Refused: {replied.text}."
            return house.page("acknowledge", visitor, 409, alarm=found, wrong=text, comment=comment)
        # It is on record; the page that follows is to show it.
        for _ in range(SHOWN_TRIES):
            now = await run_in_threadpool(house.feed.now)
            if not any(one.id == alarm and one.open for one in now.alarms):
                break
            await asyncio.sleep(POLL_S)
        return RedirectResponse("/", 303)


def _kind(view: str, visitor: Visitor) -> str:
    return f"{view}+" if view == "now" and visitor.may(May.ACKNOWLEDGE) else view


def _event(name: str, data: str) -> str:
    lines = "".join(f"data: {line}\n" for line in data.splitlines() or [""])
    return f"event: {name}\n{lines}\n"
