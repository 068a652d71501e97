"""Watches the pressure cascade: the alarm that two rooms no longer stand in the stated order.

EU GMP Annex 1 (2022) 4.14: an air supply that keeps a positive pressure to rooms of lower grade, 10 Pa or more between
adjacent rooms of different grade (guidance value); 4.16: such alarms are not delayed without justification.

Each reading of a gauge is taken together with what the other gauges of its steps last showed, and those steps judged by
`limits.cascade`. Rules, our choice:

- The present only: a reading older than the newest of its own sensor, or older than another gauge's of the step by more
  than its sensor may be silent, is late and changes nothing. A gauge not heard for so long shows nothing either.
- A step that the gauges do not show, or that they contradict each other about, neither starts nor ends an alarm.
- Delays and deadband run as those of climate bounds (`alarms.bounds`): silence can start an alarm that has begun, and
  never ends one.

Must not know counts, levels or people.
"""

from __future__ import annotations

from typing import Any, Final

from motewatch.alarms.bounds import BoundWatch, Change
from motewatch.engine import texts
from motewatch.engine.agenda import Due
from motewatch.engine.cascade_plan import CascadePlan, StepPlan
from motewatch.engine.desk import Desk
from motewatch.engine.records import Priority
from motewatch.engine.subject import Subject, cascade_alarm
from motewatch.limits.cascade import CascadeVerdict, Gauge, evaluate
from motewatch.wire.records import SECOND_US, Reading

SETTLE_US: Final = 5 * SECOND_US
"""So long after the end of an on-delay a reading may still come that contradicts it."""


class CascadeWatch:
    """The gauges as they last showed, and a watch for each step."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._shown: dict[str, tuple[int, int]] = {}
        """By sensor: end of its newest reading, and the difference in millipascal."""
        self._watches: dict[str, BoundWatch] = {}

    @property
    def _plan(self) -> CascadePlan:
        return self._desk.plan.cascade

    def configured(self) -> None:
        """A configuration has taken effect: what it still has goes on."""
        steps, gauges = self._plan.steps, self._plan.gauges
        before = self._watches
        self._shown = {sensor: shown for sensor, shown in self._shown.items() if sensor in gauges}
        self._watches = {
            key: BoundWatch.from_state(step.bound, before[key].to_state()) if key in before else BoundWatch(step.bound)
            for key, step in steps.items()
        }
        for key in steps:
            self._await(key)

    def alarms(self) -> set[str]:
        """Ids of all alarms that there can be."""
        return {cascade_alarm(key) for key in self._plan.steps}

    def take(self, reading: Reading) -> None:
        """A reading that the engine has accepted."""
        keys = self._plan.steps_of.get(reading.sensor)
        if keys is None or reading.pressure_mpa is None:
            return
        if reading.end_us <= self._shown.get(reading.sensor, (-1, 0))[0]:
            return
        self._shown[reading.sensor] = (reading.end_us, reading.pressure_mpa)
        for key in keys:
            self._judge(self._plan.steps[key], reading)

    def due(self, key: str, due_us: int) -> None:
        """An on-delay may be over although nothing further has come."""
        watch, step = self._watches.get(key), self._plan.steps.get(key)
        if watch is not None and step is not None:
            for change in watch.expire(due_us - SETTLE_US):
                self._changed(step, change)

    def _judge(self, step: StepPlan, reading: Reading) -> None:
        plan, shown = self._plan, self._shown
        heard = [sensor for sensor in step.gauges if sensor in shown]
        at_us = max(shown[sensor][0] for sensor in heard)
        if reading.end_us < at_us - self._silent_us(reading.sensor):
            return
        gauges = [
            Gauge(*plan.gauges[sensor], shown[sensor][1])
            for sensor in heard
            if shown[sensor][0] >= at_us - self._silent_us(sensor)
        ]
        (judged,) = evaluate([step.step], gauges).steps
        if judged.verdict is CascadeVerdict.UNKNOWN or judged.difference is None:
            return
        for change in self._watches[step.key].observe(at_us, judged.difference):
            self._changed(step, change)
        self._await(step.key)

    def _await(self, key: str) -> None:
        due_us = self._watches[key].due_us
        if due_us is not None:
            self._desk.agenda.enter(max(due_us, self._desk.time_us) + SETTLE_US, Due.CASCADE, key)

    def _changed(self, step: StepPlan, change: Change) -> None:
        desk, alarm = self._desk, cascade_alarm(step.key)
        value, limit = change.value / 1000, step.bound.value / 1000
        if change.active:
            subject = Subject(alarm, "cascade", Priority.HIGH, step.location, step.sensor, step.room, step.area)
            text = texts.cascade_lost(step.higher_name, step.lower_name, value, limit)
            desk.say(desk.book.starts(subject, change.at_us, desk.time_us, text, value, limit, "Pa"))
        else:
            text = texts.cascade_held(step.higher_name, step.lower_name, value, limit)
            desk.say(desk.book.returns(alarm, change.at_us, desk.time_us, text, value))

    def _silent_us(self, sensor: str) -> int:
        return self._desk.plan.sensors[sensor].silent_us

    # Snapshots

    def to_state(self) -> dict[str, Any]:
        """Plain values for a snapshot; nothing where there is no cascade to watch."""
        if not self._watches and not self._shown:
            return {}
        return {
            "shown": {sensor: list(shown) for sensor, shown in sorted(self._shown.items())},
            "watches": {key: watch.to_state() for key, watch in sorted(self._watches.items())},
        }

    def from_state(self, state: dict[str, Any]) -> None:
        """Take back what `to_state` took apart."""
        steps = self._plan.steps
        self._shown = {sensor: (end_us, value) for sensor, (end_us, value) in state.get("shown", {}).items()}
        held = state.get("watches", {})
        self._watches = {
            key: BoundWatch.from_state(step.bound, held[key]) if key in held else BoundWatch(step.bound)
            for key, step in steps.items()
        }
