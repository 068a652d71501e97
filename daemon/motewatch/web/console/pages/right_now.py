"""`Right now`, its wall display, the stream of changes, and acknowledging one alarm."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import AsyncIterator
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response, StreamingResponse

from motewatch.engine.records import OrderedAct
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.bodies import one_line
from motewatch.web.console.frames import Frames, Kind
from motewatch.web.console.house import House, Rule
from motewatch.web.console.now import COMMENT_MAX

TICK_S: Final = 1.0
POLL_S: Final = 0.1
SESSION_CHECK_S: Final = 5.0

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
        kinds = (Kind(wall=False, acknowledge=False), Kind(wall=False, acknowledge=True), Kind(True, False))
        self._frames = {kind: Frames(house.feed, house.clock, house.templates, kind) for kind in kinds}
        # Frames are numbered anew by each run: the page of an earlier one is to be loaded again.
        self._run = secrets.token_hex(4)

    async def now(self, request: Request, visitor: Visitor) -> Response:
        """The page."""
        return await run_in_threadpool(self._page, visitor, "now")

    async def wall(self, request: Request, visitor: Visitor) -> Response:
        """The same for a display on a wall."""
        return await run_in_threadpool(self._page, visitor, "wall")

    def _page(self, visitor: Visitor, view: str) -> Response:
        frame = self._frames[_kind(view, visitor)].latest()
        number = f"{self._run}-{frame.number}"
        shown: dict[str, Any] = {"view": view, "frame": number, "clock": frame.clock, **frame.whole()}
        return self._house.page("now", visitor, **shown)

    async def events(self, request: Request, visitor: Visitor) -> Response:
        """The stream of changes (server-sent events), from the frame on that the page or the last stream ended with."""
        view = "wall" if request.query_params.get("view") == "wall" else "now"
        seen = request.headers.get("last-event-id") or request.query_params.get("frame", "")
        run, _, number = (seen or f"{self._run}-0")[:40].partition("-")
        # None: a page of another run of the service.
        known = int(number) if run == self._run and number.isdecimal() else None
        stream = self._stream(request, view, _kind(view, visitor), known)
        return StreamingResponse(stream, media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})

    async def _stream(self, request: Request, view: str, kind: Kind, known: int | None) -> AsyncIterator[str]:
        house, frames = self._house, self._frames[kind]
        if known is None:
            yield _event("anew", "")
            return
        number, told_s = known, 0.0
        checked_s = house.clock.monotonic_s()
        while not (house.stopping.is_set() or house.feed.over):
            now_s = house.clock.monotonic_s()
            if now_s - checked_s >= SESSION_CHECK_S:
                checked_s = now_s
                visitor = await run_in_threadpool(house.visitor, request, used=False)
                if visitor is None or _kind(view, visitor) != kind:
                    yield _event("anew", "")
                    return
            # Only who comes first makes the frame, in a thread; the others find it there.
            frame = await run_in_threadpool(frames.latest) if frames.due else frames.latest()
            if frame.number != number:
                news = frame.since(number)
                number = frame.number
                if news:
                    yield _event("now", news, f"{self._run}-{number}")
            if now_s - told_s >= TICK_S:
                told_s = now_s
                yield _event("tick", frame.clock)
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
        await run_in_threadpool(house.until_shown, [alarm])
        return RedirectResponse("/", 303)


def _kind(view: str, visitor: Visitor) -> Kind:
    wall = view == "wall"
    return Kind(wall, not wall and visitor.may(May.ACKNOWLEDGE))


def _event(name: str, data: str, id_: str = "") -> str:
    lines = "".join(f"data: {line}\n" for line in data.splitlines() or [""])
    numbered = f"id: {id_}\n" if id_ else ""
    return f"event: {name}\n{numbered}{lines}\n"
