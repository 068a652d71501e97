"""One sensor as the engine knows it: what it already said, whether its clock and its parts can be trusted.

`Ranges` answers "was this sequence number heard?" in constant memory for a sensor that does not skip. `SensorState`
holds what outlives one reading. The judgements here return quality bits and words; raising alarms is the desk's work
in `engine.core`.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Any, Final

from motewatch.engine.plan import SensorPlan
from motewatch.measure.samples import UL_PER_M3, Quality
from motewatch.wire.records import MINUTE_US, Health, Reading

BOOTS_KEPT = 16
"""Boots whose sequence numbers are held in memory; older ones are answered from the record."""

FUTURE_LIMIT_US = 10 * MINUTE_US
"""A reading further ahead of our clock than this cannot be placed and is refused (our choice)."""

_GOOD: Final = Quality.GOOD
_FAULT: Final = Health.FAULT
# Bound once: a member of an enumeration is looked up through its class each time it is named.

LAG_READINGS = 3
"""So many readings in a row with the same large delay mean a clock that is behind, not a network that was."""


@dataclass(slots=True)
class Ranges:
    """A set of sequence numbers as rising, separate, inclusive ranges."""

    lows: list[int] = field(default_factory=list)
    highs: list[int] = field(default_factory=list)

    def __contains__(self, number: int) -> bool:
        index = bisect_right(self.lows, number) - 1
        return index >= 0 and number <= self.highs[index]

    def add(self, number: int) -> bool:
        """Add a number. Returns False when it was there."""
        lows, highs = self.lows, self.highs
        if highs and number == highs[-1] + 1:
            highs[-1] = number
            return True
        index = bisect_right(lows, number) - 1
        if index >= 0 and number <= highs[index]:
            return False
        joins_left = index >= 0 and highs[index] + 1 == number
        joins_right = index + 1 < len(lows) and lows[index + 1] == number + 1
        if joins_left and joins_right:
            highs[index] = highs.pop(index + 1)
            lows.pop(index + 1)
        elif joins_left:
            highs[index] = number
        elif joins_right:
            lows[index + 1] = number
        else:
            lows.insert(index + 1, number)
            highs.insert(index + 1, number)
        return True

    @property
    def missing(self) -> int:
        """How many numbers between the least and the greatest were never heard."""
        return sum(low - high - 1 for high, low in zip(self.highs, self.lows[1:], strict=False))


@dataclass(slots=True)
class SensorState:
    """What is remembered of one sensor."""

    heard_us: int
    """Engine time at which it was last heard; silence is counted from here."""
    watched: bool = False
    """Is a silence deadline entered?"""
    boots: dict[str, Ranges] = field(default_factory=dict)
    recorded_boots: set[str] = field(default_factory=set)
    """Boots that came back after they had left the memory: their repeats are looked up on record."""
    last_end_us: int = 0
    last_boot: str = ""
    last_seq: int = -1
    lag_us: int = 0
    lag_readings: int = 0
    faults: int = 0

    def to_state(self) -> list[Any]:
        """Plain values for a snapshot."""
        return [
            self.heard_us,
            self.watched,
            [[boot, ranges.lows, ranges.highs] for boot, ranges in self.boots.items()],
            sorted(self.recorded_boots),
            self.last_end_us,
            self.last_boot,
            self.last_seq,
            self.lag_us,
            self.lag_readings,
            self.faults,
        ]

    @classmethod
    def from_state(cls, state: list[Any]) -> SensorState:
        """The state that `to_state` took apart."""
        heard, watched, boots, recorded, *rest = state
        return cls(
            heard,
            watched,
            {boot: Ranges(list(lows), list(highs)) for boot, lows, highs in boots},
            set(recorded),
            *rest,
        )


def quality_of(plan: SensorPlan, reading: Reading) -> Quality:
    """What the reading itself and the sensor's plan say against its air."""
    quality = _GOOD
    expected_ul = plan.flow_ul_per_s * reading.duration_us / 1_000_000
    if reading.flow is _FAULT or abs(reading.volume_ul - expected_ul) > plan.flow_tolerance * expected_ul:
        quality |= Quality.FLOW_FAULT
    if reading.laser is _FAULT:
        quality |= Quality.LASER_FAULT
    if reading.calibration is _FAULT or (
        plan.calibration_due_us is not None and reading.end_us > plan.calibration_due_us
    ):
        quality |= Quality.CALIBRATION_OVERDUE
    if plan.max_per_m3 is not None and reading.counts[0] * UL_PER_M3 > plan.max_per_m3 * reading.volume_ul:
        quality |= Quality.OVER_RANGE
    return quality


def clock_suspect(state: SensorState, plan: SensorPlan, reading: Reading, received_us: int, tolerance_us: int) -> bool:
    """Does this reading show that the sensor's clock is off? Updates the running evidence in `state`.

    Three signs: it ends ahead of our clock; it begins before the one before it (next number of the same boot) ended;
    or one reading after the other comes with the same large delay. A sensor that sends what it had buffered also
    comes late, but its delay shrinks from reading to reading.
    """
    lag_us = received_us - reading.end_us
    ahead = -lag_us > tolerance_us
    follows = reading.boot == state.last_boot and reading.seq == state.last_seq + 1
    overlaps = follows and reading.start_us < state.last_end_us - tolerance_us
    steady = follows and lag_us > tolerance_us and abs(lag_us - state.lag_us) < plan.interval_us // 2
    state.lag_readings = state.lag_readings + 1 if steady else 0
    state.lag_us = lag_us
    return ahead or overlaps or state.lag_readings >= LAG_READINGS
