"""Deadband, on-delay and off-delay of one bound, in the time of the measurements.

The rules are those of OPC UA Part 9 (OPC 10000-9) for the attributes that ISA-18.2 / IEC 62682 name: the condition
must hold without a break for the on-delay before the alarm starts; a high alarm at L is over only below L - deadband,
a low one only above L + deadband, and that must hold for the off-delay. A value equal to the bound is within it.

Two rules of our own. Silence never ends an alarm: the off-delay is over only when a measurement at or after its end
still shows the return. Silence does start one: when nothing contradicts the condition until the on-delay has passed,
the caller's timer (`due_us`, `expire`) starts the alarm. A measurement at the very instant counts before the timer.

Values are integers (milli-units), instants microseconds. Nothing here knows clocks, places or the lifecycle.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final


class Side(StrEnum):
    """Which side of the bound is outside."""

    LOW = "low"
    HIGH = "high"


_HIGH: Final = Side.HIGH


@dataclass(frozen=True, slots=True)
class Bound:
    """One bound of one measured quantity, in milli-units and microseconds."""

    side: Side
    value: int
    deadband: int = 0
    on_delay_us: int = 0
    off_delay_us: int = 0

    def outside(self, value: int) -> bool:
        """Is the value beyond the bound?"""
        return value > self.value if self.side is _HIGH else value < self.value

    def returned(self, value: int) -> bool:
        """Is the value back beyond the deadband? Without a deadband: simply not outside."""
        if self.deadband == 0:
            return not self.outside(value)
        if self.side is Side.HIGH:
            return value < self.value - self.deadband
        return value > self.value + self.deadband


@dataclass(frozen=True, slots=True)
class Change:
    """The watched condition started or ended, at the instant its delay was over."""

    active: bool
    at_us: int
    value: int


@dataclass(slots=True)
class BoundWatch:
    """Follows one bound through measurements in the order of their own time."""

    bound: Bound
    active: bool = False
    outside_since_us: int | None = None
    returned_since_us: int | None = None
    last_value: int = 0

    def passes(self, value: int) -> bool:
        """Take a measurement where nothing stands, runs or begins, as nearly all are. False: it is to be observed."""
        if self.active or self.outside_since_us is not None or self.bound.outside(value):
            return False
        self.last_value = value
        return True

    def observe(self, at_us: int, value: int) -> list[Change]:
        """Take the measurement `value` of instant `at_us`; instants must not go back. Returns what changed."""
        changes = []
        overdue = self.due_us
        if overdue is not None and overdue < at_us:
            changes += self.expire(overdue)
        self.last_value = value
        bound = self.bound
        if not self.active:
            if not bound.outside(value):
                self.outside_since_us = None
            else:
                if self.outside_since_us is None:
                    self.outside_since_us = at_us
                changes += self.expire(at_us)
        elif not bound.returned(value):
            self.returned_since_us = None
        else:
            if self.returned_since_us is None:
                self.returned_since_us = at_us
            over_us = self.returned_since_us + bound.off_delay_us
            if over_us <= at_us:
                self.active = False
                self.returned_since_us = None
                changes.append(Change(False, over_us, value))
        return changes

    @property
    def due_us(self) -> int | None:
        """When a running on-delay ends, or None."""
        if self.active or self.outside_since_us is None:
            return None
        return self.outside_since_us + self.bound.on_delay_us

    def expire(self, until_us: int) -> list[Change]:
        """Start the alarm if its on-delay has ended by `until_us` and nothing contradicted it."""
        due_us = self.due_us
        if due_us is None or due_us > until_us:
            return []
        self.active = True
        self.outside_since_us = None
        return [Change(True, due_us, self.last_value)]

    def to_state(self) -> list[Any]:
        """Plain values for a snapshot; the bound itself comes from the plan."""
        return [self.active, self.outside_since_us, self.returned_since_us, self.last_value]

    @classmethod
    def from_state(cls, bound: Bound, state: list[Any]) -> BoundWatch:
        """The watch that `to_state` took apart."""
        return cls(bound, *state)
