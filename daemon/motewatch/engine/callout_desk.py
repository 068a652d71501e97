"""Calls to persons within the engine: a case for each alarm that wants somebody, told, climbed, handed over, closed.

Each step of an alarm that the book has said is looked at once (`settle`): it opens a case, ends the climb, or closes
the case. Deadlines take the steps (`callout.escalation` decides who), and what falls to one person at one instant
becomes one message (`callout.gathering`). The outcome of a call comes back as an input: where a way failed, the next
is tried, and where all failed, the climb goes on at once. That nobody was reached is an alarm, and so is a rota with
nobody on call; neither of them is a case that leads to itself.

After a time in which nothing could be told (`Resumed`) no step is taken earlier than the end of that time, and the
waits count from there: nobody is pressed for not answering a call that was never made.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Final

from motewatch.alarms.flood import FLOOD_FEWER_THAN, Flood
from motewatch.alarms.lifecycle import HIDDEN, Event, State
from motewatch.callout.escalation import Call, Case, Climber, Contact, Stage, acknowledge, open_cases, over
from motewatch.callout.gathering import GATHER_US, WANTED, Bundle, News, Tray
from motewatch.callout.ladders import Ladder, Ladders
from motewatch.callout.records import Cause, Delivered, Fact, Outcome, Told
from motewatch.callout.roster import Roster
from motewatch.engine.agenda import Due
from motewatch.engine.call_texts import CallTexts
from motewatch.engine.desk import Desk
from motewatch.engine.records import AlarmChanged, Priority, Resumed
from motewatch.engine.subject import NOBODY_ALARM, Subject, gap_alarm
from motewatch.site.models import Site
from motewatch.wire.records import MINUTE_US

NOBODY_KIND: Final = "callout-nobody-reached"
GAP_KIND: Final = "callout-gap"


@dataclass(frozen=True, slots=True)
class _Out:
    """A call that was handed to a channel and whose outcome is not known yet."""

    person: str
    way: int
    news: News
    note: str
    alarms: tuple[str, ...]


class CalloutDesk:
    """The cases, what waits to be told, and what the configuration says of both."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._cases: dict[str, Case] = {}
        self._tray = Tray()
        self._out: dict[str, _Out] = {}
        self._worked: dict[str, int] = {}
        """Number of the way over which something was delivered to a person last."""
        self._on: dict[str, tuple[str, ...]] = {}
        """Who is on call in each rota that an escalation names."""
        self._flood = Flood()
        self._ladders = Ladders({})
        self._ladders_before: dict[str, Ladder] = {}
        """Those of the configuration before, to see which have changed."""
        self._serial = 0
        self._not_before_us = 0
        self._tell_nobody_us: int | None = None
        self._looked = 0
        """How many of the desk's outputs have been looked at."""

    # Configuration

    def know(self, site: Site) -> None:
        """The configuration in force; after a restore too."""
        settings = site.callout
        self._ladders_before = self._ladders.by_id
        self._ladders = Ladders.of(site)
        self._roster = Roster.of(site)
        self._texts = CallTexts.of(site)
        self._ids = {said.casefold(): person.id for person in site.persons for said in (person.name, person.id)}
        self._climber = Climber(self._roster, round(settings.nobody_after_min * MINUTE_US))
        self._nobody_after_us = self._climber.nobody_after_us
        more_than = settings.flood_alarms
        fewer_than = max(1, min(FLOOD_FEWER_THAN, more_than // 2))
        window_us = round(settings.flood_min * MINUTE_US)
        self._flood = Flood.from_state(self._flood.to_state(), more_than, fewer_than, window_us)

    @property
    def calls_somebody(self) -> bool:
        """Does the site call anybody?"""
        return bool(self._ladders.by_id)

    def configured(self) -> None:
        """A configuration has taken effect: cases go on by it, and what stands without a case may want one."""
        now_us = self._desk.time_us
        persons = self._roster.persons
        for alarm, case in sorted(self._cases.items()):
            ladder = self._ladders.by_id.get(case.ladder) or self._match(case.priority, alarm)
            if ladder is None:
                del self._cases[alarm]
                continue
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
            self._enter(case, ladder)
        if self._ladders.by_id:
            for alarm, entry in sorted(self._desk.book.entries.items()):
                if entry.state is State.UNACKNOWLEDGED and alarm not in self._cases:
                    self._open(alarm, "")
        self._tray.drop(self._cases.__contains__)
        for rota in self._ladders.rotas:
            known = rota in self._on
            self._rota_changes(rota, now_us, silent=not known)
        self._on = {rota: on for rota, on in self._on.items() if rota in self._ladders.rotas}
        self._see_to_nobody()

    def holds(self, alarm: str) -> bool:
        """Is this an alarm of the callout that the configuration still has?"""
        if alarm == NOBODY_ALARM:
            return bool(self._ladders.by_id)
        return any(alarm == gap_alarm(rota) for rota in self._ladders.rotas)

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
        case = self._cases.get(change.alarm)
        if change.after is State.UNACKNOWLEDGED:
            if self._ladders.by_id:
                self._flood.observe(self._desk.time_us)
            self._open(change.alarm, self._texts.remark(change))
            return
        if case is None:
            return
        was = case.stage
        if change.after in HIDDEN:
            if change.before not in HIDDEN:
                self._news(case, acknowledge(case), News.TAKEN, self._texts.hidden(change), change)
            del self._cases[change.alarm]
        elif change.event is Event.ACKNOWLEDGE:
            if was is Stage.OPEN:
                self._news(case, acknowledge(case), News.TAKEN, self._texts.taken(change), change)
        elif change.after is not State.ACKNOWLEDGED:
            self._news(case, over(case, self._desk.time_us), News.RETURNED, self._texts.returned(change), change)
        if change.after is State.NORMAL:
            self._cases.pop(change.alarm, None)
        self._see_to_nobody()

    def _open(self, alarm: str, remark: str) -> None:
        entry = self._desk.book.entries[alarm]
        if entry.subject.kind == NOBODY_KIND:
            return
        # "Taken" or "returned" that still wait are of the case before, and would mislead now.
        self._tray.drop_news(alarm)
        self._forget_calls(alarm)
        priority, now_us = entry.subject.priority.value, self._desk.time_us
        ladder = self._match(priority, alarm)
        if ladder is None:
            self._cases.pop(alarm, None)
            return
        case = self._cases[alarm] = Case(alarm, priority, ladder.id, now_us, now_us, remark=remark)
        self._see_to_nobody()
        self._enter(case, ladder)

    def _forget_calls(self, alarm: str) -> None:
        """Calls under way are of the case before: that one fails says nothing of whether this one's was heard."""
        for id_, out in self._out.items():
            if alarm in out.alarms:
                self._out[id_] = replace(out, alarms=tuple(each for each in out.alarms if each != alarm))

    def _match(self, priority: str, alarm: str) -> Ladder | None:
        entry = self._desk.book.entries.get(alarm)
        area = None if entry is None else entry.subject.area
        return self._ladders.for_alarm(priority, area, self._desk.time_us)

    # Deadlines

    def step_due(self, alarm: str, at_us: int) -> None:
        """A step of a case may be due."""
        case, ladder = self._case(alarm)
        if case is None or ladder is None:
            return
        if at_us < self._not_before_us:
            case.shift(ladder, self._not_before_us)
        due_us = case.next_step_us(ladder)
        if due_us is None:
            return
        if due_us <= at_us:
            self._call(case, ladder, self._climber.climb(case, ladder, at_us), at_us)
        self._enter(case, ladder)

    def repeat_due(self, alarm: str, at_us: int) -> None:
        """Everyone who was told may have to be told again."""
        case, ladder = self._case(alarm)
        if case is None or ladder is None or case.repeat_us is None or case.repeat_us > at_us:
            return
        if at_us < self._not_before_us:
            case.repeat_us = self._not_before_us
        else:
            self._call(case, ladder, self._climber.repeat(case, ladder, at_us), at_us)
        self._enter(case, ladder)

    def nobody_due(self, alarm: str, at_us: int) -> None:
        """The time to acknowledge after the last step may be over."""
        case, ladder = self._case(alarm)
        if case is None or ladder is None or case.nobody_us is None or case.nobody_us > at_us:
            return
        if at_us < self._not_before_us:
            case.nobody_us = self._not_before_us + self._nobody_after_us
            self._enter(case, ladder)
            return
        self._climber.nobody_answered(case)
        self._see_if_unreached(case, at_us)

    def quiet_due(self, person: str, at_us: int) -> None:
        """The quiet hours of a person may have ended."""
        if self._too_early(Due.QUIET_OVER, person, at_us):
            return
        for alarm in sorted(self._cases):
            case, ladder = self._case(alarm)
            if case is not None and ladder is not None and person in case.waiting:
                self._call(case, ladder, self._climber.quiet_over(case, ladder, person, at_us), at_us)
                self._enter(case, ladder)

    def rota_due(self, rota: str, at_us: int) -> None:
        """Who is on call in a rota may change."""
        if rota in self._on and not self._too_early(Due.ROTA, rota, at_us):
            self._rota_changes(rota, at_us)

    def flush_due(self, person: str, at_us: int) -> None:
        """What was gathered for a person is told."""
        if self._too_early(Due.CALL_FLUSH, person, at_us):
            return
        for bundle in self._tray.take(person, at_us):
            self._tell(bundle, at_us)

    def tell_nobody_due(self, at_us: int) -> None:
        """Everybody is told for whom nobody was reached."""
        if self._tell_nobody_us is None or self._tell_nobody_us > at_us:
            return
        self._tell_nobody_us = None
        if at_us < self._not_before_us:
            self._tell_nobody(self._not_before_us)
            return
        self._tell_everybody(at_us)

    def resumed(self, resumed: Resumed) -> None:
        """Nothing could be told until an instant that the engine has yet to reach."""
        self._not_before_us = max(self._not_before_us, resumed.until_us)

    def delivered(self, delivered: Delivered) -> None:
        """What became of a call; of one that is not ours nothing follows here."""
        out = self._out.pop(delivered.told, None)
        if out is None:
            return
        if delivered.outcome is Outcome.DELIVERED:
            self._worked[out.person] = out.way
            return
        if out.news not in WANTED:
            return
        now_us = self._desk.time_us
        wanting = [
            alarm
            for alarm in out.alarms
            if (case := self._cases.get(alarm)) is not None and (case.stage is Stage.OPEN or case.momentary)
        ]
        if not wanting:
            return
        if out.way + 1 < self._ways(out.person):
            for alarm in wanting:
                self._gather(out.person, out.way + 1, out.news, out.note, alarm, Cause.OTHER_WAY, now_us)
            return
        for alarm in wanting:
            case, ladder = self._case(alarm)
            if case is None or ladder is None:
                continue
            self._call(case, ladder, self._climber.failed(case, ladder, out.person, now_us), now_us)
            self._enter(case, ladder)

    # Telling

    def _call(self, case: Case, ladder: Ladder, calls: Iterable[Call], at_us: int) -> None:
        for person, cause in calls:
            if self._ways(person) == 0:
                # The checks refuse it; a person without a way is one who cannot be reached.
                self._call(case, ladder, self._climber.failed(case, ladder, person, at_us), at_us)
                continue
            self._gather(person, 0, News.CALL, "", case.alarm, cause, at_us)
        self._see_if_unreached(case, at_us)

    def _news(self, case: Case, persons: Iterable[str], news: News, note: str, change: AlarmChanged) -> None:
        cause = Cause.TAKEN if news is News.TAKEN else Cause.RETURNED
        by = self._ids.get(change.by.casefold())
        for person in persons:
            if person == by or self._tray.holds(person, case.alarm):
                # Whoever did it knows; whoever is still to be told hears how it stands by then.
                continue
            way = min(self._worked.get(person, 0), max(0, self._ways(person) - 1))
            self._gather(person, way, news, note, case.alarm, cause, self._desk.time_us)

    def _gather(self, person: str, way: int, news: News, note: str, alarm: str, cause: Cause, at_us: int) -> None:
        now_us = self._desk.time_us
        self._flood.expire(now_us)
        flood = self._flood.active
        flush_us = now_us + GATHER_US if flood else now_us
        held = self._tray.add(Bundle(person, way, news, note, at_us, flush_us, flood), alarm, cause)
        self._desk.agenda.enter(held.flush_us, Due.CALL_FLUSH, person)

    def _tell(self, bundle: Bundle, at_us: int) -> None:
        entries = self._desk.book.entries
        alarms = [alarm for alarm in bundle.alarms if alarm in entries and self._is_news(bundle, alarm)]
        for alarm in bundle.alarms.keys() - alarms:
            first_time = bundle.news is News.CALL and bundle.alarms[alarm] is not Cause.REPEATED
            if alarm in self._cases and first_time:
                # Taken before the person was told: there is nothing whose end would be news.
                self._cases[alarm].contacts.pop(bundle.person, None)
        if not alarms:
            return
        cause = bundle.cause(alarms)
        facts = self._texts.facts(entries[alarm] for alarm in alarms)
        many = len(alarms) > 1 and bundle.flood and bundle.news is News.CALL
        cases = [self._cases[alarm] for alarm in alarms if alarm in self._cases]
        note = bundle.note or self._texts.call_note(cause, cases, bundle.person)
        self._say(
            bundle.person,
            bundle.way,
            bundle.news,
            Cause.MANY if many else cause,
            facts,
            self._texts.many(len(alarms), note) if many else note,
            at_us=bundle.began_us,
            wanted=bundle.news in WANTED,
            kept_note=bundle.note,
        )

    def _is_news(self, bundle: Bundle, alarm: str) -> bool:
        """Is there still a reason to tell it?"""
        if bundle.news not in WANTED:
            return True
        case = self._cases.get(alarm)
        if case is None:
            return False
        # What was gathered in a flood and has returned since is told as what it was: nothing is dropped.
        return case.stage is not Stage.TAKEN or bundle.news is News.HAND_OVER

    def _say(
        self,
        person: str,
        way: int,
        news: News,
        cause: Cause,
        facts: tuple[Fact, ...],
        note: str,
        *,
        at_us: int,
        wanted: bool,
        kept_note: str = "",
    ) -> None:
        reach = self._roster.persons[person].reach if person in self._roster.persons else ()
        if way >= len(reach):
            return
        now_us = self._desk.time_us
        self._serial += 1
        id_ = f"call-{now_us // 1_000_000}-{self._serial}"
        entries = self._desk.book.entries
        answer = next((fact.alarm for fact in facts if self._unanswered(entries[fact.alarm].state)), "")
        self._desk.say(
            [
                Told(
                    id=id_,
                    at_us=at_us,
                    found_us=now_us,
                    cause=cause,
                    person=person,
                    channel=reach[way].channel,
                    address=reach[way].address,
                    urgent=wanted and any(fact.priority == Priority.HIGH.value for fact in facts),
                    facts=facts,
                    note=note,
                    answer=answer if wanted else "",
                )
            ]
        )
        self._out[id_] = _Out(person, way, news, kept_note, tuple(fact.alarm for fact in facts))

    @staticmethod
    def _unanswered(state: State) -> bool:
        return state in (State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED)

    # Rotas

    def _rota_changes(self, rota: str, at_us: int, *, silent: bool = False) -> None:
        desk = self._desk
        before = self._on.get(rota, ())
        now = self._on[rota] = self._roster.on_call(rota, at_us)
        next_us = self._roster.next_change_us(rota, at_us)
        if next_us is not None:
            desk.agenda.enter(next_us, Due.ROTA, rota)
        alarm = gap_alarm(rota)
        if not now:
            text = self._texts.gap(rota, next_us)
            subject = Subject(alarm, GAP_KIND, Priority.MEDIUM)
            desk.say(desk.book.starts(subject, at_us, desk.time_us, text))
            return
        desk.say(desk.book.returns(alarm, at_us, desk.time_us, self._texts.gap_over(rota, now)))
        if not silent:
            # The gap that has just ended is no longer open, and is not handed over.
            self.settle()
            for person in now:
                if person not in before:
                    self._hand_over(rota, person, at_us)

    def _hand_over(self, rota: str, person: str, at_us: int) -> None:
        note = self._texts.hand_over(rota)
        for case in open_cases(self._cases):
            ladder = self._ladders.by_id.get(case.ladder)
            if ladder is None or rota not in ladder.rotas or case.contacts.get(person) is Contact.CALLED:
                continue
            for told, cause in self._climber.tell(case, [person], Cause.HANDED_OVER, at_us):
                self._gather(told, 0, News.HAND_OVER, note, case.alarm, cause, at_us)
            self._enter(case, ladder)

    # Nobody

    def _see_if_unreached(self, case: Case, at_us: int) -> None:
        """Is it a case more for which nobody was reached?"""
        if not case.unreached or case.announced:
            return
        case.announced = True
        desk = self._desk
        text = self._texts.nobody(sum(each.unreached for each in self._cases.values()))
        subject = Subject(NOBODY_ALARM, NOBODY_KIND, Priority.HIGH)
        started = desk.book.starts(subject, at_us, desk.time_us, text)
        desk.say(started)
        # The first are told of at once, with all of the same instant; those that join are told of together later.
        self._tell_nobody(desk.time_us if started else desk.time_us + self._nobody_after_us)

    def _tell_nobody(self, at_us: int) -> None:
        if self._tell_nobody_us is None or at_us < self._tell_nobody_us:
            self._tell_nobody_us = at_us
            self._desk.agenda.enter(at_us, Due.TELL_NOBODY, "")

    def _tell_everybody(self, at_us: int) -> None:
        unreached = [case for _, case in sorted(self._cases.items()) if case.unreached]
        if not unreached:
            return
        entries = self._desk.book.entries
        facts = self._texts.facts(entries[case.alarm] for case in unreached)
        urgent = any(fact.priority == Priority.HIGH.value for fact in facts)
        note = self._texts.nobody(len(unreached))
        for person in sorted(self._roster.persons):
            if not urgent and self._roster.quiet_until_us(person, at_us) is not None:
                continue
            for way in range(self._ways(person)):
                self._say(person, way, News.TAKEN, Cause.NOBODY_REACHED, facts, note, at_us=at_us, wanted=True)
            if self._ways(person):
                for case in unreached:
                    case.contacts[person] = Contact.CALLED

    def _see_to_nobody(self) -> None:
        """The alarm that nobody was reached is over when somebody was, for every case."""
        desk = self._desk
        if desk.book.active(NOBODY_ALARM) and not any(case.unreached for case in self._cases.values()):
            text = "somebody has answered, or the alarms are over"
            desk.say(desk.book.returns(NOBODY_ALARM, desk.time_us, desk.time_us, text))

    # Small things

    def _case(self, alarm: str) -> tuple[Case | None, Ladder | None]:
        case = self._cases.get(alarm)
        return case, None if case is None else self._ladders.by_id.get(case.ladder)

    def _ways(self, person: str) -> int:
        known = self._roster.persons.get(person)
        return 0 if known is None else len(known.reach)

    def _enter(self, case: Case, ladder: Ladder) -> None:
        """Enter what is to come of a case. What has passed already is due now."""
        agenda, now_us = self._desk.agenda, self._desk.time_us
        for due, at_us in (
            (Due.CALL_STEP, case.next_step_us(ladder)),
            (Due.CALL_REPEAT, case.repeat_us),
            (Due.CALL_NOBODY, case.nobody_us),
        ):
            if at_us is not None:
                agenda.enter(max(at_us, now_us), due, case.alarm)
        for person in case.waiting:
            until_us = self._roster.quiet_until_us(person, now_us)
            agenda.enter(now_us if until_us is None else until_us, Due.QUIET_OVER, person)

    def _too_early(self, due: Due, key: str, at_us: int) -> bool:
        """Could nothing be told at this instant yet? Then it is due when that is over."""
        if at_us >= self._not_before_us:
            return False
        self._desk.agenda.enter(self._not_before_us, due, key)
        return True

    # Snapshots

    def to_state(self) -> dict[str, Any]:
        """Plain values for a snapshot."""
        return {
            "cases": [case.to_state() for case in self._cases.values()],
            "tray": self._tray.to_state(),
            "out": [
                [id_, out.person, out.way, out.news.value, out.note, list(out.alarms)] for id_, out in self._out.items()
            ],
            "worked": dict(sorted(self._worked.items())),
            "on": {rota: list(on) for rota, on in sorted(self._on.items())},
            "flood": self._flood.to_state(),
            "serial": self._serial,
            "not_before_us": self._not_before_us,
            "tell_nobody_us": self._tell_nobody_us,
        }

    def from_state(self, state: dict[str, Any]) -> None:
        """Take back what `to_state` took apart; `know` has been called before."""
        cases = (Case.from_state(plain) for plain in state["cases"])
        self._cases = {case.alarm: case for case in cases}
        self._tray = Tray.from_state(state["tray"])
        self._out = {
            id_: _Out(person, way, News(news), note, tuple(alarms))
            for id_, person, way, news, note, alarms in state["out"]
        }
        self._worked = dict(state["worked"])
        self._on = {rota: tuple(on) for rota, on in state["on"].items()}
        flood = self._flood
        self._flood = Flood.from_state(state["flood"], flood.more_than, flood.fewer_than, flood.window_us)
        self._serial = state["serial"]
        self._not_before_us = state["not_before_us"]
        self._tell_nobody_us = state["tell_nobody_us"]
