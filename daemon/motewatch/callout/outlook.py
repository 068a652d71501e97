"""How the calls for an alarm stand, and why each person has, or has not, been told: for those who look at it.

`CaseNow` is a picture of one case as the engine keeps it, made to be handed to others: frozen, and of plain values.
What follows from it (who comes next, why somebody is not told) is worked out here from the roster, so that a page and a
listing say the same. Pure; the instant is handed in. Decides nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from motewatch.callout.escalation import HIGH, Case, Contact, Stage
from motewatch.callout.ladders import Ladder
from motewatch.callout.roster import Roster


@dataclass(frozen=True, slots=True)
class CaseNow:
    """One case."""

    alarm: str
    priority: str
    escalation: str
    stage: Stage
    opened_us: int
    base_us: int
    """From here the waits count."""
    steps: int
    """How many were taken."""
    next_step_us: int | None
    repeat_us: int | None
    nobody_us: int | None
    """When nobody was reached, unless somebody acknowledges before."""
    unreached: bool
    contacts: Mapping[str, Contact]

    @classmethod
    def of(cls, case: Case, ladder: Ladder) -> CaseNow:
        """A picture that stays as it is while the case goes on."""
        return cls(
            alarm=case.alarm,
            priority=case.priority,
            escalation=case.ladder,
            stage=case.stage,
            opened_us=case.opened_us,
            base_us=case.base_us,
            steps=case.steps,
            next_step_us=case.next_step_us(ladder),
            repeat_us=case.repeat_us,
            nobody_us=case.nobody_us,
            unreached=case.unreached,
            contacts=dict(case.contacts),
        )


class Why(StrEnum):
    """Why a person has, or has not, been told. One member per branch."""

    TOLD = "told"
    FAILED = "failed"
    """No way to the person worked."""
    QUIET = "quiet"
    """Will be told when the quiet hours end."""
    NO_WAY = "no-way"
    """The site file gives no way to the person."""
    LATER = "later"
    """A later step tells the person."""
    LATER_BUT_QUIET = "later-but-quiet"
    """A later step falls into the quiet hours; the person is told when these end."""
    OFF_DUTY = "off-duty"
    """A step names a rota of the person's, who is not on call."""
    NOT_NAMED = "not-named"
    """No step names the person."""
    ENDED = "ended"
    """The climb ended before it was the person's turn."""


@dataclass(frozen=True, slots=True)
class Standing:
    """One person in a case."""

    person: str
    why: Why
    at_us: int | None = None
    """When the person will be told, where that is known."""
    step: int | None = None
    """Number of the step that will tell, counted from 1."""


@dataclass(frozen=True, slots=True)
class StepNow:
    """One step of an escalation, for one case."""

    number: int
    due_us: int | None
    """Nominal; None: it will not be taken."""
    taken: bool
    targets: tuple[tuple[str, tuple[str, ...]], ...]
    """Each with the persons whom it names at that instant, or now where it has passed."""

    @property
    def persons(self) -> tuple[str, ...]:
        """All whom the targets name."""
        return tuple(dict.fromkeys(person for _, persons in self.targets for person in persons))


def steps_of(case: CaseNow, ladder: Ladder, roster: Roster, now_us: int) -> list[StepNow]:
    """The steps of the escalation, as they stand."""
    found = []
    for number, rung in enumerate(ladder.rungs, start=1):
        taken = number <= case.steps
        due_us = case.base_us + rung.after_us
        if number == case.steps + 1 and case.next_step_us is not None:
            due_us = case.next_step_us
        coming = case.stage is Stage.OPEN or (number == case.steps + 1 and case.next_step_us is not None)
        asked_us = now_us if taken else max(due_us, now_us)
        targets = tuple((target, roster.resolve(target, asked_us)) for target in rung.targets)
        found.append(StepNow(number, due_us if taken or coming else None, taken, targets))
    return found


def standings(case: CaseNow, ladder: Ladder, roster: Roster, now_us: int) -> list[Standing]:
    """Each person of the site in the case: those who were told first, in that order, then the others."""
    steps = steps_of(case, ladder, roster, now_us)
    first = [person for person in case.contacts if person in roster.persons]
    others = [person for person in roster.persons if person not in case.contacts]
    return [_standing(case, ladder, roster, steps, person, now_us) for person in (*first, *others)]


def _standing(
    case: CaseNow, ladder: Ladder, roster: Roster, steps: list[StepNow], person: str, now_us: int
) -> Standing:
    contact = case.contacts.get(person)
    if contact is Contact.CALLED:
        return Standing(person, Why.TOLD)
    if contact is Contact.FAILED:
        return Standing(person, Why.FAILED)
    if contact is Contact.WAITING:
        return Standing(person, Why.QUIET, roster.quiet_until_us(person, now_us))
    if not roster.persons[person].reach:
        return Standing(person, Why.NO_WAY)
    for step in steps:
        if step.taken or person not in step.persons:
            continue
        if step.due_us is None:
            return Standing(person, Why.ENDED)
        quiet_us = None if case.priority == HIGH else roster.quiet_until_us(person, step.due_us)
        if quiet_us is not None:
            return Standing(person, Why.LATER_BUT_QUIET, quiet_us, step.number)
        return Standing(person, Why.LATER, step.due_us, step.number)
    if any(person in members_of(roster, rota) for rota in ladder.rotas):
        return Standing(person, Why.OFF_DUTY)
    return Standing(person, Why.NOT_NAMED)


def members_of(roster: Roster, rota: str) -> frozenset[str]:
    """Everyone whom a rota can put on call."""
    duty = roster.duties.get(rota)
    if duty is None:
        return frozenset()
    members = set() if duty.rota.rotation is None else set(duty.rota.rotation.members)
    members |= {relief.person for relief in duty.reliefs}
    return frozenset(members if duty.calendar is None else members | duty.calendar.named)
