"""When a person is at work, gowning, or away: working hours, breaks, and people who are never on the minute.

Arrivals and departures scatter about the stated hours, so that the gowning room has its peak around the start of a
shift (M). A pure generator of instants. Knows nothing of rooms or particles.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

import numpy as np

from motewatch.site.schedule import WeeklyWindows

_MOST_SPREADS = 3.0
"""Nobody is earlier or later than so many standard deviations."""


class Doing(Enum):
    """Where a person is."""

    AWAY = "away"
    GOWNING = "gowning"
    WORKING = "working"


@dataclass(frozen=True, slots=True)
class Hours:
    """The working pattern of a group. `gowning_us` 0: people appear at work and vanish."""

    windows: WeeklyWindows
    breaks: WeeklyWindows
    spread_us: int
    gowning_us: int

    def at_work(self, at_us: int) -> bool:
        """By the hours, not by the person."""
        return self.windows.is_operational(at_us) and not self.breaks.is_operational(at_us)

    def next_change_us(self, after_us: int) -> int | None:
        """The next instant at which `at_work` may change."""
        edges = (self.windows.next_change_us(after_us), self.breaks.next_change_us(after_us))
        return min((edge for edge in edges if edge is not None), default=None)

    def pieces(self, from_us: int) -> Iterator[tuple[int, int]]:
        """Stretches of work from an instant on, by the hours; the first one may begin there."""
        at_us: int | None = from_us
        while at_us is not None:
            begin_us = at_us
            working = self.at_work(begin_us)
            at_us = self.next_change_us(begin_us)
            while at_us is not None and self.at_work(at_us) == working:
                at_us = self.next_change_us(at_us)
            if working and at_us is not None:
                yield begin_us, at_us


def itinerary(hours: Hours, start_us: int, rng: np.random.Generator) -> Iterator[tuple[int, Doing]]:
    """What one person does from each instant on, in order; ends only where the hours do."""
    free_us = start_us
    yield start_us, Doing.WORKING if hours.at_work(start_us) else Doing.AWAY
    for begin_us, end_us in hours.pieces(start_us):
        there = begin_us == start_us
        in_us = begin_us if there else max(begin_us + _scatter(hours, rng), free_us)
        out_us = end_us + _scatter(hours, rng)
        if out_us <= in_us:
            # Too late for so short a stretch.
            continue
        if hours.gowning_us and not there:
            yield max(in_us - hours.gowning_us, free_us), Doing.GOWNING
        yield in_us, Doing.WORKING
        free_us = out_us
        if hours.gowning_us:
            yield out_us, Doing.GOWNING
            free_us = out_us + hours.gowning_us // 2
        yield free_us, Doing.AWAY


def _scatter(hours: Hours, rng: np.random.Generator) -> int:
    if hours.spread_us == 0:
        return 0
    return round(hours.spread_us * float(np.clip(rng.standard_normal(), -_MOST_SPREADS, _MOST_SPREADS)))
