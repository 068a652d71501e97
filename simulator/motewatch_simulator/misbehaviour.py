"""Which misbehaviour of a sensor goes on, and what it does to the numbers it shows.

A fault lasts as long as the scenario says, or comes and goes by chance within that time. Faults of the air a counter
draws (flow, threshold) change what is expected; faults of the electronics change what was counted. Knows no rooms and
no connection.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from motewatch.measure.samples import M3_PER_FT3
from motewatch_simulator import scenario as s
from motewatch_simulator.response import aged_shift, noise_per_min
from motewatch_simulator.timeline import SECOND_US, Active

BURST_SLOPE = 2.0
"""Of the cumulative sizes in a burst from a dirty tube (own choice)."""


@dataclass(frozen=True, slots=True)
class Ongoing:
    """A fault that goes on: which incident of the scenario, and since when."""

    index: int
    fault: s.Fault
    since_us: int


class ByChance:
    """Spans that come and go: exponential waits, exponential lengths. It is only asked about later and later times."""

    def __init__(self, how: s.AtRandom, rng: np.random.Generator, start_us: int) -> None:
        self._how = how
        self._rng = rng
        self._draw(start_us)

    def span(self, at_us: int) -> tuple[int, int] | None:
        """The span that holds this instant, if one does."""
        while self._end_us <= at_us:
            self._draw(self._end_us)
        return (self._begin_us, self._end_us) if self._begin_us <= at_us else None

    def next_edge_us(self, after_us: int) -> int:
        """The next instant after this one at which a span begins or ends."""
        return self._begin_us if self.span(after_us) is None else self._end_us

    def _draw(self, after_us: int) -> None:
        wait_s = self._rng.exponential(86_400.0 / self._how.per_day)
        self._begin_us = after_us + 1 + round(wait_s * SECOND_US)
        self._end_us = self._begin_us + 1 + round(self._rng.exponential(self._how.mean_s) * SECOND_US)


class Misbehaviour:
    """All faults of one sensor."""

    def __init__(self, sensor: str, incidents: Sequence[s.Incident], rng: np.random.Generator, start_us: int) -> None:
        self._mine = {
            i: fault
            for i, fault in enumerate(incidents)
            if isinstance(fault, s.SensorFault) and fault.sensor in (sensor, s.EVERY)
        }
        self._chances: dict[int, ByChance] = {}
        for i, fault in self._mine.items():
            if fault.random is not None:
                self._chances[i] = ByChance(fault.random, rng.spawn(1)[0], start_us)

    def __bool__(self) -> bool:
        """Does this sensor ever do anything wrong?"""
        return bool(self._mine)

    def active(self, incidents: Sequence[Active], now_us: int) -> list[Ongoing]:
        """What goes on, in the order of the scenario, from the incidents of this moment."""
        result = []
        for x in incidents:
            fault = self._mine.get(x.index)
            if fault is None:
                continue
            since_us = now_us - x.elapsed_us
            chance = self._chances.get(x.index)
            if chance is not None:
                span = chance.span(now_us)
                if span is None:
                    continue
                since_us = max(since_us, span[0])
            result.append(Ongoing(x.index, fault, since_us))
        return result

    def next_edge_us(self, after_us: int) -> int | None:
        """The next instant at which one begins or ends by chance."""
        return min((chance.next_edge_us(after_us) for chance in self._chances.values()), default=None)


# What the air becomes


def flow_share(ongoing: Sequence[Ongoing], now_us: int) -> float:
    """The share of the flow that is left, 1 for a sound pump."""
    share = 1.0
    for x in ongoing:
        if isinstance(x.fault, s.FlowFault):
            share = min(share, x.fault.share)
        elif isinstance(x.fault, s.CloggedFlow):
            share = min(share, math.exp(-(now_us - x.since_us) / (x.fault.tau_s * SECOND_US)))
    return share


def threshold_shift(ongoing: Sequence[Ongoing], now_us: int) -> float:
    """What multiplies the thresholds, 1 for a laser in good order."""
    shift = 1.0
    for x in ongoing:
        if isinstance(x.fault, s.LaserAgeing):
            shift = max(shift, aged_shift(_power(x, x.fault, now_us), x.fault.exponent))
    return shift


def noise_in_first(ongoing: Sequence[Ongoing], first_um: float, seconds: float) -> float:
    """Expected false pulses in the first channel."""
    rates = (x.fault.per_min_at_0_3_um for x in ongoing if isinstance(x.fault, s.ElectronicNoise))
    return sum(noise_per_min(first_um, rate) * seconds / 60.0 for rate in rates)


# What the instrument says of itself


def flow_status(ongoing: Sequence[Ongoing], now_us: int) -> bool:
    """Does the sensor call its flow good?"""
    return not any(
        isinstance(x.fault, s.FlowFault)
        or (isinstance(x.fault, s.CloggedFlow) and flow_share([x], now_us) < x.fault.flag_below)
        or _flagged(x, "flow", now_us)
        for x in ongoing
    )


def laser_status(ongoing: Sequence[Ongoing], now_us: int) -> bool:
    """Does the sensor call its laser good?"""
    return not any(
        (isinstance(x.fault, s.LaserAgeing) and _power(x, x.fault, now_us) < x.fault.flag_below)
        or _flagged(x, "laser", now_us)
        for x in ongoing
    )


def _flagged(x: Ongoing, what: str, now_us: int) -> bool:
    return (
        isinstance(x.fault, s.AllZero)
        and x.fault.flags == what
        and now_us - x.since_us > x.fault.flag_after_s * SECOND_US
    )


def _power(x: Ongoing, fault: s.LaserAgeing, now_us: int) -> float:
    """What is left of the light: it falls evenly."""
    passed_s = (now_us - x.since_us) / SECOND_US
    faded = 1.0 if fault.ramp_s <= 0 else min(1.0, passed_s / fault.ramp_s)
    return 1.0 - (1.0 - fault.power) * faded


# What the numbers become


def burst_counts(
    ongoing: Sequence[Ongoing], sizes_um: Sequence[float], seconds: float, rng: np.random.Generator
) -> tuple[int, ...]:
    """Particles of a dirty tube per differential channel."""
    total = np.zeros(len(sizes_um), dtype=np.int64)
    for x in ongoing:
        if not isinstance(x.fault, s.TubeBurst):
            continue
        bursts = rng.poisson(x.fault.per_min * seconds / 60.0)
        first = next((i for i, size in enumerate(sizes_um) if size >= x.fault.from_um), len(sizes_um) - 1)
        above = (sizes_um[first] / np.asarray(sizes_um[first:])) ** BURST_SLOPE
        shares = above - np.append(above[1:], 0.0)
        total[first:] += rng.poisson(x.fault.particles * bursts * shares)
    return tuple(int(count) for count in total)


def shown(differential: tuple[int, ...], before: tuple[int, ...] | None, ongoing: Sequence[Ongoing]) -> tuple[int, ...]:
    """The differential counts a faulty sensor holds for true, from what it counted and what it showed last."""
    for x in ongoing:
        if isinstance(x.fault, s.Stuck) and before is not None:
            differential = before
        elif isinstance(x.fault, s.AllZero):
            differential = (0,) * len(differential)
        elif isinstance(x.fault, s.ConfigError) and x.fault.mode == "per-ft3":
            differential = tuple(round(count / M3_PER_FT3) for count in differential)
    return differential


def said(values: tuple[int, ...], ongoing: Sequence[Ongoing]) -> tuple[int, ...]:
    """The values it sends, from those it should send."""
    if len(values) > 1 and any(isinstance(x.fault, s.ChannelOrder) for x in ongoing):
        return (values[1], values[0], *values[2:])
    return values


def kind_mixed_up(ongoing: Sequence[Ongoing]) -> bool:
    """Does it call differential counts cumulative, or the other way round?"""
    return any(isinstance(x.fault, s.ConfigError) and x.fault.mode == "wrong-kind" for x in ongoing)


def place_instead(ongoing: Sequence[Ongoing]) -> str | None:
    """The location at which it really hangs, if it is not the one it says."""
    return next((x.fault.location for x in ongoing if isinstance(x.fault, s.ConfigError) and x.fault.location), None)
