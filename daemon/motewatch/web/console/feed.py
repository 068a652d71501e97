"""What stands now, kept up to date from what the daemon publishes, for all who look at the console.

Rules: it hears what leaves the house, after it was committed, and works in a thread of its own, so that the
writer never waits for a page. Whether the daemon itself is well is asked each turn: a stuck writer
or a lost broker makes rooms `cannot tell`, as everywhere. Must not know HTTP.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable
from queue import Empty, SimpleQueue
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.links.clock import TimeSource
from motewatch.picture.board import Board
from motewatch.picture.hearing import hear
from motewatch.site.instants import instant
from motewatch.site.models import Site
from motewatch.web.console.now import Now, Painter
from motewatch.wire.outgoing import AlarmMessage, ServiceMessage
from motewatch.wire.records import SECOND_US
from motewatch.wire.topics import Topics

_log = logging.getLogger("motewatch.console")

TURN_S: Final = 0.1
"""So long changes are gathered before they are shown."""

LOOKED_S: Final = 3.0
"""So long after the last question somebody looks, as far as the feed knows."""

Published = tuple[str, bytes]
"""Topic and payload."""


class Feed:
    """See the module. `start`, `stop`; `tell` from the writer, `now` from any thread."""

    def __init__(
        self,
        site: Site,
        topics: Topics,
        clock: TimeSource,
        *,
        alive: Callable[[], bool],
        connected: Callable[[], bool],
        states: Callable[[], Iterable[Published]],
        before: Iterable[Published],
    ) -> None:
        """`states`: the present states of all alarms; `before`: what happened in the last hour."""
        self._topics = topics
        self._clock = clock
        self._alive = alive
        self._connected = connected
        self._states = states
        self._inbox: SimpleQueue[Published] = SimpleQueue()
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._kept: dict[str, bytes] = {}
        self._board = Board(site, clock.now_us())
        self._painter = Painter(site)
        self._site = site
        self._asked_s = clock.monotonic_s() - LOOKED_S
        self._painted: tuple[int, int, bool, bool, Now] | None = None
        self.version = 0
        """Rises with every change."""
        self._take(before)
        self._thread = threading.Thread(target=self._run, name="console-feed", daemon=True)

    def start(self) -> None:
        """Begin to listen."""
        self._look_around()
        self._thread.start()

    def stop(self, timeout_s: float) -> None:
        """End."""
        self._over.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    @property
    def title(self) -> str:
        """The site's name."""
        return self._board.title

    @property
    def site(self) -> Site:
        """The site as it is configured now."""
        return self._site

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return self._board.zone

    @property
    def over(self) -> bool:
        """Has it been stopped?"""
        return self._over.is_set()

    def tell(self, published: Iterable[Published]) -> None:
        """This was published. Quick."""
        for each in published:
            self._inbox.put(each)

    def know(self, site: Site) -> None:
        """The site file was read again."""
        with self._lock:
            self._site = site
            self._board = Board(site, self._clock.now_us())
            self._painter = Painter(site)
            self.version += 1
            kept = list(self._kept.items())
        self._take(kept)
        self._look_around()

    def now(self) -> Now:
        """What stands now. The same for all who ask within one second, unless something changed."""
        self._asked_s = self._clock.monotonic_s()
        with self._lock:
            now_us = self._clock.now_us()
            well, connected = self._alive(), self._connected()
            asked = (self.version, now_us // SECOND_US, well, connected)
            if self._painted is None or self._painted[:4] != asked:
                painted = self._painter.paint(self._board, now_us, well=well, connected=connected)
                self._painted = (*asked, painted)
            return self._painted[4]

    def alarms(self) -> list[AlarmMessage]:
        """All alarms that are not normal: the standing ones first."""
        with self._lock:
            return [*self._board.standing(), *self._board.hidden()]

    def _run(self) -> None:
        while not self._over.wait(TURN_S):
            try:
                found = []
                try:
                    while True:
                        found.append(self._inbox.get_nowait())
                except Empty:
                    pass
                self._take(found)
                self._look_around()
                if self._clock.monotonic_s() - self._asked_s < LOOKED_S:
                    # While somebody looks, a little at each turn: the writer waits for no long stretch of work.
                    with self._lock:
                        self._painter.prepare(self._board, self._clock.now_us())
            except Exception:  # a page that stands still would pass for one that lives; the next turn tries again
                _log.exception("the console could not take in what was published")

    def _take(self, published: Iterable[Published]) -> None:
        now_us = self._clock.now_us()
        sample = self._topics.sample("")
        with self._lock:
            for topic, payload in published:
                heard = hear(self._topics, topic, payload)
                if heard is not None:
                    self._board.hear(heard, now_us)
                    self.version += 1
                if topic.startswith(sample):
                    self._kept[topic] = payload

    def _look_around(self) -> None:
        """Is the daemon well, and does it reach its broker?"""
        now_us = self._clock.now_us()
        alive, connected = self._alive(), self._connected()
        with self._lock:
            came = connected and not self._board.connected
            if connected != self._board.connected:
                self._board.link(connected, now_us, "the daemon has no connection")
                self.version += 1
            if alive:
                at = instant(now_us)
                self._board.hear(ServiceMessage(v=1, site=self._site.site.id, online=True, at=at), now_us)
        if came:
            # The board forgot the alarms, as if a broker were to tell it of them again.
            self._take(self._states())
