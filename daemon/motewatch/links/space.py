"""Is there room left on the journal's disk? Told when it becomes little and when there is enough again.

Rules: enough again is a fifth more than little, so that a disk at the edge does not tell on and on. What the answer
means is decided elsewhere. The first look of a service always tells: an earlier run may have told something else.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Final

from motewatch.links.clock import TimeSource

LOOK_S: Final = 30.0
AGAIN: Final = 1.2
MB: Final = 1_000_000

Report = Callable[[bool, int, str], object]
"""(is there enough, since when, in words)"""


def free_at(folder: Path) -> Callable[[], int]:
    """How many bytes may still be written there, as a question."""
    return lambda: shutil.disk_usage(folder).free


class SpaceWatch:
    """`look` is the whole work; from one thread."""

    def __init__(self, free: Callable[[], int], wanted_mb: int, report: Report, clock: TimeSource) -> None:
        self._free = free
        self._wanted = wanted_mb * MB
        self._report = report
        self._clock = clock
        self._enough: bool | None = None

    def look(self) -> None:
        """Ask, and tell of a change."""
        free = self._free()
        enough = free >= self._wanted * (AGAIN if self._enough is False else 1)
        if enough != self._enough:
            self._enough = enough
            self._report(enough, self._clock.now_us(), f"{free // MB} MB are free, {self._wanted // MB} are wanted")
