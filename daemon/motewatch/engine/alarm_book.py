"""The alarms of the site: which there are, where each stands, and what is said when one changes.

The book applies lifecycle events to alarms and turns each accepted step into an `AlarmChanged`. It decides nothing
about air, delays or people: callers say "this condition starts" and "this condition ends". An alarm exists from its
first start on; one that is normal again stays in the book, because its next start is the same alarm.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from motewatch.alarms.lifecycle import ACTIVE, STANDING, Event, RefusedError, State, step
from motewatch.alarms.rationalisation import Advisor
from motewatch.engine.records import AlarmChanged, Priority


@dataclass(frozen=True, slots=True)
class Subject:
    """What an alarm is about: the fixed part of every `AlarmChanged` of it."""

    alarm: str
    kind: str
    priority: Priority
    location: str | None = None
    sensor: str | None = None
    room: str | None = None
    area: str | None = None


@dataclass(slots=True)
class Entry:
    """One alarm's present state, with the last value said about it."""

    subject: Subject
    state: State = State.NORMAL
    text: str = ""
    value: float | None = None
    limit: float | None = None
    unit: str = ""


@dataclass(slots=True)
class AlarmBook:
    """All alarms by id."""

    entries: dict[str, Entry] = field(default_factory=dict)
    advisor: Advisor | None = None
    """The configuration's, and not part of the state: a priority that the site states takes hold at the next start."""

    def active(self, alarm: str) -> bool:
        """Does the alarm's condition hold, as far as the book was told?"""
        entry = self.entries.get(alarm)
        return entry is not None and entry.state in ACTIVE

    def standing(self) -> list[str]:
        """Ids of all standing alarms, in order."""
        return sorted(alarm for alarm, entry in self.entries.items() if entry.state in STANDING)

    def starts(
        self,
        subject: Subject,
        at_us: int,
        found_us: int,
        text: str,
        value: float | None = None,
        limit: float | None = None,
        unit: str = "",
        late: bool = False,
    ) -> list[AlarmChanged]:
        """The condition holds from `at_us`. Says nothing when the alarm is active already."""
        entry = self.entries.get(subject.alarm)
        if entry is None:
            entry = self.entries[subject.alarm] = Entry(subject)
        if entry.state in ACTIVE:
            return []
        entry.subject = self._prioritised(subject)
        entry.text, entry.value, entry.limit, entry.unit = text, value, limit, unit
        return [self._change(entry, Event.STARTS, at_us, found_us, late=late)]

    def returns(
        self, alarm: str, at_us: int, found_us: int, text: str, value: float | None = None, late: bool = False
    ) -> list[AlarmChanged]:
        """The condition ended at `at_us`. Says nothing when the alarm is not active."""
        entry = self.entries.get(alarm)
        if entry is None or entry.state not in ACTIVE:
            return []
        entry.text = text
        entry.value = value
        return [self._change(entry, Event.RETURNS, at_us, found_us, late=late)]

    def momentary(
        self, subject: Subject, at_us: int, found_us: int, text: str, late: bool = False
    ) -> list[AlarmChanged]:
        """Something happened and is over: it starts and returns at once, and stands until acknowledged."""
        started = self.starts(subject, at_us, found_us, text, late=late)
        return [*started, *self.returns(subject.alarm, at_us, found_us, text, late=late)]

    def acknowledge(self, alarm: str, at_us: int, by: str, comment: str) -> AlarmChanged:
        """A person takes note. Raises KeyError (no such alarm) or `RefusedError` (nothing to acknowledge)."""
        entry = self.entries[alarm]
        return self._change(entry, Event.ACKNOWLEDGE, at_us, at_us, by=by, comment=comment)

    def _prioritised(self, subject: Subject) -> Subject:
        if self.advisor is None:
            return subject
        own = self.advisor.priority(
            subject.kind, subject.priority, location=subject.location, room=subject.room, area=subject.area
        )
        return subject if own is subject.priority else replace(subject, priority=own)

    def _change(
        self,
        entry: Entry,
        event: Event,
        at_us: int,
        found_us: int,
        by: str = "",
        comment: str = "",
        late: bool = False,
    ) -> AlarmChanged:
        before = entry.state
        entry.state = step(before, event)
        subject = entry.subject
        return AlarmChanged(
            alarm=subject.alarm,
            kind=subject.kind,
            priority=subject.priority,
            event=event,
            before=before,
            after=entry.state,
            at_us=at_us,
            found_us=found_us,
            text=entry.text,
            value=entry.value,
            limit=entry.limit,
            unit=entry.unit,
            by=by,
            comment=comment,
            late=late,
            location=subject.location,
            sensor=subject.sensor,
            room=subject.room,
            area=subject.area,
        )

    def to_state(self) -> list[Any]:
        """Plain values for a snapshot."""
        return [
            [
                e.subject.alarm,
                e.subject.kind,
                e.subject.priority.value,
                e.subject.location,
                e.subject.sensor,
                e.subject.room,
                e.subject.area,
                e.state.value,
                e.text,
                e.value,
                e.limit,
                e.unit,
            ]
            for _, e in sorted(self.entries.items())
        ]

    @classmethod
    def from_state(cls, state: list[Any]) -> AlarmBook:
        """The book that `to_state` took apart."""
        book = cls()
        for alarm, kind, priority, location, sensor, room, area, where, text, value, limit, unit in state:
            subject = Subject(alarm, kind, Priority(priority), location, sensor, room, area)
            book.entries[alarm] = Entry(subject, State(where), text, value, limit, unit)
        return book


__all__ = ["AlarmBook", "Entry", "RefusedError", "Subject"]
