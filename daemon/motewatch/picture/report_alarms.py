"""Lives of alarms as a report tells them: from the step that began one to the step that led back to normal.

Rules: the condition is dated by what caused it (`at_us`), a life that began before the report's time or goes on after
it is told whole, as far as it is on record, and says so. Pure; must not know the record or documents.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import AlarmChanged

EXCURSIONS: Final = frozenset(
    f"{what}-{grade}"
    for what in ("count", "temperature", "humidity", "pressure-difference")
    for grade in ("alert", "action")
) | {"cascade", "trend"}
"""Kinds of alarms that are about the air; the others are about measuring it."""

_SIZE: Final = re.compile(r"location/[^/]+/(\d+(?:\.\d+)?)um/(?:alert|action)")


@dataclass(frozen=True, slots=True)
class Life:
    """One life of an alarm."""

    steps: tuple[AlarmChanged, ...]

    @property
    def first(self) -> AlarmChanged:
        """Its first step."""
        return self.steps[0]

    @property
    def condition_end_us(self) -> int | None:
        """When the condition was last over; None: it holds, as far as is known."""
        end_us = None
        for step in self.steps:
            if step.event is Event.STARTS:
                end_us = None
            elif step.event in (Event.RETURNS, Event.RETURNS_LATCHED):
                end_us = step.at_us
        if end_us is None and self.over:
            return self.steps[-1].at_us
        return end_us

    @property
    def over(self) -> bool:
        """Is it normal again?"""
        return self.steps[-1].after is State.NORMAL

    def touches(self, start_us: int, end_us: int) -> bool:
        """Does any of it lie in `[start_us, end_us)`?"""
        last_us = max(step.at_us for step in self.steps) if self.over else None
        return self.first.at_us < end_us and (last_us is None or last_us >= start_us)


def lives(steps: Iterable[AlarmChanged]) -> list[Life]:
    """All lives, in the order of their beginning. The steps of each alarm are in the order of the record."""
    by_alarm: dict[str, list[list[AlarmChanged]]] = {}
    for step in steps:
        mine = by_alarm.setdefault(step.alarm, [])
        if not mine or mine[-1][-1].after is State.NORMAL:
            mine.append([])
        mine[-1].append(step)
    found = [Life(tuple(life)) for mine in by_alarm.values() for life in mine]
    return sorted(found, key=lambda life: (life.first.at_us, life.first.alarm))


def size_of(alarm: str) -> int | None:
    """The size that a count alarm is about, in nanometres; None for all others."""
    found = _SIZE.fullmatch(alarm)
    return None if found is None else round(float(found[1]) * 1000)


def life_figures(life: Life, end_us: int | None = None) -> dict[str, Any]:
    """A life as plain values; instants in microseconds. How often and how far it went beyond its limit is told up to
    `end_us`, the end of the report: a life that nobody acknowledges goes on long after it."""
    first = life.first
    within = [step for step in life.steps if end_us is None or step.at_us <= end_us]
    acknowledged = [step for step in life.steps if step.event is Event.ACKNOWLEDGE]
    worst = _worst([step for step in within if step.value is not None])
    return {
        "alarm": first.alarm,
        "kind": first.kind,
        "priority": first.priority.value,
        "location": first.location,
        "room": first.room,
        "sensor": first.sensor,
        "text": first.text,
        "from_us": first.at_us,
        "until_us": life.condition_end_us,
        "closed_us": life.steps[-1].at_us if life.over else None,
        "late": any(step.late for step in life.steps),
        "limit": first.limit,
        "unit": first.unit,
        "peak": None if worst is None else worst.value,
        "peak_us": None if worst is None else worst.at_us,
        "starts": sum(step.event is Event.STARTS for step in within),
        "acknowledged_us": acknowledged[0].at_us if acknowledged else None,
        "acknowledged_by": acknowledged[0].by if acknowledged else None,
        "comments": [
            {"at_us": step.at_us, "event": step.event.value, "by": step.by, "comment": step.comment}
            for step in life.steps
            if step.comment or step.by
        ],
    }


def _worst(steps: Sequence[AlarmChanged]) -> AlarmChanged | None:
    """The starting step with the value furthest beyond its limit: below it where it is a lower bound."""
    starting = [step for step in steps if step.event is Event.STARTS]
    if not starting:
        return None
    below = "-low/" in starting[0].alarm
    return (min if below else max)(starting, key=lambda step: step.value or 0.0)
