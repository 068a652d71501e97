"""When the true concentration was beyond a level of the site: no counting noise, no sensor, no judging rule.

Rules. A location's air is averaged over the periods of its programme, on the clock's marks (where each reading is a
sample: over the interval of its sensor); a period whose mean is above a level in force is one of an excursion, and
periods in a row are one excursion. So it is what a sample would say of a counter that sees every particle. Levels are
those the daemon holds, standards and own ones, by the occupancy of the schedule. Sizes that no sensor of the site
counts are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from motewatch.engine.plan import CountLevel, RoomPlan, compile_plan
from motewatch.site.models import Occupancy, Site, size_nm
from motewatch_simulator.route import next_whole
from motewatch_simulator.spectra import Array
from motewatch_simulator.timeline import micros_of
from motewatch_simulator.truth import Truth, TruthBook, TruthKind

_STATES = tuple(state.value for state in Occupancy)

_Key = tuple[str, str, int, str]


@dataclass(frozen=True, slots=True)
class _Level:
    """One level at one location: in which column and size it is looked up, and while which state it holds."""

    column: int
    size: int
    location: str
    state: str
    level: CountLevel

    @property
    def key(self) -> _Key:
        """The same for a level that differs by state: an excursion goes on over a change."""
        return "excursion", self.location, self.level.size_nm, self.level.grade.value


class _Group:
    """The locations that share a period."""

    def __init__(self, period_us: int, levels: list[_Level], shape: tuple[int, int], start_us: int) -> None:
        self.period_us = period_us
        self.levels = levels
        self.held = np.zeros(shape)
        self.begin_us = start_us
        self.end_us = next_whole(start_us + 1, period_us)
        self.beyond: set[_Key] = set()
        self._columns = np.array([row.column for row in levels], dtype=np.intp)
        self._sizes = np.array([row.size for row in levels], dtype=np.intp)
        self._states = np.array([_STATES.index(row.state) for row in levels], dtype=np.intp)
        self._limits = np.array([row.level.per_m3 for row in levels], dtype=float)

    def exceeded(self, to_us: int, states: NDArray[np.intp]) -> list[tuple[_Level, float]]:
        """The levels in force that the mean of the period exceeds, with that mean; begins the next period."""
        above = np.cumsum(self.held[::-1], axis=0)[::-1] * (1e6 / (to_us - self.begin_us))
        means = above[self._sizes, self._columns]
        found = np.flatnonzero((means > self._limits) & (states[self._columns] == self._states))
        self.held[:] = 0.0
        self.begin_us = to_us
        self.end_us = next_whole(to_us + 1, self.period_us)
        return [(self.levels[i], float(means[i])) for i in found]


class Excursions:
    """Takes in the air of all locations, step by step, and writes excursions into the book."""

    def __init__(
        self, site: Site, locations: Sequence[str], sizes_um: Sequence[float], start_us: int, book: TruthBook
    ) -> None:
        plan = compile_plan(site, "")
        self._room_of = {name: plan.locations[name].room for name in locations}
        names = sorted(set(self._room_of.values()))
        self._rooms = [plan.rooms[name] for name in names]
        self._rooms_of_columns = np.array([names.index(room) for room in self._room_of.values()], dtype=np.intp)
        self._book = book
        sizes = {size_nm(size): i for i, size in enumerate(sizes_um)}
        intervals = {sensor.location: micros_of(sensor.interval_s) for sensor in site.sensors}
        shortest_us = min(intervals.values())
        by_period: dict[int, list[_Level]] = {}
        for column, name in enumerate(locations):
            place = plan.locations[name]
            rows = by_period.setdefault(place.period_us or intervals.get(name, shortest_us), [])
            for state, levels in place.levels.items():
                counted = [level for level in levels if level.size_nm in sizes]
                rows += [_Level(column, sizes[level.size_nm], name, state, level) for level in counted]
        shape = (len(sizes_um), len(locations))
        self._groups = [_Group(us, rows, shape, start_us) for us, rows in sorted(by_period.items()) if rows]

    def take(self, seen: Array, to_us: int) -> None:
        """What all locations' air held in the step that ends now, particles x s / m3 per bin and location."""
        for group in self._groups:
            group.held += seen
            # The last step may reach a little beyond the period.
            if to_us >= group.end_us:
                self._close(group, to_us)

    def _close(self, group: _Group, to_us: int) -> None:
        begin_us = group.begin_us
        by_room = np.array([_STATES.index(occupancy(room, begin_us)) for room in self._rooms], dtype=np.intp)
        states = by_room[self._rooms_of_columns]
        now: set[_Key] = set()
        for row, per_m3 in group.exceeded(to_us, states):
            now.add(row.key)
            self._beyond(row, begin_us, round(per_m3))
        for key in sorted(group.beyond - now):
            self._book.end(key, begin_us)
        group.beyond = now

    def _beyond(self, row: _Level, begin_us: int, per_m3: int) -> None:
        if not self._book.is_open(row.key):
            detail: dict[str, object] = {
                "size_um": row.level.size_nm / 1000,
                "level": row.level.grade.value,
                "limit_per_m3": row.level.per_m3,
                "peak_per_m3": per_m3,
            }
            subject = {"room": self._room_of[row.location], "location": row.location}
            self._book.begin(row.key, Truth(TruthKind.EXCURSION, "above-level", subject, begin_us, None, detail))
        peak = self._book.detail(row.key)["peak_per_m3"]
        if isinstance(peak, int) and per_m3 > peak:
            self._book.note(row.key, peak_per_m3=per_m3)


def occupancy(room: RoomPlan, at_us: int) -> str:
    """The state of a room by its schedule; operational limits stay for its clean-up time after a window."""
    if room.windows is not None:
        if room.windows.is_operational(at_us):
            return "operational"
        if room.clean_up_us and room.windows.is_operational(at_us - room.clean_up_us):
            return "operational"
    return room.outside_windows
