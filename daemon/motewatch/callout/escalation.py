"""Who is to be told of an alarm next: one case per alarm that wants somebody, and the climb of its escalation.

A case opens when its alarm becomes unacknowledged. Its steps are due at fixed times after that. A step tells all whom
its targets name at that instant and who have not been told yet, and waits; one that names nobody (a gap in cover), or
whose persons all failed on every way to them, does not wait: the next is taken at once. Persons in their quiet hours
are told of high priority only; other calls wait for the end of these hours, while the climb goes on. After the last
step everyone is told again from time to time. When all have failed, or nobody answered for so long after the last step
of a case of high priority, nobody was reached: the caller makes an alarm of that.

Rules: pure; instants are microseconds UTC and handed in. It decides who is told and why, and forgets nothing that a
snapshot needs. Over which way, in which words, and together with what, is not decided here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Protocol

from motewatch.callout.ladders import Ladder
from motewatch.callout.records import Cause

HIGH = "high"


class Stage(StrEnum):
    """Where a case stands."""

    OPEN = "open"
    """Unacknowledged and active: it climbs."""
    TAKEN = "taken"
    """Somebody acknowledged; those who were told hear when it returns."""
    OVER = "over"
    """The condition is over."""


class Contact(StrEnum):
    """How a person stands in a case."""

    CALLED = "called"
    """Told, or being told."""
    FAILED = "failed"
    """No way to the person worked."""
    WAITING = "waiting"
    """To be told when the quiet hours end."""


class OnCall(Protocol):
    """What is asked of the roster."""

    def resolve(self, target: str, at_us: int) -> tuple[str, ...]:
        """The persons whom a target names at an instant."""
        ...

    def quiet_until_us(self, person: str, at_us: int) -> int | None:
        """The end of the quiet hours that hold an instant, or None: the person may be told."""
        ...


Call = tuple[str, Cause]
"""(person, why)"""
Way = tuple[str, str]
"""(channel, address)"""


@dataclass(slots=True)
class Case:
    """One alarm that wants, or wanted, somebody."""

    alarm: str
    priority: str
    ladder: str
    """Id of the escalation that was taken."""
    opened_us: int
    base_us: int
    """From here the waits count: the opening, or later where nobody could be told before."""
    stage: Stage = Stage.OPEN
    over_us: int | None = None
    """When the condition ended."""
    steps: int = 0
    """How many steps were taken."""
    latest: tuple[str, ...] = ()
    """The persons of the last step taken, told by it or before."""
    contacts: dict[str, Contact] = field(default_factory=dict)
    waiting: dict[str, Cause] = field(default_factory=dict)
    """Why those were to be told whose quiet hours must end first."""
    repeat_us: int | None = None
    """When everyone is told again."""
    nobody_us: int | None = None
    """When nobody was reached, unless somebody acknowledges before."""
    unreached: bool = False
    """Nobody was reached."""
    announced: bool = False
    """That nobody was reached has been made an alarm."""
    remark: str = ""
    """What else is said with a call."""
    used: dict[str, tuple[Way, ...]] = field(default_factory=dict)
    """Over which ways each person was told, without those that are known to have failed."""

    def told_over(self, person: str, way: Way) -> None:
        """A call goes to the person over this way."""
        self.used[person] = tuple(dict.fromkeys((*self.used.get(person, ()), way)))

    def failed_over(self, person: str, way: Way) -> None:
        """That call did not arrive."""
        self.used[person] = tuple(each for each in self.used.get(person, ()) if each != way)

    @property
    def momentary(self) -> bool:
        """Was it over at the instant at which it started? Then it is told once, and nobody is pressed."""
        return self.stage is Stage.OVER and self.over_us == self.opened_us

    @property
    def called(self) -> list[str]:
        """Those who were told, in that order."""
        return [person for person, contact in self.contacts.items() if contact is Contact.CALLED]

    def next_step_us(self, ladder: Ladder) -> int | None:
        """When the next step is due, or None: all were taken, or none is wanted."""
        if self.steps >= len(ladder.rungs):
            return None
        after_us = ladder.rungs[self.steps].after_us
        if self.stage is Stage.OPEN or (self.momentary and self.steps == 0 and after_us == 0):
            return self.base_us + after_us
        return None

    def shift(self, ladder: Ladder, to_us: int) -> None:
        """Nobody could be told before `to_us`: the next step is due then, and later ones count from there."""
        due_us = self.next_step_us(ladder)
        if due_us is not None and due_us < to_us:
            self.base_us += to_us - due_us

    def climb_anew(self, ladder: Ladder) -> None:
        """The steps are others now: all whose time has come are taken at once, and nobody is told twice."""
        self.ladder = ladder.id
        self.repeat_us = self.nobody_us = None
        self.steps = 0 if self.stage is Stage.OPEN else len(ladder.rungs)

    def to_state(self) -> list[Any]:
        """Plain values for a snapshot."""
        return [
            self.alarm,
            self.priority,
            self.ladder,
            self.opened_us,
            self.base_us,
            self.stage.value,
            self.over_us,
            self.steps,
            list(self.latest),
            [[person, contact.value] for person, contact in self.contacts.items()],
            [[person, cause.value] for person, cause in self.waiting.items()],
            self.repeat_us,
            self.nobody_us,
            self.unreached,
            self.announced,
            self.remark,
            [[person, [list(way) for way in ways]] for person, ways in self.used.items()],
        ]

    @classmethod
    def from_state(cls, state: list[Any]) -> Case:
        """The case that `to_state` took apart."""
        alarm, priority, ladder, opened_us, base_us, stage, over_us, steps, latest = state[:9]
        contacts, waiting, repeat_us, nobody_us, unreached, announced, remark, used = state[9:]
        return cls(
            alarm,
            priority,
            ladder,
            opened_us,
            base_us,
            Stage(stage),
            over_us,
            steps,
            tuple(latest),
            {person: Contact(contact) for person, contact in contacts},
            {person: Cause(cause) for person, cause in waiting},
            repeat_us,
            nobody_us,
            unreached,
            announced,
            remark,
            {person: tuple((channel, address) for channel, address in ways) for person, ways in used},
        )


@dataclass(frozen=True, slots=True)
class Climber:
    """Takes the steps of cases. `nobody_after_us`: how long after the last step nobody is taken to be reached."""

    roster: OnCall
    nobody_after_us: int

    def climb(self, case: Case, ladder: Ladder, at_us: int) -> list[Call]:
        """Take the step that is due now, and those after it that need not be waited for. Who is to be told."""
        calls: list[Call] = []
        while case.next_step_us(ladder) is not None:
            rung = ladder.rungs[case.steps]
            cause = Cause.RAISED if case.steps == 0 else Cause.CLIMBED
            case.steps += 1
            case.latest = self._persons(rung.targets, at_us)
            calls += self._tell(case, [person for person in case.latest if person not in case.contacts], cause, at_us)
            if any(case.contacts[person] is not Contact.FAILED for person in case.latest):
                break
        if case.steps >= len(ladder.rungs) and case.stage is Stage.OPEN:
            case.repeat_us = None if ladder.repeat_us is None else at_us + ladder.repeat_us
            self._wait_for_somebody(case, at_us)
        return calls

    def repeat(self, case: Case, ladder: Ladder, at_us: int) -> list[Call]:
        """Everyone told so far, and whoever the steps name by now, is told again."""
        if case.stage is not Stage.OPEN or ladder.repeat_us is None:
            case.repeat_us = None
            return []
        case.repeat_us = at_us + ladder.repeat_us
        persons = list(
            dict.fromkeys([*case.called, *self._persons(ladder.targets[: self._taken(case, ladder)], at_us)])
        )
        return self._tell(case, persons, Cause.REPEATED, at_us)

    def failed(self, case: Case, ladder: Ladder, person: str, at_us: int) -> list[Call]:
        """No way to the person worked. Who is to be told instead; look at `unreached` afterwards."""
        if person not in case.contacts:
            return []
        case.contacts[person] = Contact.FAILED
        if any(case.contacts[each] is not Contact.FAILED for each in case.latest if each in case.contacts):
            return []
        if case.next_step_us(ladder) is not None:
            return self.climb(case, ladder, at_us)
        if case.stage is Stage.OPEN:
            self._wait_for_somebody(case, at_us)
        return []

    @staticmethod
    def nobody_answered(case: Case) -> None:
        """The time to acknowledge after the last step is over."""
        case.nobody_us = None
        case.unreached = case.unreached or case.stage is Stage.OPEN

    def quiet_over(self, case: Case, ladder: Ladder, person: str, at_us: int) -> list[Call]:
        """The quiet hours of a person have ended."""
        cause = case.waiting.get(person)
        if cause is None:
            return []
        if case.stage is not Stage.OPEN:
            del case.waiting[person]
            case.contacts.pop(person, None)
            return []
        until_us = self.roster.quiet_until_us(person, at_us)
        if until_us is not None:
            return []
        del case.waiting[person]
        case.contacts[person] = Contact.CALLED
        if case.steps >= len(ladder.rungs) and case.nobody_us is None:
            self._wait_for_somebody(case, at_us)
        return [(person, cause)]

    def tell(self, case: Case, persons: Iterable[str], cause: Cause, at_us: int) -> list[Call]:
        """Tell persons outside of the steps, such as those who come on duty."""
        return self._tell(case, persons, cause, at_us)

    def _tell(self, case: Case, persons: Iterable[str], cause: Cause, at_us: int) -> list[Call]:
        calls: list[Call] = []
        for person in persons:
            if case.priority != HIGH and self.roster.quiet_until_us(person, at_us) is not None:
                if case.contacts.get(person) is not Contact.CALLED:
                    case.contacts[person] = Contact.WAITING
                    case.waiting.setdefault(person, cause)
                continue
            case.contacts[person] = Contact.CALLED
            # Whoever has waited is told for the first time, whatever is due at that instant too.
            calls.append((person, case.waiting.pop(person, cause)))
        return calls

    def _wait_for_somebody(self, case: Case, at_us: int) -> None:
        """All steps were taken: nobody was reached when all have failed, else when nobody answers in time."""
        if all(contact is Contact.FAILED for contact in case.contacts.values()):
            case.unreached = True
            case.nobody_us = None
        elif case.priority == HIGH and case.nobody_us is None:
            case.nobody_us = at_us + self.nobody_after_us

    def _persons(self, targets: Iterable[str], at_us: int) -> tuple[str, ...]:
        found = (person for target in targets for person in self.roster.resolve(target, at_us))
        return tuple(dict.fromkeys(found))

    @staticmethod
    def _taken(case: Case, ladder: Ladder) -> int:
        return sum(len(rung.targets) for rung in ladder.rungs[: case.steps])


def acknowledge(case: Case) -> list[str]:
    """Somebody took the alarm over: the climb stops. Those who were told."""
    told = case.called if case.stage is Stage.OPEN else []
    _stop(case, Stage.TAKEN)
    return told


def over(case: Case, at_us: int) -> list[str]:
    """The condition has ended: the climb stops. Those who were told, where this is news."""
    if case.stage is Stage.OVER:
        return []
    case.over_us = at_us
    told = case.called
    _stop(case, Stage.OVER)
    return told


def _stop(case: Case, stage: Stage) -> None:
    case.stage = stage
    case.repeat_us = case.nobody_us = None
    case.unreached = case.announced = False
    case.waiting.clear()
    case.contacts = {person: contact for person, contact in case.contacts.items() if contact is not Contact.WAITING}


def open_cases(cases: Mapping[str, Case]) -> list[Case]:
    """Those that still want somebody, or are taken and still active, by alarm."""
    return [case for _, case in sorted(cases.items()) if case.stage is not Stage.OVER]
