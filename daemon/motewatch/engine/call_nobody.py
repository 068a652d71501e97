"""Nobody was reached: the highest alarm there is, and everybody told over every way.

The first cases of an instant are told of at once, those that join later together. It is over when somebody was
reached for every case, or the alarms are over. It never opens a case of its own.
"""

from __future__ import annotations

from motewatch.callout.escalation import Case, Contact
from motewatch.callout.gathering import News
from motewatch.callout.records import Cause
from motewatch.engine.agenda import Due
from motewatch.engine.call_book import NOBODY_KIND, CallBook
from motewatch.engine.call_teller import CallTeller, Out
from motewatch.engine.records import Priority
from motewatch.engine.subject import NOBODY_ALARM, Subject


class NobodyReached:
    """Watches over cases for which nobody was reached."""

    def __init__(self, book: CallBook, teller: CallTeller) -> None:
        self._book = book
        self._teller = teller
        self.tell_us: int | None = None
        """When everybody is told."""

    def look(self, case: Case, at_us: int) -> None:
        """Is it a case more for which nobody was reached?"""
        if not case.unreached or case.announced:
            return
        case.announced = True
        desk = self._book.desk
        text = self._book.plan.texts.nobody(sum(each.unreached for each in self._book.cases.values()))
        subject = Subject(NOBODY_ALARM, NOBODY_KIND, Priority.HIGH)
        started = desk.book.starts(subject, at_us, desk.time_us, text)
        desk.say(started)
        # The first are told of at once, with all of the same instant; those that join are told of together later.
        self._tell_at(desk.time_us if started else desk.time_us + self._book.plan.climber.nobody_after_us)

    def look_again(self) -> None:
        """The alarm is over when somebody was reached for every case."""
        desk = self._book.desk
        if desk.book.active(NOBODY_ALARM) and not any(case.unreached for case in self._book.cases.values()):
            text = "somebody has answered, or the alarms are over"
            desk.say(desk.book.returns(NOBODY_ALARM, desk.time_us, desk.time_us, text))

    def due(self, at_us: int) -> None:
        """Everybody is told for whom nobody was reached."""
        if self.tell_us is None or self.tell_us > at_us:
            return
        self.tell_us = None
        if at_us < self._book.not_before_us:
            self._tell_at(self._book.not_before_us)
            return
        self._tell_everybody(at_us)

    def _tell_at(self, at_us: int) -> None:
        if self.tell_us is None or at_us < self.tell_us:
            self.tell_us = at_us
            self._book.desk.agenda.enter(at_us, Due.TELL_NOBODY, "")

    def tells_now(self, person: str, alarm: str) -> bool:
        """Is the person told at this instant that nobody was reached for the alarm?"""
        now_us, case = self._book.desk.time_us, self._book.cases.get(alarm)
        due = self.tell_us is not None and self._book.not_before_us <= now_us and self.tell_us <= now_us
        return due and case is not None and case.unreached and person in self._persons(self._unreached(), now_us)

    def _unreached(self) -> list[Case]:
        return [case for _, case in sorted(self._book.cases.items()) if case.unreached]

    def _persons(self, unreached: list[Case], at_us: int) -> list[str]:
        """Whoever is told: everybody; in quiet hours only where one of high priority is among those."""
        roster, entries = self._book.plan.roster, self._book.desk.book.entries
        urgent = any(entries[case.alarm].subject.priority is Priority.HIGH for case in unreached)
        return [p for p in sorted(roster.persons) if urgent or roster.quiet_until_us(p, at_us) is None]

    def _tell_everybody(self, at_us: int) -> None:
        unreached = self._unreached()
        if not unreached:
            return
        plan, entries = self._book.plan, self._book.desk.book.entries
        facts = plan.texts.facts(entries[case.alarm] for case in unreached)
        note = plan.texts.nobody(len(unreached))
        for person in self._persons(unreached, at_us):
            for way in range(plan.ways(person)):
                out = Out(person, way, News.TAKEN, "")
                self._teller.say(out, Cause.NOBODY_REACHED, facts, note, at_us=at_us, wanted=True)
            if plan.ways(person):
                self._teller.drop_repeats(person, [case.alarm for case in unreached])
                for case in unreached:
                    case.contacts[person] = Contact.CALLED
