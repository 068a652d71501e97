"""What changes by itself in the rooms, and when: shifts, doors, machines, the weather.

Instants lie on a grid, so that few different steps of the balance are needed and their matrices can be kept (own
choice: a tenth of the shortest reading interval). What falls on one instant happens in the order of planning.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable

from motewatch_simulator.timeline import SECOND_US


class Agenda:
    """Actions in order of time. `speed` physical seconds pass in one second of the clock."""

    def __init__(self, start_us: int, grid_us: int, speed: float) -> None:
        self.now_us = start_us
        self._grid_us = grid_us
        self._speed = speed
        self._planned = 0
        self._heap: list[tuple[int, int, Callable[[], None]]] = []

    def after(self, physical_s: float, action: Callable[[], None]) -> int:
        """Do something so many physical seconds from now, at the next step of the grid at the earliest; says when."""
        return self._put(self.instant_after(self.now_us, physical_s), action)

    def instant_after(self, at_us: int, physical_s: float) -> int:
        """The instant on the grid so many physical seconds after another one, and never that itself."""
        steps = max(1, round(physical_s / self._speed * SECOND_US / self._grid_us))
        return (at_us // self._grid_us + steps) * self._grid_us

    def at(self, at_us: int, action: Callable[[], None]) -> int:
        """Do something at an instant of the clock, or at once where that is past."""
        return self._put(max(-(-at_us // self._grid_us) * self._grid_us, self.now_us), action)

    def next_us(self) -> int | None:
        """When the next action is due."""
        return self._heap[0][0] if self._heap else None

    def advance(self, to_us: int) -> None:
        """Let the clock go on and do what is due by then."""
        self.now_us = to_us
        while self._heap and self._heap[0][0] <= to_us:
            heapq.heappop(self._heap)[2]()

    def _put(self, at_us: int, action: Callable[[], None]) -> int:
        self._planned += 1
        heapq.heappush(self._heap, (at_us, self._planned, action))
        return at_us
