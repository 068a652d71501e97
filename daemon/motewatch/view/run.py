"""The running view: listens to the broker, feeds the board, and shows it until its time is over or somebody stops it.

On a terminal the screen is drawn anew once a second, and at once when something came; elsewhere it writes lines. This
is the one place that looks at the clock for the board.
"""

from __future__ import annotations

import queue
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from types import FrameType
from typing import Any, Protocol, TextIO

from rich.console import Console, ConsoleOptions, RenderResult
from rich.live import Live
from rich.segment import Segment

from motewatch.links.clock import TimeSource
from motewatch.picture.board import Board
from motewatch.picture.hearing import filters, hear
from motewatch.picture.words import signs_for
from motewatch.site.models import Site
from motewatch.view.client import Access, Down, Forbidden, Listener, Message, News, Up, forbidden
from motewatch.view.drawing import screen
from motewatch.view.errors import BrokerNotReachedError
from motewatch.view.plain import PlainView
from motewatch.wire.topics import Topics

TURN_S = 0.25
"""At most so long until what came is seen; a screen that changes oftener cannot be read."""


class Face(Protocol):
    """Where the board is shown."""

    def update(self, now_us: int) -> None:
        """Show the board as it is now."""
        ...


@dataclass(slots=True)
class Stop:
    """Set when somebody wants the view to end."""

    _event: threading.Event = field(default_factory=threading.Event)

    def ask(self) -> None:
        """End soon."""
        self._event.set()

    @property
    def asked(self) -> bool:
        """Was it asked?"""
        return self._event.is_set()


class ScreenFace:
    """The board on a terminal, drawn over the screen in place."""

    def __init__(self, board: Board, console: Console) -> None:
        self._board = board
        self._now_us = board.started_us
        self._live = Live(self, console=console, screen=True, auto_refresh=False, transient=True)

    def __enter__(self) -> ScreenFace:
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    def update(self, now_us: int) -> None:
        """Draw."""
        self._now_us = now_us
        self._live.refresh()

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        height = options.height or console.height
        lines = screen(self._board, self._now_us, options.max_width, height)
        for number, line in enumerate(lines):
            yield from line.render(console, end="")
            if number < len(lines) - 1:
                yield Segment.line()


def run_view(
    site: Site,
    access: Access,
    clock: TimeSource,
    seconds: float | None = None,
    out: TextIO | None = None,
    stop: Stop | None = None,
    plain_lines: bool = False,
) -> int:
    """Show the site until `seconds` are over, or until stopped; returns 0.

    `plain_lines`: write lines on a terminal too. Raises `BrokerNotReachedError` when the time is over and there never
    was a connection, `NotAllowedError` where the broker's access list keeps the publications from us.
    """
    stream = sys.stdout if out is None else out
    stop = stop or Stop()
    board = Board(site, clock.now_us(), signs_for(getattr(stream, "encoding", None)))
    topics = Topics(site.service.topic_root, site.site.id)
    news: queue.SimpleQueue[News] = queue.SimpleQueue()
    listener = Listener(access, filters(topics), news)
    with ExitStack() as stack:
        stack.enter_context(_signals(stop))
        plain = (
            None
            if stream.isatty() and not plain_lines
            else PlainView(board, lambda line: print(line, file=stream, flush=True))
        )
        face: Face
        if plain is None:
            face = stack.enter_context(ScreenFace(board, Console(file=stream)))
        else:
            plain.begin(access.where, clock.now_us())
            face = plain
        listener.start()
        stack.callback(listener.stop)
        reached = _loop(board, topics, access, news, face, clock, seconds, stop)
        if plain is not None:
            plain.end(clock.now_us())
    if not reached and not stop.asked:
        raise BrokerNotReachedError(f"the broker was not reached: no connection to {access.where}")
    return 0


def _loop(
    board: Board,
    topics: Topics,
    access: Access,
    news: queue.SimpleQueue[News],
    face: Face,
    clock: TimeSource,
    seconds: float | None,
    stop: Stop,
) -> bool:
    """Feed and show. Returns whether the broker was ever reached."""
    end_s = None if seconds is None else clock.monotonic_s() + seconds
    reached = False
    shown_s = float("-inf")
    changed = True
    while not stop.asked and (end_s is None or clock.monotonic_s() < end_s):
        now_s = clock.monotonic_s()
        if now_s - shown_s >= (TURN_S if changed else 1.0):
            face.update(clock.now_us())
            shown_s, changed = now_s, False
        for item in _some(news, TURN_S):
            changed = True
            reached = reached or isinstance(item, Up)
            _feed(board, topics, access, item, clock.now_us())
    face.update(clock.now_us())
    return reached


def _some(news: queue.SimpleQueue[News], timeout_s: float, most: int = 1000) -> Iterator[News]:
    """Wait for news, then give what is there."""
    try:
        yield news.get(timeout=timeout_s)
        for _ in range(most):
            yield news.get_nowait()
    except queue.Empty:
        return


def _feed(board: Board, topics: Topics, access: Access, item: News, now_us: int) -> None:
    match item:
        case Up():
            board.link(True, now_us)
        case Down(detail):
            board.link(False, now_us, detail)
        case Forbidden(topic):
            raise forbidden(access, topic, "read")
        case Message(topic, payload):
            heard = hear(topics, topic, payload)
            if heard is not None:
                board.hear(heard, now_us)


@contextmanager
def _signals(stop: Stop) -> Iterator[None]:
    """Ctrl-C and SIGTERM end the view in order, with its summary. Only the main thread may say so."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def handle(number: int, frame: FrameType | None) -> None:
        stop.ask()

    before: dict[int, Callable[[int, FrameType | None], Any] | int | None] = {
        number: signal.signal(number, handle) for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
