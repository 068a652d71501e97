"""What the parts of the callout share within the engine: the cases, the configuration's word on calls, and the rule
that nothing is told before an instant.

`CallPlan` is compiled once per configuration. Must not know how a message is put together, or what alarms mean.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from motewatch.callout.duty_calendar import CalendarError
from motewatch.callout.escalation import Case, Climber
from motewatch.callout.ladders import Ladder, Ladders
from motewatch.callout.readable import readable
from motewatch.callout.roster import Roster
from motewatch.engine.agenda import Due
from motewatch.engine.call_texts import CallTexts
from motewatch.engine.desk import Desk
from motewatch.site.models import Site
from motewatch.site.schedule import ScheduleError
from motewatch.wire.records import MINUTE_US

NOBODY_KIND: Final = "callout-nobody-reached"
GAP_KIND: Final = "callout-gap"


@dataclass(frozen=True, slots=True)
class CallPlan:
    """What the configuration says of calls."""

    ladders: Ladders
    roster: Roster
    texts: CallTexts
    climber: Climber
    ids: dict[str, str]
    """Id of each person by what a command may call them: id or name, case-folded."""

    @classmethod
    def of(cls, site: Site) -> CallPlan:
        """Of a site; one on record may hold what cannot be read any more."""
        try:
            return cls._of(site)
        except (CalendarError, ScheduleError):
            return cls._of(readable(site))

    @classmethod
    def _of(cls, site: Site) -> CallPlan:
        roster = Roster.of(site)
        return cls(
            ladders=Ladders.of(site),
            roster=roster,
            texts=CallTexts.of(site),
            climber=Climber(roster, round(site.callout.nobody_after_min * MINUTE_US)),
            ids={said.casefold(): person.id for person in site.persons for said in (person.name, person.id)},
        )

    def ways(self, person: str) -> int:
        """Over how many ways a person can be told."""
        known = self.roster.persons.get(person)
        return 0 if known is None else len(known.reach)


@dataclass(slots=True)
class CallBook:
    """The cases, and by what they go on."""

    desk: Desk
    plan: CallPlan = field(init=False)
    """Of the configuration in force: known before anything else happens."""
    cases: dict[str, Case] = field(default_factory=dict)
    not_before_us: int = 0
    """Nothing could be told before this instant."""

    def case(self, alarm: str) -> tuple[Case | None, Ladder | None]:
        """The case of an alarm and its escalation."""
        case = self.cases.get(alarm)
        return case, None if case is None else self.plan.ladders.by_id.get(case.ladder)

    def match(self, priority: str, alarm: str) -> Ladder | None:
        """The escalation for an alarm that wants somebody now."""
        entry = self.desk.book.entries.get(alarm)
        area = None if entry is None else entry.subject.area
        return self.plan.ladders.for_alarm(priority, area, self.desk.time_us)

    def enter(self, case: Case, ladder: Ladder) -> None:
        """Enter what is to come of a case into the agenda. What has passed already is due now."""
        agenda, now_us = self.desk.agenda, self.desk.time_us
        for due, at_us in (
            (Due.CALL_STEP, case.next_step_us(ladder)),
            (Due.CALL_REPEAT, case.repeat_us),
            (Due.CALL_NOBODY, case.nobody_us),
        ):
            if at_us is not None:
                agenda.enter(max(at_us, now_us), due, case.alarm)
        for person in case.waiting:
            until_us = self.plan.roster.quiet_until_us(person, now_us)
            agenda.enter(now_us if until_us is None else until_us, Due.QUIET_OVER, person)

    def too_early(self, due: Due, key: str, at_us: int) -> bool:
        """Could nothing be told at this instant yet? Then it is due when that is over."""
        if at_us >= self.not_before_us:
            return False
        self.desk.agenda.enter(self.not_before_us, due, key)
        return True
