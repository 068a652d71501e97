"""Suppression by design: the site's rules hide alarms while something else explains them, and let them come back.

An alarm is hidden when it starts, or while it is active; one that is normal is left alone, because hiding it would tell
nobody anything, and so is one that is over and waits for a person. An alarm that is to explain others must itself be
seen by people: it is active and not hidden, or it is explained in turn by one that is. So rules in a circle hide
nothing for good, and no chain of explanations ends in an alarm that nobody can see.

Everything follows from the alarms, the rooms and the engine's time; deadlines are entered for the schedules' changes.
"""

from __future__ import annotations

from motewatch.alarms.lifecycle import ACTIVE, State
from motewatch.engine.agenda import Due
from motewatch.engine.alarm_book import Entry, Why
from motewatch.engine.alarm_rules import Hiding
from motewatch.engine.desk import Desk
from motewatch.engine.subject import Subject, sensor_alarm


class Suppressions:
    """Asks the rules, and moves alarms when the answer has changed."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._seen = -1
        self._idle = False
        desk.book.explains = self.why

    def configured(self) -> None:
        """A configuration has taken effect."""
        desk = self._desk
        if any(hiding.occupancy for hiding in desk.plan.alarm_rules.hidings):
            for room in desk.plan.rooms:
                self._watch(room)
        self._seen = -1
        self._idle = False

    def occupancy_due(self, room: str) -> None:
        """A room's schedule may have changed its state."""
        if room in self._desk.plan.rooms:
            self._watch(room)
            self._seen = -1

    def occupancy_stated(self) -> None:
        """A person stated the occupancy of a room."""
        self._seen = -1

    def settle(self) -> None:
        """Let every alarm be where the rules want it, if anything has changed since the last time."""
        book = self._desk.book
        if self._idle:
            return
        rounds = 0
        while self._seen != book.changes and rounds <= len(book.entries) + 1:
            self._seen = book.changes
            rounds += 1
            for alarm in sorted(book.entries):
                self._settle(alarm, book.entries[alarm])
        # Without rules nothing is suppressed from here on, and looking at every alarm at each step would cost.
        self._idle = not self._desk.plan.alarm_rules.hidings

    def why(self, subject: Subject) -> Why | None:
        """Why design logic hides this alarm now, or None."""
        for hiding in self._desk.plan.alarm_rules.hidings:
            if not hiding.scope.holds(subject):
                continue
            found = self._cause(hiding, subject)
            if found is not None:
                return Why(hiding.reason, hiding.id, found)
        return None

    def _settle(self, alarm: str, entry: Entry) -> None:
        desk = self._desk
        now_us = desk.time_us
        if entry.state is State.SUPPRESSED_BY_DESIGN:
            why = self.why(entry.subject)
            if why is None:
                desk.say(desk.book.unhide(alarm, State.SUPPRESSED_BY_DESIGN, now_us, now_us))
            elif why != entry.why:
                desk.say([desk.book.suppress(entry, why, now_us, now_us)])
        elif entry.state in ACTIVE:
            why = self.why(entry.subject)
            if why is not None:
                desk.say([desk.book.suppress(entry, why, now_us, now_us)])

    def _cause(self, hiding: Hiding, subject: Subject) -> str | None:
        """The alarm that explains this one (empty: the room's occupancy does), or None."""
        desk = self._desk
        if hiding.occupancy:
            room = subject.room
            known = room is not None and room in desk.plan.rooms
            return "" if known and desk.occupancy(room or "", desk.time_us) in hiding.occupancy else None
        if hiding.upstream is not None:
            entries = desk.book.entries
            for alarm in sorted(entries):
                if hiding.upstream.holds(entries[alarm].subject) and self._explains(alarm, subject.alarm):
                    return alarm
            return None
        if subject.sensor is None:
            return None
        for word in hiding.sensor:
            alarm = sensor_alarm(subject.sensor, word)
            if self._explains(alarm, subject.alarm):
                return alarm
        return None

    def _explains(self, alarm: str, other: str) -> bool:
        """Is this alarm active, and do people see it or the one that explains it, without coming back to `other`?"""
        entries = self._desk.book.entries
        seen = {other}
        while alarm not in seen:
            seen.add(alarm)
            entry = entries.get(alarm)
            if entry is None or not entry.condition:
                return False
            if entry.state in ACTIVE:
                return True
            if entry.state is not State.SUPPRESSED_BY_DESIGN or not entry.why.explained_by:
                return False
            alarm = entry.why.explained_by
        return False

    def _watch(self, room: str) -> None:
        desk = self._desk
        next_us = desk.rooms[room].next_change_us(desk.plan.rooms[room], desk.time_us)
        if next_us is not None:
            desk.agenda.enter(next_us, Due.OCCUPANCY, room)
