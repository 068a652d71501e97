"""Doubt about a fixed sensor: the same counts, or none at all, for more readings in a row than chance allows.

Rules.
- Runs go through sound readings in the order of the air: what arrives after a newer one is left out, and so is what is
  over range, faulty or of a suspect clock; it neither makes a run longer nor ends one.
- Stuck: all channels repeat, with at least one particle in the smallest. How probable that is needs no knowledge of
  the air, because it is asked at the mean that makes it most probable: the repeated count itself.
- All zero: nothing in the smallest channel. How probable that is depends on the usual concentration of the occupancy
  state: stated for the sensor, or the least of ten equal blocks of `learn_readings` sound readings (the lower 95 %
  bound of that block's mean). A block without a particle makes it 0: such air is empty at times, zeros are no
  suspicion there, and no alarm of this kind is ever raised.
- An alarm starts when the run's probability falls below `threshold`, and returns with the first sound reading that
  differs (that is not zero). A change of the occupancy state begins a new run.

How often by chance, with a healthy counter in air of any constant mean: a run completes at a reading with less than
1.1 x `threshold` (stuck) and less than `threshold` (all zero), so with 1e-9 and a reading a minute less than 1e-4
alarms a month of either kind; a reading a second, 0.006 (`tests/unit/engine/test_suspicion.py` computes it). Air that
changes within an occupancy state makes zeros more frequent than that: state the lowest usual mean then, or a
dispersion. Must not know how readings become samples.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from motewatch.engine.desk import Desk
from motewatch.engine.plan import LocationPlan
from motewatch.engine.records import Priority
from motewatch.engine.subject import Subject, sensor_alarm
from motewatch.engine.suspicion_plan import SuspicionPlan
from motewatch.measure.samples import SUSPECT, UL_PER_M3, Quality
from motewatch.measure.statistics import poisson_lower
from motewatch.measure.suspicion import suspicion_of_run
from motewatch.wire.records import Reading

BLOCKS: Final = 10


@dataclass(slots=True)
class Learned:
    """The usual concentration of one occupancy state, on its way and when it is there."""

    readings: int = 0
    count: int = 0
    air_ul: int = 0
    """Of the block that is being filled."""
    blocks: int = 0
    least_per_m3: float | None = None
    """Of the full blocks."""

    def take(self, count: int, volume_ul: int, block: int) -> None:
        """Add a reading, unless enough is known."""
        if self.blocks >= BLOCKS:
            return
        self.readings += 1
        self.count += count
        self.air_ul += volume_ul
        if self.readings >= block:
            lower = poisson_lower(self.count) * UL_PER_M3 / self.air_ul
            self.least_per_m3 = lower if self.least_per_m3 is None else min(lower, self.least_per_m3)
            self.blocks += 1
            self.readings = self.count = self.air_ul = 0

    @property
    def per_m3(self) -> float | None:
        """The usual concentration; None while it is being learned."""
        return self.least_per_m3 if self.blocks >= BLOCKS else None


@dataclass(slots=True)
class SuspicionState:
    """What is remembered of one location's sensor."""

    sensor: str
    last_us: int = 0
    occupancy: str = ""
    counts: tuple[int, ...] = ()
    run: int = 0
    air_ul: int = 0
    """Of the run."""
    learned: dict[str, Learned] = field(default_factory=dict)

    def to_state(self) -> list[Any]:
        """Plain values for a snapshot."""
        learned = [
            [state, kept.readings, kept.count, kept.air_ul, kept.blocks, kept.least_per_m3]
            for state, kept in sorted(self.learned.items())
        ]
        return [self.sensor, self.last_us, self.occupancy, list(self.counts), self.run, self.air_ul, learned]

    @classmethod
    def from_state(cls, state: list[Any]) -> SuspicionState:
        """The state that `to_state` took apart."""
        sensor, last_us, occupancy, counts, run, air_ul, learned = state
        return cls(
            sensor, last_us, occupancy, tuple(counts), run, air_ul, {name: Learned(*kept) for name, *kept in learned}
        )


SUSPICION_KINDS: Final = ("sensor-stuck", "sensor-all-zero")


def suspicion_alarms(sensor: str) -> tuple[str, str]:
    """Ids of a sensor's two alarms: stuck, all zero."""
    return sensor_alarm(sensor, "stuck"), sensor_alarm(sensor, "all-zero")


def look_at(desk: Desk, where: LocationPlan, state: SuspicionState, reading: Reading, quality: Quality) -> None:
    """A reading of a fixed sensor was accepted."""
    rules = desk.plan.suspicion
    if rules is None or quality & SUSPECT or not reading.counts or reading.end_us <= state.last_us:
        return
    if reading.volume_ul <= 0:
        return
    state.last_us = reading.end_us
    occupancy = desk.occupancy(where.room, reading.start_us)
    counts = tuple(reading.counts)
    # Of zeros only the smallest channel is asked; where it is zero the larger ones are too.
    if counts != state.counts:
        _differs(desk, state, counts)
    elif occupancy != state.occupancy:
        state.run = state.air_ul = 0
    state.occupancy, state.counts = occupancy, counts
    state.run += 1
    state.air_ul += reading.volume_ul
    learned = state.learned.get(occupancy)
    if learned is None:
        learned = state.learned[occupancy] = Learned()
    if rules.usual.get(state.sensor) is None:
        learned.take(counts[0], reading.volume_ul, rules.block)
    if state.run > 1:
        _judge(desk, where, state, rules, learned)


def _differs(desk: Desk, state: SuspicionState, counts: tuple[int, ...]) -> None:
    state.run = state.air_ul = 0
    at_us = state.last_us
    stuck, empty = suspicion_alarms(state.sensor)
    if desk.book.active(stuck):
        desk.say(list(desk.book.returns(stuck, at_us, desk.time_us, f"{state.sensor}: its counts change again")))
    if counts[0] and desk.book.active(empty):
        desk.say(list(desk.book.returns(empty, at_us, desk.time_us, f"{state.sensor}: it counts particles again")))


def _judge(desk: Desk, where: LocationPlan, state: SuspicionState, rules: SuspicionPlan, learned: Learned) -> None:
    value, run = state.counts[0], state.run
    stuck, empty = suspicion_alarms(state.sensor)
    alarm = stuck if value else empty
    if desk.book.active(alarm):
        return
    usual = float(value)
    if not value:
        per_m3 = rules.usual.get(state.sensor, learned.per_m3)
        if per_m3 is None:
            return
        usual = min(per_m3 * state.air_ul / run / UL_PER_M3, 1e7)
    found = suspicion_of_run(value, run, min(usual, 1e7), rules.dispersion, rules.threshold)
    if not found.reason.suspicious or found.probability is None:
        return
    kind = "sensor-stuck" if value else "sensor-all-zero"
    subject = Subject(alarm, kind, Priority.MEDIUM, where.id, state.sensor, where.room, where.area)
    what = f"the same counts ({'/'.join(str(count) for count in state.counts)})" if value else "no particle"
    text = f"{state.sensor}: {what} in {run} readings in a row; by chance {_chance(found.probability)}"
    said = desk.book.starts(subject, state.last_us, desk.time_us, text, float(run), None, "readings")
    desk.say(list(said))


def _chance(probability: float) -> str:
    return "never" if probability < 1e-300 else f"{probability:.0e}"
