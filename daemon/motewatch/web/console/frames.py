"""What the viewers of `Right now` see, made once for all of them, and what changed since the frame that each has.

Rules: a page is made of pieces (one for each room, one for each list), and a viewer is sent the pieces that changed. A
new frame is made when something changed, or for the clock; and at most a tenth of the time is spent on making them, so
that a site of thousands of locations does not take the processor from its own readings. Must not know HTTP.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from jinja2 import Environment
from markupsafe import Markup

from motewatch.links.clock import TimeSource
from motewatch.web.console.now import Now, RoomNow

LEAST_S: Final = 0.5
"""With what a commit takes a sample is on the page within a second."""

REST_AFTER: Final = 8
REST_S: Final = 0.001
"""So long nothing is drawn after so many rooms: a writer that waits for the interpreter in between gets it at once."""

CLOCK_S: Final = 1.0
SHARE: Final = 0.1
"""Of one processor, for each kind of page."""

LISTS: Final = ("trouble", "tally", "alarms", "changes")


class Source(Protocol):
    """What stands now; `version` rises with every change."""

    @property
    def version(self) -> int: ...

    def now(self) -> Now: ...


@dataclass(frozen=True, slots=True)
class Kind:
    """Which page: of a wall display or not, with a button for each alarm or not."""

    wall: bool
    acknowledge: bool


@dataclass(frozen=True, slots=True)
class Frame:
    """One state of the page. `changed`: the number of the frame in which each piece took its present form."""

    number: int
    clock: str
    rooms: tuple[str, ...]
    """Ids of the pieces of the rooms, worst first."""
    ordered: int
    """The number of the frame in which the order of the rooms took its present form."""
    pieces: dict[str, str]
    changed: dict[str, int]
    _news: dict[int, str] = field(default_factory=dict, compare=False)

    def since(self, number: int) -> str:
        """JSON of what changed after that frame; empty: nothing. Written once for all who have that frame."""
        news = self._news.get(number)
        if news is None:
            news = self._news[number] = self._written(number)
        return news

    def _written(self, number: int) -> str:
        found: dict[str, Any] = {}
        pieces = {id_: self.pieces[id_] for id_, at in self.changed.items() if at > number}
        if pieces:
            found["pieces"] = pieces
        if self.ordered > number:
            found["rooms"] = self.rooms
        return json.dumps(found, ensure_ascii=False) if found else ""

    def whole(self) -> dict[str, Markup]:
        """For the template of the page: each list, and all rooms in their order."""
        lists = {name: Markup(self.pieces[name]) for name in LISTS}
        return {**lists, "rooms": Markup("\n".join(self.pieces[id_] for id_ in self.rooms))}


class Frames:
    """The frames of one kind of page. From any thread."""

    def __init__(self, feed: Source, clock: TimeSource, templates: Environment, kind: Kind) -> None:
        self._feed = feed
        self._clock = clock
        self._kind = kind
        parts: Any = templates.get_template("console/part.html").module
        self._makers: dict[str, Callable[..., str]] = {name: getattr(parts, name) for name in (*LISTS, "room")}
        self._lock = threading.Lock()
        self._rest = threading.Event()
        self._frame: Frame | None = None
        self._rooms: dict[str, RoomNow] = {}
        self._version = -1
        self._made_s = 0.0
        self._cost_s = 0.0

    @property
    def due(self) -> bool:
        """Would `latest` make a new frame now?"""
        waited_s = self._clock.monotonic_s() - self._made_s
        if self._frame is None:
            return True
        if waited_s < max(LEAST_S, self._cost_s / SHARE):
            return False
        return self._feed.version != self._version or waited_s >= CLOCK_S

    def latest(self) -> Frame:
        """The newest frame, made now where it is due."""
        with self._lock:
            if self.due or self._frame is None:
                # The version first: what comes in meanwhile is for the next frame.
                self._version = self._feed.version
                self._made_s = self._clock.monotonic_s()
                self._frame = self._make(self._feed.now(), self._frame)
                self._cost_s = self._clock.monotonic_s() - self._made_s
            return self._frame

    def _make(self, now: Now, before: Frame | None) -> Frame:
        number = 1 if before is None else before.number + 1
        pieces = {name: str(self._makers[name](now, self._kind)) for name in LISTS}
        rooms: dict[str, RoomNow] = {}
        drawn = 0
        for room in now.rooms:
            id_ = f"room-{room.id}"
            rooms[id_] = room
            # Most rooms are as they were: comparing is much quicker than writing them.
            known = self._rooms.get(id_)
            same = before is not None and (known is room or known == room)
            if before is not None and same:
                pieces[id_] = before.pieces[id_]
                continue
            pieces[id_] = str(self._makers["room"](room, self._kind))
            drawn += 1
            if drawn % REST_AFTER == 0:
                self._rest.wait(REST_S)
        self._rooms = rooms
        order = tuple(rooms)
        if before is None:
            return Frame(number, now.clock, order, number, pieces, dict.fromkeys(pieces, number))
        changed = {
            id_: before.changed[id_] if before.pieces.get(id_) == piece else number for id_, piece in pieces.items()
        }
        return Frame(number, now.clock, order, before.ordered if before.rooms == order else number, pieces, changed)
