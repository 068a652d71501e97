"""What the steps of alarms were to the people who saw them: told, waiting for an answer, standing, hidden.

Rules: the order of the steps of one alarm is theirs; the order between alarms does not matter. Everything about people
is dated by `found_us`, when it could be seen; the length of a condition by `at_us`, when it was so in the air. An
annunciation is any step into "unacknowledged" (the condition starts, starts again, or an alarm comes out of hiding with
its condition present, or its re-alarm time has passed): whatever makes the list flash and the phone ring.

A counter that sends its buffer brings one excursion after the other that was over before anybody could see it. To
people that is one event: what was found so of one alarm, each no later than `LATE_GAP_US` after the one before, is one
annunciation, dated by the first (`presented`). Excursions found in time are never gathered. Pure; must not know
targets, periods or where the steps come from.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final, Protocol

from motewatch.alarms.lifecycle import HIDDEN, STANDING, Event, State
from motewatch.alarms.priority import Priority
from motewatch.site.alarm_kinds import PLACELESS
from motewatch.wire.records import MINUTE_US


class Step(Protocol):
    """One step in an alarm's life; the engine's `AlarmChanged` is one."""

    @property
    def alarm(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def priority(self) -> Priority: ...
    @property
    def event(self) -> Event: ...
    @property
    def before(self) -> State: ...
    @property
    def after(self) -> State: ...
    @property
    def at_us(self) -> int: ...
    @property
    def found_us(self) -> int: ...


@dataclass(frozen=True, slots=True)
class AlarmStep:
    """A step as the record's columns have it."""

    alarm: str
    kind: str
    priority: Priority
    event: Event
    before: State
    after: State
    at_us: int
    found_us: int


@dataclass(frozen=True, slots=True, order=True)
class Annunciation:
    """An alarm was presented to people."""

    told_us: int
    alarm: str
    priority: Priority
    starts: bool
    """The condition came; False: the alarm came out of hiding, or was told again after its re-alarm time."""


@dataclass(frozen=True, slots=True, order=True)
class LateBurst:
    """Excursions of one alarm that were found one after the other, after they were over."""

    told_us: int
    """When the first was told."""
    alarm: str
    found: int


@dataclass(frozen=True, slots=True)
class Stay:
    """An alarm was in one of some states from `since_us` to `until_us` (None: it still is).

    What began before the first step known is taken to begin with that step.
    """

    alarm: str
    since_us: int
    until_us: int | None


@dataclass(frozen=True, slots=True)
class Wait(Stay):
    """An alarm waited to be acknowledged. `acknowledged`: that is how the wait ended; otherwise it was hidden or
    reset, or (`until_us` None) it still waits."""

    acknowledged: bool


@dataclass(frozen=True, slots=True)
class Condition:
    """The condition of an alarm came, and (`returned_us` not None) went. Dated in the air, told at `told_us`."""

    alarm: str
    told_us: int
    started_us: int
    returned_us: int | None


UNACKNOWLEDGED = frozenset({State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED})
"""States that wait for an acknowledgement."""

LATE_GAP_US: Final = MINUTE_US
"""Our choice: a buffer comes within seconds, and settles reading by reading."""

RETURNS = frozenset({Event.RETURNS, Event.RETURNS_LATCHED})


def is_annunciation(step: Step) -> bool:
    """Does the step present the alarm to people?"""
    return step.after is State.UNACKNOWLEDGED and step.before is not State.UNACKNOWLEDGED


def annunciations(steps: Iterable[Step]) -> list[Annunciation]:
    """All of them, by time, then by alarm."""
    return sorted(
        Annunciation(step.found_us, step.alarm, step.priority, step.event is Event.STARTS)
        for step in steps
        if is_annunciation(step)
    )


def presented(steps: Iterable[Step]) -> tuple[list[Annunciation], list[LateBurst]]:
    """Annunciations as people met them, those of a late burst as one; and the bursts of two or more."""
    told: list[Annunciation] = []
    bursts: list[LateBurst] = []
    for alarm, mine in _by_alarm(steps).items():
        open_: LateBurst | None = None
        last_us = 0
        for number, step in enumerate(mine):
            if not is_annunciation(step):
                if step.event is Event.ACKNOWLEDGE and open_ is not None:
                    # Whoever has taken note and hears of it again meets something new.
                    bursts += [open_] if open_.found > 1 else []
                    open_ = None
                continue
            late = _found_late(step, mine[number + 1] if number + 1 < len(mine) else None)
            if late and open_ is not None and step.found_us - last_us <= LATE_GAP_US:
                open_ = LateBurst(open_.told_us, alarm, open_.found + 1)
            else:
                bursts += [open_] if open_ is not None and open_.found > 1 else []
                open_ = LateBurst(step.found_us, alarm, 1) if late else None
                told.append(Annunciation(step.found_us, alarm, step.priority, step.event is Event.STARTS))
            last_us = step.found_us
        bursts += [open_] if open_ is not None and open_.found > 1 else []
    return sorted(told), sorted(bursts)


def _found_late(step: Step, next_: Step | None) -> bool:
    """Did the step find an excursion of the air that was over? Then its return is of the same instants, which are in
    the past. Alarms of the service itself that are over at once are no excursions."""
    return (
        step.event is Event.STARTS
        and step.found_us > step.at_us
        and step.kind not in PLACELESS
        and next_ is not None
        and next_.event in RETURNS
        and (next_.at_us, next_.found_us) == (step.at_us, step.found_us)
    )


def standing(steps: Iterable[Step]) -> list[Stay]:
    """Stays in the list of alarms: from the annunciation until it is normal or hidden."""
    return [Stay(alarm, since, until) for alarm, since, until, _ in _stays(steps, STANDING.__contains__)]


def waits(steps: Iterable[Step]) -> list[Wait]:
    """Waits for an acknowledgement, from the annunciation on; a return or a new start in between changes nothing."""
    return [
        Wait(alarm, since, until, last is not None and last.event is Event.ACKNOWLEDGE)
        for alarm, since, until, last in _stays(steps, UNACKNOWLEDGED.__contains__)
    ]


def hidden(steps: Iterable[Step]) -> dict[State, list[Stay]]:
    """Stays in each of the states in which an alarm is evaluated but not annunciated."""
    kept = list(steps)
    return {
        state: [Stay(alarm, since, until) for alarm, since, until, _ in _stays(kept, state.__eq__)]
        for state in sorted(HIDDEN)
    }


def conditions(steps: Iterable[Step]) -> list[Condition]:
    """Each start of a condition that was annunciated, with its return where that was seen."""
    found: list[Condition] = []
    for alarm, mine in _by_alarm(steps).items():
        open_: Step | None = None
        for step in mine:
            if step.event is Event.STARTS and is_annunciation(step):
                if open_ is not None:
                    found.append(Condition(alarm, open_.found_us, open_.at_us, None))
                open_ = step
            elif step.event in RETURNS and open_ is not None:
                found.append(Condition(alarm, open_.found_us, open_.at_us, step.at_us))
                open_ = None
        if open_ is not None:
            found.append(Condition(alarm, open_.found_us, open_.at_us, None))
    return found


def _by_alarm(steps: Iterable[Step]) -> dict[str, list[Step]]:
    found: dict[str, list[Step]] = defaultdict(list)
    for step in steps:
        found[step.alarm].append(step)
    return found


def _stays(steps: Iterable[Step], inside: Callable[[State], bool]) -> list[tuple[str, int, int | None, Step | None]]:
    """Alarm, since, until, and the step that ended it, for each stay in the states that `inside` names."""
    found: list[tuple[str, int, int | None, Step | None]] = []
    for alarm, mine in _by_alarm(steps).items():
        since: int | None = None
        for step in mine:
            if since is None and (inside(step.before) or inside(step.after)):
                since = step.found_us
            if since is not None and not inside(step.after):
                found.append((alarm, since, step.found_us, step))
                since = None
        if since is not None:
            found.append((alarm, since, None, None))
    return found
