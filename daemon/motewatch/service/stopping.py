"""How the time of a stop is shared out, so that it is over in time even where several parts hang at once.

Each part gets what it may take at most, as long as there is so much left; then the rest, and in the end a moment only.
"""

from __future__ import annotations

from typing import Final

from motewatch.links.clock import TimeSource

LEAST_S: Final = 0.05
"""What a part gets in any case: enough for one that does not hang."""


class StopTime:
    """`begin`, then a `share_s` for one part after the other."""

    def __init__(self, clock: TimeSource, whole_s: float) -> None:
        self._clock = clock
        self._whole_s = whole_s
        self._end_s: float | None = None

    def begin(self) -> None:
        """The stop begins now. A second time changes nothing."""
        if self._end_s is None:
            self._end_s = self._clock.monotonic_s() + self._whole_s

    def share_s(self, most_s: float) -> float:
        """Seconds that the next part may take."""
        self.begin()
        assert self._end_s is not None
        return max(LEAST_S, min(most_s, self._end_s - self._clock.monotonic_s()))
