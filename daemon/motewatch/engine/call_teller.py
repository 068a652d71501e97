"""From 'tell this person' to calls: gathered into one message for one moment, handed out, and what became of them.

In a flood calls wait half a minute in the tray (`callout.gathering`); else they are told by the last deadline of their
instant. A call that was handed out is remembered until its outcome is known: where a way failed, `delivered` says of
which call, and the caller decides what follows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any, Final

from motewatch.alarms.flood import FLOOD_FEWER_THAN, Flood
from motewatch.alarms.lifecycle import State
from motewatch.callout.escalation import Case, Stage, Way
from motewatch.callout.gathering import GATHER_US, WANTED, Bundle, News, Tray
from motewatch.callout.records import Cause, Delivered, Fact, Outcome, Told
from motewatch.engine.agenda import Due
from motewatch.engine.call_book import CallBook
from motewatch.engine.records import AlarmChanged, Priority
from motewatch.site.people import Callout
from motewatch.wire.records import MINUTE_US

OUT_KEPT: Final = 2_000
"""Calls whose outcome is waited for; of more the oldest are forgotten, so that those whose outcome never comes (they
were made while a record was replayed that is older than calls) are not kept for ever."""


@dataclass(frozen=True, slots=True)
class Out:
    """A call that was handed to a channel and whose outcome is not known yet."""

    person: str
    way: int
    """Its number among the person's ways."""
    news: News
    note: str
    alarms: tuple[str, ...] = ()
    over: Way = ("", "")


class CallTeller:
    """What waits to be told, and what is on its way."""

    def __init__(self, book: CallBook) -> None:
        self._book = book
        self._tray = Tray()
        self._out: dict[str, Out] = {}
        self._worked: dict[str, int] = {}
        """Number of the way over which something was delivered to a person last."""
        self._flood = Flood()
        self._serial = 0

    def know(self, settings: Callout) -> None:
        """The configuration in force; after a restore too."""
        more_than = settings.flood_alarms
        fewer_than = max(1, min(FLOOD_FEWER_THAN, more_than // 2))
        window_us = round(settings.flood_min * MINUTE_US)
        self._flood = Flood.from_state(self._flood.to_state(), more_than, fewer_than, window_us)

    def configured(self) -> None:
        """A configuration has taken effect: what waits for cases that are no more is not told."""
        self._tray.drop(self._book.cases.__contains__)

    def opens(self, alarm: str) -> None:
        """A case opens: what waits or is on its way is of the case before, and would mislead now."""
        self._tray.drop_news(alarm)
        # That one of them fails says nothing of whether this case's call was heard.
        for id_, out in self._out.items():
            if alarm in out.alarms:
                self._out[id_] = replace(out, alarms=tuple(each for each in out.alarms if each != alarm))

    def observe(self) -> None:
        """An alarm has become unacknowledged: is it a flood?"""
        self._flood.observe(self._book.desk.time_us)

    def delivered(self, delivered: Delivered) -> Out | None:
        """What became of a call. The call where it failed and wanted somebody, so that something has to follow."""
        out = self._out.pop(delivered.told, None)
        if out is None:
            return None
        if delivered.outcome is Outcome.DELIVERED:
            self._worked[out.person] = out.way
            return None
        for alarm in out.alarms:
            if alarm in self._book.cases:
                self._book.cases[alarm].failed_over(out.person, out.over)
        return out if out.news in WANTED else None

    # Gathering

    def news(self, case: Case, persons: Iterable[str], news: News, note: str, change: AlarmChanged) -> None:
        """Tell persons that it was taken or has returned: over each way over which they were told, so that whatever
        a call has opened there is closed."""
        cause = Cause.TAKEN if news is News.TAKEN else Cause.RETURNED
        plan = self._book.plan
        by = plan.ids.get(change.by.casefold())
        for person in persons:
            if person == by or self._tray.holds(person, case.alarm):
                # Whoever did it knows; whoever is still to be told hears how it stands by then.
                continue
            for way in self._ways_of_news(case, person):
                self.gather(person, way, news, note, case.alarm, cause, self._book.desk.time_us)

    def _ways_of_news(self, case: Case, person: str) -> list[int]:
        """Numbers of the ways that the person was told over; where all of them failed, of the one that worked last."""
        known = self._book.plan.roster.persons.get(person)
        reach = () if known is None else known.reach
        used = case.used.get(person, ())
        ways = [number for number, each in enumerate(reach) if (each.channel, each.address) in used]
        return ways or [min(self._worked.get(person, 0), max(0, len(reach) - 1))]

    def gather(self, person: str, way: int, news: News, note: str, alarm: str, cause: Cause, at_us: int) -> None:
        """Tell a person of an alarm, with whatever else falls to this moment."""
        desk = self._book.desk
        now_us = desk.time_us
        self._flood.expire(now_us)
        flood = self._flood.active
        flush_us = now_us + GATHER_US if flood else now_us
        held = self._tray.add(Bundle(person, way, news, note, at_us, flush_us, flood), alarm, cause)
        desk.agenda.enter(held.flush_us, Due.CALL_FLUSH, person)

    def drop_repeats(self, person: str, alarms: Iterable[str]) -> None:
        """Something stronger is told of these."""
        self._tray.drop_repeats(person, alarms)

    # Telling

    def flush(self, person: str, at_us: int, told_anyway: Callable[[str], bool]) -> list[Bundle]:
        """What was gathered for a person is told, but no repeat of what is told anyway at this instant.

        The calls that could not be told: the person has no way any more.
        """
        ways = self._book.plan.ways(person)
        untold = []
        for bundle in self._tray.take(person, at_us):
            if ways == 0:
                untold += [bundle] if bundle.news in WANTED else []
                continue
            # A new site file may have taken the way away: then it is told over the last of those that are left.
            bundle.way = min(bundle.way, ways - 1)
            for alarm, cause in list(bundle.alarms.items()):
                if cause is Cause.REPEATED and told_anyway(alarm):
                    del bundle.alarms[alarm]
            self._tell(bundle)
        return untold

    def _tell(self, bundle: Bundle) -> None:
        entries, all_cases = self._book.desk.book.entries, self._book.cases
        texts = self._book.plan.texts
        alarms = [alarm for alarm in bundle.alarms if alarm in entries and self._is_news(bundle, alarm)]
        for alarm in bundle.alarms.keys() - alarms:
            first_time = bundle.news is News.CALL and bundle.alarms[alarm] is not Cause.REPEATED
            if alarm in all_cases and first_time:
                # Taken before the person was told: there is nothing whose end would be news.
                all_cases[alarm].contacts.pop(bundle.person, None)
        if not alarms:
            return
        cause = bundle.cause(alarms)
        facts = texts.facts(entries[alarm] for alarm in alarms)
        many = len(alarms) > 1 and bundle.flood and bundle.news is News.CALL
        cases = [all_cases[alarm] for alarm in alarms if alarm in all_cases]
        note = bundle.note or texts.call_note(cause, cases, bundle.person)
        self.say(
            Out(bundle.person, bundle.way, bundle.news, bundle.note),
            Cause.MANY if many else cause,
            facts,
            texts.many(len(alarms), note) if many else note,
            at_us=bundle.began_us,
            wanted=bundle.news in WANTED,
        )

    def _is_news(self, bundle: Bundle, alarm: str) -> bool:
        """Is there still a reason to tell it?"""
        if bundle.news not in WANTED:
            return True
        case = self._book.cases.get(alarm)
        if case is None:
            return False
        # What was gathered in a flood and has returned since is told as what it was: nothing is dropped.
        return case.stage is not Stage.TAKEN or bundle.news is News.HAND_OVER

    def say(self, out: Out, cause: Cause, facts: tuple[Fact, ...], note: str, *, at_us: int, wanted: bool) -> None:
        """Hand out one call. `out` says to whom, over which way, and what is told again where that way fails."""
        desk = self._book.desk
        known = self._book.plan.roster.persons.get(out.person)
        reach = () if known is None else known.reach
        if out.way >= len(reach):
            return
        now_us, over = desk.time_us, (reach[out.way].channel, reach[out.way].address)
        self._serial += 1
        id_ = f"call-{now_us // 1_000_000}-{self._serial}"
        entries = desk.book.entries
        answer = next((fact.alarm for fact in facts if _unanswered(entries[fact.alarm].state)), "")
        desk.say(
            [
                Told(
                    id=id_,
                    at_us=at_us,
                    found_us=now_us,
                    cause=cause,
                    person=out.person,
                    channel=over[0],
                    address=over[1],
                    urgent=wanted and any(fact.priority == Priority.HIGH.value for fact in facts),
                    facts=facts,
                    note=note,
                    answer=answer if wanted else "",
                )
            ]
        )
        alarms = tuple(fact.alarm for fact in facts)
        self._out[id_] = replace(out, alarms=alarms, over=over)
        for alarm in alarms:
            if wanted and alarm in self._book.cases:
                self._book.cases[alarm].told_over(out.person, over)
        if len(self._out) > OUT_KEPT:
            del self._out[next(iter(self._out))]

    # Snapshots

    def to_state(self) -> dict[str, Any]:
        """Plain values for a snapshot."""
        return {
            "tray": self._tray.to_state(),
            "out": [
                [id_, out.person, out.way, out.news.value, out.note, list(out.alarms), list(out.over)]
                for id_, out in self._out.items()
            ],
            "worked": dict(sorted(self._worked.items())),
            "flood": self._flood.to_state(),
            "serial": self._serial,
        }

    def from_state(self, state: dict[str, Any]) -> None:
        """Take back what `to_state` took apart; `know` has been called before."""
        self._tray = Tray.from_state(state["tray"])
        self._out = {
            id_: Out(person, way, News(news), note, tuple(alarms), (channel, address))
            for id_, person, way, news, note, alarms, (channel, address) in state["out"]
        }
        self._worked = dict(state["worked"])
        flood = self._flood
        self._flood = Flood.from_state(state["flood"], flood.more_than, flood.fewer_than, flood.window_us)
        self._serial = state["serial"]


def _unanswered(state: State) -> bool:
    return state in (State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED)
