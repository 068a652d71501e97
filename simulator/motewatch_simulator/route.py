"""Where and when a counter samples next: on its spot, carried round, or switched between the ports of a manifold.

Pure arithmetic on the counter's own clock. Samples begin on whole marks of that clock, so that restarts and other
sensors agree; a sample that would not end before its counter is carried on, or its port is left, is not begun.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Visit:
    """One sample to come: from `begin_us` for `duration_us`, at a location, through a port."""

    begin_us: int
    duration_us: int
    location: str
    port: int = 0


class Route(Protocol):
    """Says what comes next."""

    def next(self, after_us: int) -> Visit:
        """The first sample that begins at or after an instant."""
        ...


@dataclass(frozen=True, slots=True)
class Spot:
    """A counter that stays: a sample of `sample_us` on every whole mark of `interval_us`; the rest is a pause."""

    location: str
    interval_us: int
    sample_us: int

    def next(self, after_us: int) -> Visit:
        """The sample on the next mark."""
        return Visit(next_whole(after_us, self.interval_us), self.sample_us, self.location)


@dataclass(frozen=True, slots=True)
class Tour:
    """A portable carried round from `start_us` on, over and over: so long at each stop, so long on the way to the next.

    On the way nothing is sampled. Every stop must leave room for a sample: see `fits`.
    """

    start_us: int
    stops: tuple[tuple[str, int], ...]
    """Location, and microseconds spent there."""
    travel_us: int
    interval_us: int
    sample_us: int

    @property
    def fits(self) -> bool:
        """Is every stop long enough for a whole sample, wherever the marks fall?"""
        return all(stay_us >= self.sample_us + self.interval_us for _, stay_us in self.stops)

    def next(self, after_us: int) -> Visit:
        """The next sample; at the same stop if it ends before the counter is carried on."""
        round_us = sum(stay_us + self.travel_us for _, stay_us in self.stops)
        rounds = max(0, (after_us - self.start_us) // round_us)
        arrival_us = self.start_us + rounds * round_us
        while True:
            for location, stay_us in self.stops:
                begin_us = next_whole(max(after_us, arrival_us), self.interval_us)
                if begin_us + self.sample_us <= arrival_us + stay_us:
                    return Visit(begin_us, self.sample_us, location)
                arrival_us += stay_us + self.travel_us


@dataclass(frozen=True, slots=True)
class Ports:
    """One counter behind a switch: at each port a purge that is thrown away, then the dwell that is counted."""

    locations: tuple[str, ...]
    dwell_us: int
    purge_us: int

    @property
    def cycle_us(self) -> int:
        """How long until a port has its turn again."""
        return len(self.locations) * (self.dwell_us + self.purge_us)

    def next(self, after_us: int) -> Visit:
        """The next dwell; its time is the port's own, not that of the cycle."""
        turn_us = self.dwell_us + self.purge_us
        turn = -(-(after_us - self.purge_us) // turn_us)
        port = turn % len(self.locations)
        return Visit(turn * turn_us + self.purge_us, self.dwell_us, self.locations[port], port)

    def seen_share(self, event_us: int) -> float:
        """The probability that a port's dwell catches any of an event of this length at it."""
        return min(1.0, (event_us + self.dwell_us) / self.cycle_us)


def carry_over_s(purge_s: float, dwell_s: float, flow_m3_s: float, line_m3: float) -> float:
    """For how many seconds of its dwell a port counts, in effect, the air of the port before, still in the line.

    After the purge `exp(-purge Q / V)` of the line holds the old air, and it is washed out at the same rate.
    """
    if line_m3 <= 0:
        return 0.0
    turnover_s = line_m3 / flow_m3_s
    return math.exp(-purge_s / turnover_s) * turnover_s * -math.expm1(-dwell_s / turnover_s)


def next_whole(at_us: int, interval_us: int) -> int:
    """The first whole multiple of the interval at or after an instant: sensors start on the clock's own marks."""
    return -(-at_us // interval_us) * interval_us
