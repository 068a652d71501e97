"""The order of the calls that wait for one channel, and the two lanes in which they go out.

A row of a call is always due, so its `next_try_us` says where it stands in line instead: urgent before others, and of
each first those not tried yet, then those that failed, then those that are overdue. The index of the outbox is in that
order, so a new urgent call is the first that is read, however many others wait.

Urgent calls have a lane of their own: none waits for a try under way of another kind. Both lanes share the tries that
a channel allows in a minute, and some of them are kept for urgent calls. Pure, but for the lock.
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass, field
from enum import Enum
from typing import Final

MINUTE_S: Final = 60.0
KEPT_PART: Final = 10
"""One in so many tries of a minute is kept for urgent calls; none where fewer than so many are allowed."""

FRESH, TRIED, OVERDUE = range(3)
_OTHERS: Final = 3
"""From here on rows are not urgent. A row of an older version may stand before, and is put where it belongs."""


def place_in_line(urgent: bool, stage: int = FRESH) -> int:
    """The `next_try_us` of a row. All of them have come by any clock."""
    return stage if urgent else _OTHERS + stage


class Lane(Enum):
    """Which calls a worker takes: the first and the last place in line."""

    URGENT = (0, OVERDUE)
    OTHERS = (_OTHERS, _OTHERS + OVERDUE)
    ALL = (0, _OTHERS + OVERDUE)

    def takes(self, urgent: bool) -> bool:
        """Does such a call go out here?"""
        return self is Lane.ALL or urgent is (self is Lane.URGENT)


@dataclass(slots=True)
class Window:
    """The tries of the last minute over one channel, in both lanes."""

    per_minute: int
    _tries_s: deque[float] = field(default_factory=deque)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def take(self, now_s: float, *, urgent: bool) -> float:
        """Take a try, now; else the seconds until there may be one."""
        most = self.per_minute if urgent else self.per_minute - self.per_minute // KEPT_PART
        with self._lock:
            while self._tries_s and now_s - self._tries_s[0] >= MINUTE_S:
                self._tries_s.popleft()
            if len(self._tries_s) < most:
                self._tries_s.append(now_s)
                return 0.0
            return self._tries_s[len(self._tries_s) - most] + MINUTE_S - now_s
