"""Calls to persons within the engine: a case for each alarm that wants somebody, told, climbed, handed over, closed.

Each step of an alarm that the book has said is looked at once (`settle`): it opens a case, ends the climb, or closes
the case. Deadlines take the steps (`callout.escalation` decides who), and what falls to one person at one instant
becomes one message (`call_teller`). The outcome of a call comes back as an input: where a way failed, the next is
tried, and where all failed, the climb goes on at once. That nobody was reached is an alarm (`call_nobody`), and so is
a rota with nobody on call (`rota_watch`); neither of them is a case that leads to itself.

After a time in which nothing could be told (`Resumed`) no step is taken earlier than the end of that time, and the
waits count from there: nobody is pressed for not answering a call that was never made.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from motewatch.alarms.lifecycle import HIDDEN, Event, State
from motewatch.callout.escalation import Call, Case, Contact, Stage, acknowledge, over
from motewatch.callout.gathering import News
from motewatch.callout.ladders import Ladder
from motewatch.callout.outlook import CaseNow
from motewatch.callout.records import Cause, Delivered
from motewatch.engine.agenda import Due
from motewatch.engine.call_book import NOBODY_KIND, CallBook, CallPlan
from motewatch.engine.call_nobody import NobodyReached
from motewatch.engine.call_teller import CallTeller
from motewatch.engine.desk import Desk
from motewatch.engine.hand_over import HandOver
from motewatch.engine.records import AlarmChanged, Resumed
from motewatch.engine.rota_watch import RotaWatch
from motewatch.engine.subject import NOBODY_ALARM, gap_alarm
from motewatch.site.models import Site


class CalloutDesk:
    """The cases, and how they go on."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._book = CallBook(desk)
        self._teller = CallTeller(self._book)
        self._nobody = NobodyReached(self._book, self._teller)
        self._hand_over = HandOver(self._book, self._teller)
        self._rotas = RotaWatch(self._book)
        self._ladders: dict[str, Ladder] = {}
        self._ladders_before: dict[str, Ladder] = {}
        """Those of the configuration before, to see which have changed."""
        self._looked = 0
        """How many of the desk's outputs have been looked at."""

    # Configuration

    def know(self, site: Site) -> None:
        """The configuration in force; after a restore too."""
        plan = self._book.plan = CallPlan.of(site)
        self._ladders_before, self._ladders = self._ladders, plan.ladders.by_id
        self._teller.know(site.callout)

    @property
    def calls_somebody(self) -> bool:
        """Does the site call anybody?"""
        return bool(self._ladders)

    def cases(self) -> tuple[CaseNow, ...]:
        """The cases as they stand, to be handed to others."""
        ladders = self._ladders
        return tuple(
            CaseNow.of(case, ladders[case.ladder])
            for _, case in sorted(self._book.cases.items())
            if case.ladder in ladders
        )

    def configured(self) -> None:
        """A configuration has taken effect: cases go on by it, and what stands without a case may want one."""
        for _, case in sorted(self._book.cases.items()):
            self._go_on(case)
        if self._ladders:
            for alarm, entry in sorted(self._desk.book.entries.items()):
                if entry.state is State.UNACKNOWLEDGED and alarm not in self._book.cases:
                    self._open(alarm, "")
        self._teller.configured()
        for rota in self._book.plan.ladders.rotas:
            self._rota_changes(rota, self._desk.time_us, silent=not self._rotas.knows(rota))
        self._rotas.configured()
        self._nobody.look_again()

    def _go_on(self, case: Case) -> None:
        """By the configuration that has taken effect."""
        now_us, persons = self._desk.time_us, self._book.plan.roster.persons
        ladder = self._ladders.get(case.ladder) or self._book.match(case.priority, case.alarm)
        if ladder is None:
            del self._book.cases[case.alarm]
            return
        if ladder.id != case.ladder:
            case.base_us = now_us
        before = self._ladders_before.get(case.ladder)
        gone = case.contacts.keys() - persons.keys()
        case.contacts = {person: contact for person, contact in case.contacts.items() if person in persons}
        case.waiting = {person: cause for person, cause in case.waiting.items() if person in persons}
        nobody_left = bool(gone) and all(contact is Contact.FAILED for contact in case.contacts.values())
        if ladder.id != case.ladder or before is None or ladder.rungs != before.rungs or nobody_left:
            case.climb_anew(ladder)
        elif ladder.repeat_us != before.repeat_us and case.stage is Stage.OPEN and case.steps >= len(ladder.rungs):
            case.repeat_us = None if ladder.repeat_us is None else now_us + ladder.repeat_us
        self._book.enter(case, ladder)

    def holds(self, alarm: str) -> bool:
        """Is this an alarm of the callout that the configuration still has?"""
        if alarm == NOBODY_ALARM:
            return bool(self._ladders)
        return any(alarm == gap_alarm(rota) for rota in self._book.plan.ladders.rotas)

    # What the book says

    def settle(self) -> None:
        """Look at the steps of alarms since the last time."""
        outputs = self._desk.outputs
        while self._looked < len(outputs):
            output = outputs[self._looked]
            self._looked += 1
            if isinstance(output, AlarmChanged) and output.kind != NOBODY_KIND:
                self._changed(output)

    def taken(self) -> None:
        """The desk's outputs were taken away."""
        self._looked = 0

    def _changed(self, change: AlarmChanged) -> None:
        texts = self._book.plan.texts
        case = self._book.cases.get(change.alarm)
        if change.after is State.UNACKNOWLEDGED:
            if self._ladders:
                self._teller.observe()
            self._open(change.alarm, texts.remark(change))
            return
        if case is None:
            return
        was = case.stage
        if change.after in HIDDEN:
            if change.before not in HIDDEN:
                self._teller.news(case, acknowledge(case), News.TAKEN, texts.hidden(change), change)
            del self._book.cases[change.alarm]
        elif change.event is Event.ACKNOWLEDGE:
            if was is Stage.OPEN:
                self._teller.news(case, acknowledge(case), News.TAKEN, texts.taken(change), change)
        elif change.after is not State.ACKNOWLEDGED:
            told = over(case, self._desk.time_us)
            self._teller.news(case, told, News.RETURNED, texts.returned(change), change)
        if change.after is State.NORMAL:
            self._book.cases.pop(change.alarm, None)
        self._nobody.look_again()

    def _open(self, alarm: str, remark: str) -> None:
        subject = self._desk.book.entries[alarm].subject
        if subject.kind == NOBODY_KIND:
            return
        self._teller.opens(alarm)
        priority, now_us = subject.priority.value, self._desk.time_us
        ladder = self._book.match(priority, alarm)
        if ladder is None:
            self._book.cases.pop(alarm, None)
            return
        case = self._book.cases[alarm] = Case(alarm, priority, ladder.id, now_us, now_us, remark=remark)
        self._nobody.look_again()
        self._book.enter(case, ladder)

    # Deadlines

    def step_due(self, alarm: str, at_us: int) -> None:
        """A step of a case may be due."""
        case, ladder = self._book.case(alarm)
        if case is None or ladder is None:
            return
        if at_us < self._book.not_before_us:
            case.shift(ladder, self._book.not_before_us)
        due_us = case.next_step_us(ladder)
        if due_us is None:
            return
        if due_us <= at_us:
            self._call(case, ladder, self._book.plan.climber.climb(case, ladder, at_us), at_us)
        self._book.enter(case, ladder)

    def repeat_due(self, alarm: str, at_us: int) -> None:
        """Everyone who was told may have to be told again."""
        case, ladder = self._book.case(alarm)
        if case is None or ladder is None or case.repeat_us is None or case.repeat_us > at_us:
            return
        if at_us < self._book.not_before_us:
            case.repeat_us = self._book.not_before_us
        else:
            self._call(case, ladder, self._book.plan.climber.repeat(case, ladder, at_us), at_us)
        self._book.enter(case, ladder)

    def nobody_due(self, alarm: str, at_us: int) -> None:
        """The time to acknowledge after the last step may be over."""
        case, ladder = self._book.case(alarm)
        if case is None or ladder is None or case.nobody_us is None or case.nobody_us > at_us:
            return
        climber = self._book.plan.climber
        if at_us < self._book.not_before_us:
            case.nobody_us = self._book.not_before_us + climber.nobody_after_us
            self._book.enter(case, ladder)
            return
        climber.nobody_answered(case)
        self._nobody.look(case, at_us)

    def quiet_due(self, person: str, at_us: int) -> None:
        """The quiet hours of a person may have ended."""
        if self._book.too_early(Due.QUIET_OVER, person, at_us):
            return
        climber = self._book.plan.climber
        for alarm in sorted(self._book.cases):
            case, ladder = self._book.case(alarm)
            if case is not None and ladder is not None and person in case.waiting:
                self._call(case, ladder, climber.quiet_over(case, ladder, person, at_us), at_us)
                self._book.enter(case, ladder)

    def rota_due(self, rota: str, at_us: int) -> None:
        """Who is on call in a rota may change."""
        if self._rotas.knows(rota) and not self._book.too_early(Due.ROTA, rota, at_us):
            self._rota_changes(rota, at_us)

    def flush_due(self, person: str, at_us: int) -> None:
        """What was gathered for a person is told."""
        if not self._book.too_early(Due.CALL_FLUSH, person, at_us):
            for bundle in self._teller.flush(person, at_us, lambda alarm: self._nobody.tells_now(person, alarm)):
                self._failed(person, self._wanting(bundle.alarms))

    def tell_nobody_due(self, at_us: int) -> None:
        """Everybody is told for whom nobody was reached."""
        self._nobody.due(at_us)

    def resumed(self, resumed: Resumed) -> None:
        """Nothing could be told until an instant that the engine has yet to reach."""
        self._book.not_before_us = max(self._book.not_before_us, resumed.until_us)

    def delivered(self, delivered: Delivered) -> None:
        """What became of a call; of one that is not ours nothing follows here."""
        out = self._teller.delivered(delivered)
        if out is None:
            return
        wanting = self._wanting(out.alarms)
        if out.way + 1 < self._book.plan.ways(out.person):
            now_us = self._desk.time_us
            for alarm in wanting:
                self._teller.gather(out.person, out.way + 1, out.news, out.note, alarm, Cause.OTHER_WAY, now_us)
            return
        self._failed(out.person, wanting)

    def _wanting(self, alarms: Iterable[str]) -> list[str]:
        """Those of the alarms for which somebody is still wanted."""
        return [
            alarm
            for alarm in alarms
            if (case := self._book.cases.get(alarm)) is not None and (case.stage is Stage.OPEN or case.momentary)
        ]

    def _failed(self, person: str, alarms: Iterable[str]) -> None:
        """No way to the person worked."""
        now_us = self._desk.time_us
        for alarm in alarms:
            case, ladder = self._book.case(alarm)
            if case is not None and ladder is not None:
                self._call(case, ladder, self._book.plan.climber.failed(case, ladder, person, now_us), now_us)
                self._book.enter(case, ladder)

    # Who is told

    def _call(self, case: Case, ladder: Ladder, calls: Iterable[Call], at_us: int) -> None:
        plan = self._book.plan
        for person, cause in calls:
            if plan.ways(person) == 0:
                # The checks refuse it; a person without a way is one who cannot be reached.
                self._call(case, ladder, plan.climber.failed(case, ladder, person, at_us), at_us)
                continue
            note = self._hand_over.sentence(ladder, person, at_us) if cause is Cause.HANDED_OVER else ""
            news = News.HAND_OVER if note else News.CALL
            self._teller.gather(person, 0, news, note, case.alarm, cause, at_us)
        self._nobody.look(case, at_us)

    def _rota_changes(self, rota: str, at_us: int, *, silent: bool = False) -> None:
        coming = self._rotas.changes(rota, at_us)
        if coming and not silent:
            # The gap that has just ended is no longer open, and is not handed over.
            self.settle()
            for person in coming:
                self._hand_over.tell(rota, person, at_us)

    # Snapshots

    def to_state(self) -> dict[str, Any]:
        """Plain values for a snapshot."""
        return {
            "cases": [case.to_state() for case in self._book.cases.values()],
            **self._teller.to_state(),
            "on": self._rotas.to_state(),
            "not_before_us": self._book.not_before_us,
            "tell_nobody_us": self._nobody.tell_us,
        }

    def from_state(self, state: dict[str, Any]) -> None:
        """Take back what `to_state` took apart; `know` has been called before."""
        cases = (Case.from_state(plain) for plain in state["cases"])
        self._book.cases = {case.alarm: case for case in cases}
        self._teller.from_state(state)
        self._rotas.from_state(state["on"])
        self._book.not_before_us = state["not_before_us"]
        self._nobody.tell_us = state["tell_nobody_us"]
