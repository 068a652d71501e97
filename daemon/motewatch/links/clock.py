"""The one place that reads the clock. Everything else is handed the instant, or a `Clock`.

Rules: `now_us` is the host's wall clock as it is, which others may set; nothing may measure a stretch of time with
it. `monotonic_s` is for time-outs, and for noticing that the wall clock was set. This module must not know what the
time is used for.
"""

from __future__ import annotations

import time
from typing import Protocol


class TimeSource(Protocol):
    """What the links need of a clock; tests hand in one that stands still."""

    def now_us(self) -> int:
        """Wall clock, microseconds UTC since 1970."""
        ...

    def monotonic_s(self) -> float:
        """Seconds on a clock that no one sets."""
        ...


class Clock:
    """The host's clocks. No state, so one may be shared by all threads."""

    def now_us(self) -> int:
        """Wall clock, microseconds UTC since 1970. Goes back when the host's clock is set back."""
        return time.time_ns() // 1_000

    def monotonic_s(self) -> float:
        """Seconds on the host's monotonic clock."""
        return time.monotonic()


class StepWatch:
    """Notices that the wall clock was set, by comparing it with the monotonic clock.

    Between two checks both must have moved by the same stretch; what differs by more than `threshold_s` is a step. A
    slow correction by a time service (500 ppm at most on Linux: 30 ms in a minute) stays far below it when checked
    each minute or oftener. A host that slept shows as a step too where its monotonic clock stood still meanwhile (as
    on Linux): that is wanted, for readings of that time are missing.
    """

    def __init__(self, clock: TimeSource, threshold_s: float = 1.0) -> None:
        self._clock = clock
        self._threshold_us = round(threshold_s * 1_000_000)
        self._wall_us, self._monotonic_s = clock.now_us(), clock.monotonic_s()

    def step_us(self) -> int | None:
        """Microseconds by which the wall clock jumped since the last check (negative: back), or None."""
        wall_us, monotonic_s = self._clock.now_us(), self._clock.monotonic_s()
        step_us = (wall_us - self._wall_us) - round((monotonic_s - self._monotonic_s) * 1_000_000)
        self._wall_us, self._monotonic_s = wall_us, monotonic_s
        return step_us if abs(step_us) > self._threshold_us else None
