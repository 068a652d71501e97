"""The engine's own time: never back, and still while a backlog is drained.

Normally it is the wall clock. While it is *held*, every input gets the same instant, just after the last one passed,
so that periods stay open for readings that are still on their way. When the host's clock is set back, the engine's
time goes on at half speed until the wall clock has caught up: deadlines come late, but they come.
"""

from __future__ import annotations

from typing import Protocol


class WallClock(Protocol):
    """What is needed of a clock."""

    def now_us(self) -> int:
        """Wall clock, microseconds UTC."""
        ...

    def monotonic_s(self) -> float:
        """A clock that is never set, seconds."""
        ...


class EngineClock:
    """Gives instants for inputs and for advancing. Used by the writer thread alone."""

    def __init__(self, clock: WallClock, passed_us: int) -> None:
        self._clock = clock
        self._last_us = passed_us
        self._last_s = clock.monotonic_s()
        self.held = True

    def input_us(self, passed_us: int, time_us: int) -> int:
        """The instant for an input, given what the engine has already passed (negative: nothing, it is new) and the
        instant of its last input: that one may lie ahead, where the hold began right after it."""
        earliest_us = max(passed_us + 1, time_us)
        if self.held and passed_us >= 0:
            return earliest_us
        return max(self._now_us(), earliest_us)

    def advance_us(self, passed_us: int) -> int:
        """How far the engine may advance now: not at all while held."""
        return passed_us if self.held else max(self._now_us(), passed_us)

    def _now_us(self) -> int:
        wall_us, now_s = self._clock.now_us(), self._clock.monotonic_s()
        elapsed_us = int((now_s - self._last_s) * 1_000_000)
        # More than the wall clock only where that was set back: otherwise it has gone on by all of what elapsed.
        wall_us = max(wall_us, self._last_us + elapsed_us // 2)
        self._last_us, self._last_s = wall_us, now_s
        return wall_us
