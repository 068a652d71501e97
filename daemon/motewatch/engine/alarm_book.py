"""The alarms of the site: which there are, where each stands, and what is said when one changes.

The book applies lifecycle events to alarms and turns each accepted step into an `AlarmChanged`. It decides nothing
about air, delays or people: callers say "this condition starts" and "this condition ends". An alarm exists from its
first start on; one that is normal again stays in the book, because its next start is the same alarm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import astuple, dataclass, field, replace
from typing import Any, Final

from motewatch.alarms.lifecycle import HIDDEN, STANDING, Event, RefusedError, State, step
from motewatch.alarms.rationalisation import Advisor
from motewatch.engine.alarm_rules import AlarmRules
from motewatch.engine.records import AlarmChanged, Priority
from motewatch.engine.subject import Subject

_WAYS_OUT: Final = {
    State.SHELVED: (Event.UNSHELVE_ACTIVE, Event.UNSHELVE_NORMAL, Event.UNSHELVE_SUPPRESSED),
    State.SUPPRESSED_BY_DESIGN: (Event.UNSUPPRESS_ACTIVE, Event.UNSUPPRESS_NORMAL, Event.SUPPRESS),
    State.OUT_OF_SERVICE: (
        Event.RETURN_TO_SERVICE_ACTIVE,
        Event.RETURN_TO_SERVICE_NORMAL,
        Event.RETURN_TO_SERVICE_SUPPRESSED,
    ),
}
"""How each hidden state is left: its condition holds, it does not, or design logic hides the alarm on."""


@dataclass(frozen=True, slots=True)
class Why:
    """Why an alarm is hidden. Empty for one that is not."""

    reason: str = ""
    rule: str = ""
    """Id of the suppression."""
    explained_by: str = ""
    """Id of the alarm that explains it; empty where a room's occupancy does."""
    until_us: int | None = None
    permit: str = ""
    by: str = ""


NOTHING: Final = Why()


@dataclass(slots=True)
class Entry:
    """One alarm's present state, with the last value said about it."""

    subject: Subject
    state: State = State.NORMAL
    text: str = ""
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    condition: bool = False
    """Does the condition hold? Apart from the state, because a hidden alarm goes on being evaluated."""
    held: bool = False
    """Of a hidden alarm that latches: it was active, so it must be reset once it is seen again."""
    since_us: int = 0
    """The engine's time of the last step."""
    began_us: int = 0
    """When the condition began, last."""
    why: Why = field(default_factory=lambda: NOTHING)
    """Of a hidden alarm: why."""


@dataclass(slots=True)
class AlarmBook:
    """All alarms by id."""

    entries: dict[str, Entry] = field(default_factory=dict)
    advisor: Advisor | None = None
    """The configuration's, and not part of the state: a priority that the site states takes hold at the next start."""
    rules: AlarmRules = field(default_factory=AlarmRules)
    """The configuration's too."""
    explains: Callable[[Subject], Why | None] = lambda subject: None
    """Asks the design logic whether it hides an alarm now. Not part of the state."""
    changes: int = 0
    """Grows with each step. Not part of the state."""

    def active(self, alarm: str) -> bool:
        """Does the alarm's condition hold, as far as the book was told?"""
        entry = self.entries.get(alarm)
        return entry is not None and entry.condition

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
        if entry.condition:
            return []
        entry.subject = self._prioritised(subject)
        entry.text, entry.value, entry.limit, entry.unit = text, value, limit, unit
        entry.began_us = at_us
        said = []
        if entry.state in (State.NORMAL, State.RETURNED_UNACKNOWLEDGED):
            why = self.explains(entry.subject)
            if why is not None:
                # Hidden before it starts: nobody is to be told first.
                said.append(self.suppress(entry, why, at_us, found_us))
        entry.condition = True
        entry.held = entry.state in HIDDEN and (entry.held or self.rules.treatment(entry.subject).latched)
        return [*said, self._change(entry, Event.STARTS, at_us, found_us, late=late)]

    def returns(
        self, alarm: str, at_us: int, found_us: int, text: str, value: float | None = None, late: bool = False
    ) -> list[AlarmChanged]:
        """The condition ended at `at_us`. Says nothing when the alarm is not active."""
        entry = self.entries.get(alarm)
        if entry is None or not entry.condition:
            return []
        entry.text = text
        entry.value = value
        entry.condition = False
        latches = entry.state not in HIDDEN and self.rules.treatment(entry.subject).latched
        event = Event.RETURNS_LATCHED if latches else Event.RETURNS
        return [self._change(entry, event, at_us, found_us, late=late)]

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

    def reset(self, alarm: str, at_us: int, by: str, comment: str) -> AlarmChanged:
        """A person lets a latched alarm go. Raises KeyError or `RefusedError` (it is not latched)."""
        return self._change(self.entries[alarm], Event.RESET, at_us, at_us, by=by, comment=comment)

    def re_alarm(self, alarm: str, at_us: int, found_us: int) -> list[AlarmChanged]:
        """Acknowledged and still active after the re-alarm time: unacknowledged again. Else nothing."""
        entry = self.entries.get(alarm)
        if entry is None or entry.state is not State.ACKNOWLEDGED:
            return []
        wait_us = self.rules.treatment(entry.subject).re_alarm_us
        if wait_us is None or entry.since_us + wait_us > at_us:
            return []
        return [self._change(entry, Event.RE_ALARM, at_us, found_us)]

    def shelve(self, alarm: str, at_us: int, until_us: int, by: str, comment: str) -> AlarmChanged:
        """A person hides the alarm for a while. Raises KeyError or `RefusedError`."""
        why = Why(reason=comment, until_us=until_us, by=by)
        return self._hide(self.entries[alarm], Event.SHELVE, why, at_us, at_us, comment)

    def remove_from_service(self, alarm: str, at_us: int, permit: str, by: str, comment: str) -> AlarmChanged:
        """A person takes the alarm out of service under a permit. Raises KeyError or `RefusedError`."""
        why = Why(reason=comment, permit=permit, by=by)
        return self._hide(self.entries[alarm], Event.REMOVE_FROM_SERVICE, why, at_us, at_us, comment)

    def suppress(self, entry: Entry, why: Why, at_us: int, found_us: int) -> AlarmChanged:
        """Design logic hides the alarm. Raises `RefusedError`."""
        return self._hide(entry, Event.SUPPRESS, why, at_us, found_us)

    def unhide(
        self, alarm: str, hidden: State, at_us: int, found_us: int, by: str = "", comment: str = ""
    ) -> list[AlarmChanged]:
        """The alarm leaves this hidden state: unacknowledged if its condition holds, suppressed if design logic wants
        it, else normal; one that latches and was active comes out latched. Raises KeyError or `RefusedError`."""
        entry = self.entries[alarm]
        active, normal, suppressed = _WAYS_OUT[hidden]
        if entry.state is not hidden:
            raise RefusedError(entry.state, normal)
        why = self.explains(entry.subject)
        if why is not None and (entry.condition or entry.held):
            return [self._hide(entry, suppressed, why, at_us, found_us, comment, by)]
        held, entry.held, entry.why = entry.held, False, NOTHING
        if not entry.condition and not held:
            return [self._change(entry, normal, at_us, found_us, by=by, comment=comment)]
        said = [self._change(entry, active, at_us, found_us, by=by, comment=comment)]
        if not entry.condition:
            said.append(self._change(entry, Event.RETURNS_LATCHED, at_us, found_us))
        return said

    def hidden(self, alarm: str, state: State) -> Entry | None:
        """The alarm's entry while it is in this hidden state."""
        entry = self.entries.get(alarm)
        return entry if entry is not None and entry.state is state else None

    def _hide(
        self, entry: Entry, event: Event, why: Why, at_us: int, found_us: int, comment: str = "", by: str = ""
    ) -> AlarmChanged:
        before = entry.state
        step(before, event)  # may refuse, and then nothing must have changed
        if before not in HIDDEN:
            latched = before in (State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED)
            entry.held = latched or (entry.condition and self.rules.treatment(entry.subject).latched)
        entry.why = why
        return self._change(entry, event, at_us, found_us, by=by or why.by, comment=comment)

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
        entry.since_us = found_us
        self.changes += 1
        subject, why = entry.subject, entry.why
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
            active=entry.condition if entry.state in HIDDEN else None,
            until_us=why.until_us,
            hidden_because=why.reason,
            permit=why.permit,
            hidden_by=why.by,
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
                e.condition,
                e.held,
                e.since_us,
                e.began_us,
                None if e.why is NOTHING else list(astuple(e.why)),
            ]
            for _, e in sorted(self.entries.items())
        ]

    @classmethod
    def from_state(cls, state: list[Any]) -> AlarmBook:
        """The book that `to_state` took apart."""
        book = cls()
        for about, said, why in ((plain[:7], plain[7:16], plain[16]) for plain in state):
            alarm, kind, priority, *place = about
            where, *rest = said
            entry = Entry(Subject(alarm, kind, Priority(priority), *place), State(where), *rest)
            entry.why = NOTHING if why is None else Why(*why)
            book.entries[alarm] = entry
        return book


__all__ = ["AlarmBook", "Entry", "RefusedError"]
