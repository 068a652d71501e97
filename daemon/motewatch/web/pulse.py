"""What the service's writer says of its own work, for its health figures. Imports nothing of the web."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field
from typing import Final

COMMIT_BUCKETS_S: Final = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5)


@dataclass(slots=True)
class CommitTimes:
    """How long commits took. Counted by one thread, looked at by any."""

    total_s: float = 0.0
    counts: list[int] = field(default_factory=lambda: [0] * (len(COMMIT_BUCKETS_S) + 1))
    """One for each bucket, and the last for what took longer; not added up."""

    def took(self, seconds: float) -> None:
        """One more."""
        self.counts[bisect_left(COMMIT_BUCKETS_S, seconds)] += 1
        self.total_s += seconds


@dataclass(frozen=True, slots=True)
class Pulse:
    """At one moment, all since the start."""

    messages: int
    repeats: int
    dead_letters: int
    samples: int
    commit_counts: tuple[int, ...]
    commit_total_s: float
    lag_s: float
    """How far the engine's time is behind the clock: more than a second, and it stands still or is overrun."""
    connected: bool
    writable: bool
