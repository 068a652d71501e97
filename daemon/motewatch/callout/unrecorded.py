"""Who is told when the record itself cannot be written, and what.

Such a call cannot be decided as others are, because a call is a row of the record first: it is made beside the engine,
from what is known in memory of persons, rotas and escalations. Whom: those whom an alarm of high priority without an
area would have reached by now, over every way that they have; where nobody is on call, the later steps, and in the end
everybody. Nobody can answer such a call, so it is repeated until the record is written again.

Rules: pure; instants and stretches of time are handed in. Must not know channels, journal or threads.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from motewatch.alarms.lifecycle import State
from motewatch.callout.escalation import HIGH
from motewatch.callout.ladders import Ladders
from motewatch.callout.records import Cause, Fact, Told
from motewatch.callout.roster import Roster
from motewatch.site.models import Site

ALARM: Final = "service/record"
IDS: Final = "unrecorded-"
"""Begins the ids of these calls, which no record holds."""
ACTION: Final = (
    "Make room on the journal's disk, or end the program that holds the journal; see the runbook, record-held-up. "
    "Until the record is written again no alarm of a room reaches anybody: watch exposed product by other means."
)
BACK: Final = (
    "The record is written again. What was called meanwhile is on its audit trail, and this alarm follows as an "
    "ordinary call. Look at the samples of that time."
)


@dataclass(frozen=True, slots=True)
class OnDuty:
    """Whom a site would call, and over which ways, as last known."""

    site: str
    """What people call the site."""
    roster: Roster
    ladders: Ladders

    @classmethod
    def of(cls, site: Site) -> OnDuty:
        """From a site file that its checks found sound."""
        return cls(site.site.name, Roster.of(site), Ladders.of(site))

    def persons(self, waited_us: int, at_us: int) -> tuple[str, ...]:
        """Who is to be told at this instant, so long after the first call was due."""
        ladder = self.ladders.for_alarm(HIGH, None, at_us)
        rungs = () if ladder is None else ladder.rungs
        due = [rung.targets for rung in rungs if rung.after_us <= waited_us]
        later = [rung.targets for rung in rungs if rung.after_us > waited_us]
        found = self._reachable([target for targets in due for target in targets], at_us)
        for targets in later:
            if found:
                return found
            found = self._reachable(targets, at_us)
        on_call = self._reachable([f"rota:{rota}" for rota in self.roster.duties], at_us) if ladder is None else ()
        return found or on_call or self._reachable([f"person:{id_}" for id_ in self.roster.persons], at_us)

    def calls(self, persons: Iterable[str], fact: Fact, cause: Cause, note: str, at_us: int, round_: int) -> list[Told]:
        """A call to each of them over each way. `round_` numbers the calls of one trouble, so that ids differ."""
        return [
            Told(
                id=f"{IDS}{fact.since_us // 1_000_000}-{round_}-{person}-{number}",
                at_us=at_us,
                found_us=at_us,
                cause=cause,
                person=person,
                channel=reach.channel,
                address=reach.address,
                urgent=cause is not Cause.RETURNED,
                facts=(fact,),
                note=note,
            )
            for person in persons
            if person in self.roster.persons
            for number, reach in enumerate(self.roster.persons[person].reach, 1)
        ]

    def fact(self, why: str, since_us: int, *, over: bool = False) -> Fact:
        """The trouble as a message tells it."""
        return Fact(
            alarm=ALARM,
            priority=HIGH,
            state=(State.NORMAL if over else State.UNACKNOWLEDGED).value,
            what=why,
            where=self.site,
            since_us=since_us,
            action="" if over else ACTION,
        )

    def _reachable(self, targets: Iterable[str], at_us: int) -> tuple[str, ...]:
        persons = dict.fromkeys(person for target in targets for person in self.roster.resolve(target, at_us))
        return tuple(id_ for id_ in persons if id_ in self.roster.persons and self.roster.persons[id_].reach)


def note(every_s: float) -> str:
    """What is said beside the trouble."""
    return (
        "This call is not on record, because nothing can be written there. It cannot be answered and comes again every "
        f"{every_s / 60:g} min until the record is written. No other alarm is called meanwhile."
    )
