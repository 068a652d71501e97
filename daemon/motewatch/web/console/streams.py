"""Sends the frames of `Right now` to all who look at one kind of page: made once, encoded once, the same bytes for all.

Rules: one task makes the frames and wakes the viewers, so a viewer costs one write for each frame and nothing between
them. Nobody waits for a slow viewer: who cannot take a frame gets what is newest when they can. Whether the sessions
still hold is asked for all of them together. All of it runs in the loop of the web server; what takes long goes to a
thread. Must not know HTTP.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncGenerator, Callable, Iterable
from dataclasses import dataclass, field
from typing import Final, Protocol

from starlette.concurrency import run_in_threadpool

from motewatch.links.clock import TimeSource
from motewatch.web.access.desk import Visitor
from motewatch.web.console.frames import REST_AFTER, REST_S, Frame, Frames
from motewatch.web.packing import HEAD, packed

_log = logging.getLogger("motewatch.console")

TICK_S: Final = 1.0
"""So often at least a viewer hears that the page lives."""

POLL_S: Final = 0.1
SESSIONS_S: Final = 5.0

Visitors = Callable[[Iterable[str]], dict[str, Visitor | None]]
"""Whose sessions these secrets are; called in a thread."""


def event(name: str, data: str, id_: str = "") -> bytes:
    """One server-sent event."""
    lines = "".join(f"data: {line}\n" for line in data.splitlines() or [""])
    numbered = f"id: {id_}\n" if id_ else ""
    return f"event: {name}\n{numbered}{lines}\n".encode()


ANEW: Final = event("anew", "")
"""The page is to be loaded again: another run of the service, or somebody who may no longer see it."""


class Line(Protocol):
    """The connection of a viewer: what is written goes out at once."""

    @property
    def free(self) -> bool: ...

    def write(self, piece: bytes) -> None: ...


@dataclass(slots=True, eq=False)
class _Viewer:
    """One who looks. `holds`: may a visitor still see this page?"""

    secret: str
    holds: Callable[[Visitor], bool]
    packs: bool
    number: int
    """Of the frame that they have."""
    line: Line | None = None
    """Where the next frames are written to; None: the stream itself hands them over."""
    ended: bool = False
    called: asyncio.Event = field(default_factory=asyncio.Event)


class Audience:
    """All who look at one kind of page."""

    def __init__(
        self,
        frames: Frames,
        run: str,
        visitors: Visitors,
        clock: TimeSource,
        *,
        over: Callable[[], bool],
        poll_s: float = POLL_S,
        sessions_s: float = SESSIONS_S,
    ) -> None:
        """`run`: names the run of the service in the ids of events; `over`: the service ends."""
        self._frames = frames
        self._run = run
        self._visitors = visitors
        self._clock = clock
        self._over = over
        self._poll_s = poll_s
        self._sessions_s = sessions_s
        self._viewers: set[_Viewer] = set()
        self._tasks: list[asyncio.Task[None]] = []
        self._frame: Frame | None = None
        self._news: dict[tuple[int, bool], bytes] = {}
        """What is sent with this frame, by the frame that a viewer has, and packed or not."""
        self._told_s = 0.0

    async def watch(
        self,
        number: int,
        secret: str,
        holds: Callable[[Visitor], bool],
        *,
        packs: bool = False,
        line: Line | None = None,
    ) -> AsyncGenerator[bytes, None]:
        """What a viewer is sent who has the frame of that number; 0: none. `packs`: as a gzip stream; `line`: all but
        the beginning and the end is written there, which costs a fraction."""
        viewer = _Viewer(secret, holds, packs, number)
        self._viewers.add(viewer)
        try:
            if not self._tasks:
                self._tasks = [asyncio.create_task(self._turn()), asyncio.create_task(self._look_after_sessions())]
            if packs:
                yield HEAD
            while not self._over():
                # Before the frame is looked at: whoever is slow finds the next one waiting.
                viewer.called.clear()
                if viewer.ended:
                    yield packed(ANEW) if packs else ANEW
                    return
                if self._frame is not None and viewer.line is None:
                    yield self._news_for(viewer, self._frame)
                    viewer.line = line
                await viewer.called.wait()
        finally:
            self._viewers.discard(viewer)
            if not self._viewers:
                for task in self._tasks:
                    task.cancel()
                self._tasks, self._frame = [], None

    def _news_for(self, viewer: _Viewer, frame: Frame) -> bytes:
        news, viewer.number = self._news_since(frame, viewer.number, viewer.packs), frame.number
        return news

    def _news_since(self, frame: Frame, number: int, packs: bool) -> bytes:
        """What changed, and the time: one piece of bytes for all who have that frame."""
        found = self._news.get((number, packs))
        if found is None:
            news = frame.since(number)
            plain = event("now", news, f"{self._run}-{frame.number}") if news else b""
            plain += event("tick", frame.clock)
            found = self._news[number, packs] = packed(plain) if packs else plain
        return found

    async def _turn(self) -> None:
        while not self._over():
            if self._frame is None or self._frames.due:
                try:
                    await self._show(await run_in_threadpool(self._frames.latest))
                except Exception:  # the pages say by themselves that nothing comes; the next turn tries again
                    _log.exception("the console could not make the page")
            await asyncio.sleep(self._poll_s)
        for viewer in self._viewers:
            viewer.called.set()

    async def _show(self, frame: Frame) -> None:
        now_s = self._clock.monotonic_s()
        before, self._frame = self._frame, frame
        self._news = {}
        if before is None or now_s - self._told_s >= TICK_S or frame.since(before.number):
            self._told_s = now_s
            for place, viewer in enumerate(list(self._viewers), 1):
                if viewer.line is None:
                    viewer.called.set()
                elif viewer.line.free and not viewer.ended:
                    viewer.line.write(self._news_for(viewer, frame))
                if place % REST_AFTER == 0:
                    # As in drawing: whoever else needs the interpreter gets it in between.
                    await asyncio.sleep(REST_S)

    async def _look_after_sessions(self) -> None:
        while True:
            await asyncio.sleep(self._sessions_s)
            viewers = list(self._viewers)
            try:
                visitors = await run_in_threadpool(self._visitors, {viewer.secret for viewer in viewers})
            except Exception:  # the record cannot be asked just now
                _log.exception("the console could not look after its sessions")
                continue
            for viewer in viewers:
                visitor = visitors.get(viewer.secret)
                if visitor is None or not viewer.holds(visitor):
                    viewer.ended = True
                    viewer.called.set()
