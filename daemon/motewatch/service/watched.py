"""The service as the service manager sees it: up, alive, at its end.

Rules: it is said to live only while its writer turns; one whose writer hangs is let go, so that the manager ends it and
starts it anew. A record that cannot be written is no such case: waiting for room is work, a restart makes none, and
the manager's status line says why. Told from the main thread's loop, which does nothing that takes long.
"""

from __future__ import annotations

from collections.abc import Callable

from motewatch.links.clock import TimeSource
from motewatch.links.service_manager import ServiceManager
from motewatch.service.calling import stuck


class Watched:
    """`begin` once the service is up, `look` again and again, `end` before it stops."""

    def __init__(self, manager: ServiceManager, clock: TimeSource) -> None:
        self._manager = manager
        self._clock = clock
        self._status = ""
        self._said = ""
        self._next_s = 0.0
        self._turned_s: Callable[[], float] = clock.monotonic_s
        self._trouble: Callable[[], str] = str

    def begin(self, status: str, turned_s: Callable[[], float], trouble: Callable[[], str]) -> None:
        """It is up. When did the writer last turn, on the monotonic clock; why can it not write, if it cannot?"""
        self._turned_s, self._trouble = turned_s, trouble
        self._status = self._said = status
        self._manager.up(status)
        self._next_s = self._clock.monotonic_s()

    def look(self) -> None:
        """Say that it lives, if it does and it is time to."""
        every_s, now_s = self._manager.lives_every_s, self._clock.monotonic_s()
        if every_s and now_s >= self._next_s and not stuck(self._turned_s(), now_s):
            self._next_s = now_s + every_s
            status = self._trouble() or self._status
            self._manager.lives("" if status == self._said else status)
            self._said = status

    def end(self) -> None:
        """It is about to stop."""
        self._manager.ends()
