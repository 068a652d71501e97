"""`Right now`, its wall display, the stream of changes, and acknowledging one alarm."""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator
from functools import partial
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response, StreamingResponse

from motewatch.alarms.lifecycle import State
from motewatch.engine.records import OrderedAct
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.bodies import one_line
from motewatch.web.console.alarm_acts import becomes_of
from motewatch.web.console.frames import Frames, Kind
from motewatch.web.console.house import House, Rule
from motewatch.web.console.now import COMMENT_MAX
from motewatch.web.console.streams import ANEW, Audience
from motewatch.web.console.typed import UNTOUCHED, Typed, too_long
from motewatch.web.packing import wanted
from motewatch.web.server import line_of

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
        self._audiences = {
            kind: Audience(frames, self._run, house.desk.visitors, house.clock, over=self._over)
            for kind, frames in self._frames.items()
        }

    def _over(self) -> bool:
        return self._house.stopping.is_set() or self._house.feed.over

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
        kind = _kind(view, visitor)

        def holds(now: Visitor) -> bool:
            return _kind(view, now) == kind

        secret = request.cookies.get(self._house.cookie, "")
        headers = {"X-Accel-Buffering": "no", "Vary": "Accept-Encoding"}
        if known is None:
            return StreamingResponse(_anew(), media_type="text/event-stream", headers=headers)
        # Of a large site everything changes every second: packed it is a tenth, and every viewer is sent the same.
        packs = wanted(request.headers.get("accept-encoding", ""))
        if packs:
            headers["Content-Encoding"] = "gzip"
        stream = self._audiences[kind].watch(known, secret, holds, packs=packs, line=line_of(request.scope))
        return StreamingResponse(stream, media_type="text/event-stream", headers=headers)

    async def acknowledge(self, request: Request, visitor: Visitor) -> Response:
        """Take note of one alarm."""
        house = self._house
        alarm = request.query_params.get("alarm", "")[:200]
        states = {one.alarm: State(one.state) for one in house.feed.alarms()}
        becomes = becomes_of(states.get(alarm, State.NORMAL))
        found = next((one for one in (await run_in_threadpool(house.feed.now)).alarms if one.id == alarm), None)
        shown = partial(house.page, "acknowledge", visitor, alarm=found, becomes=becomes)
        if request.method != "POST":
            return shown(status=200 if found else 404, typed=UNTOUCHED)
        form = await house.form(request, visitor)
        comment = one_line(form.get("comment", ""))
        fields = {"comment": comment}
        if len(comment) > COMMENT_MAX:
            return shown(status=422, typed=Typed("take", fields, too_long(comment, COMMENT_MAX), "comment"))
        replied = await run_in_threadpool(house.order, visitor, OrderedAct.ACKNOWLEDGE, alarm, comment)
        if replied is None:
            wrong = "It was handed over, but there is no reply yet. Look at the list before you try again."
            return shown(status=202, typed=Typed("take", fields, wrong))
        if not replied.accepted:
            return shown(status=409, typed=Typed("take", fields, f"Refused: {replied.text}."))
        # It is on record; the page that follows is to show it.
        await run_in_threadpool(house.until_shown, [alarm])
        return RedirectResponse("/", 303)


def _kind(view: str, visitor: Visitor) -> Kind:
    wall = view == "wall"
    return Kind(wall, not wall and visitor.may(May.ACKNOWLEDGE))


async def _anew() -> AsyncIterator[bytes]:
    yield ANEW
