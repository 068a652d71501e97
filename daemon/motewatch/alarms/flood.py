"""Is there a flood of alarms? A sliding window over the starts of alarms, told one by one.

After ISA-18.2 / IEC 62682 (as cited by public material): a flood starts when more than 10 alarms have come within
10 minutes, and ends when fewer than 5 have. Those numbers are the defaults; the site may choose others.

Definition. At an instant t the window is `(t - window, t]`: an alarm exactly one window old has left it. A flood starts
at the alarm that makes the window hold more than `more_than`. It ends at the first instant at which an alarm leaves and
fewer than `fewer_than` remain; at one instant alarms leave before others come. Alarms of one instant may come in any
order. Pure: the caller brings the instants, and asks `end_us` when it wants to be woken. Must not know which alarms
they were.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

from motewatch.wire.records import MINUTE_US

FLOOD_WINDOW_US: Final = 10 * MINUTE_US
FLOOD_MORE_THAN: Final = 10
FLOOD_FEWER_THAN: Final = 5


class FloodChange(StrEnum):
    """What an instant made of it."""

    STARTED = "started"
    ENDED = "ended"


@dataclass(slots=True)
class Flood:
    """The detector. Instants must not go back; one that does is taken as of the latest seen."""

    more_than: int = FLOOD_MORE_THAN
    fewer_than: int = FLOOD_FEWER_THAN
    window_us: int = FLOOD_WINDOW_US
    since_us: int | None = None
    """Start of the flood under way; None: there is none."""
    _seen: deque[int] = field(default_factory=deque)

    def __post_init__(self) -> None:
        """Raises ValueError for numbers with which a flood could start and end at once."""
        if not 1 <= self.fewer_than <= self.more_than or self.window_us <= 0:
            raise ValueError(
                f"a flood of more than {self.more_than} cannot end below {self.fewer_than} in {self.window_us} us"
            )

    @property
    def active(self) -> bool:
        """Is there a flood, as of the last instant given?"""
        return self.since_us is not None

    @property
    def end_us(self) -> int | None:
        """When the flood under way ends if no further alarm comes; None: there is no flood."""
        if self.since_us is None:
            return None
        # The alarm after which fewer than `fewer_than` remain: the fewer_than-th from the end leaves one window on.
        return self._seen[-self.fewer_than] + self.window_us

    def observe(self, at_us: int) -> FloodChange | None:
        """An alarm started. None: nothing changed.

        ENDED comes here only when `expire` was not asked in time: the flood ended at what `end_us` was before. The
        alarm itself cannot start the next at once, because few others are left in the window then.
        """
        if self._seen:
            at_us = max(at_us, self._seen[-1])
        ended = self.expire(at_us)
        self._drop(at_us)
        self._seen.append(at_us)
        if ended is None and self.since_us is None and len(self._seen) > self.more_than:
            self.since_us = at_us
            return FloodChange.STARTED
        return ended

    def expire(self, at_us: int) -> FloodChange | None:
        """Time has passed until `at_us`: ENDED where the end of the flood has come by then."""
        end_us = self.end_us
        if end_us is None or at_us < end_us:
            return None
        self.since_us = None
        self._drop(end_us)
        return FloodChange.ENDED

    def _drop(self, at_us: int) -> None:
        while self._seen and self._seen[0] <= at_us - self.window_us:
            self._seen.popleft()

    def to_state(self) -> dict[str, Any]:
        """As JSON takes it. The three numbers are configuration and not part of it."""
        return {"since_us": self.since_us, "seen_us": list(self._seen)}

    @classmethod
    def from_state(
        cls,
        state: Mapping[str, Any],
        more_than: int = FLOOD_MORE_THAN,
        fewer_than: int = FLOOD_FEWER_THAN,
        window_us: int = FLOOD_WINDOW_US,
    ) -> Flood:
        """Go on from a state of `to_state`. A flood that has no end by the numbers of now is over."""
        flood = cls(more_than, fewer_than, window_us, state["since_us"], deque(state["seen_us"]))
        if len(flood._seen) < fewer_than:
            flood.since_us = None
        return flood
