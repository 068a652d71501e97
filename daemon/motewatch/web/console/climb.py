"""How the calls for one alarm stand, in words: what comes next and when, each step, and why somebody is not told.

Pure. Must not know HTML.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.callout.escalation import Stage
from motewatch.callout.ladders import Ladder, Ladders
from motewatch.callout.outlook import CaseNow, Standing, StepNow, Why, standings, steps_of
from motewatch.callout.roster import Roster
from motewatch.callout.words import glued
from motewatch.picture import words
from motewatch.site.models import Site
from motewatch.web.words import at
from motewatch.wire.outgoing import AlarmMessage

SIGNS: Final = {
    Why.TOLD: ("fine", "✓"),
    Why.FAILED: ("bad", "✖"),
    Why.QUIET: ("unknown", "…"),
    Why.NO_WAY: ("bad", "✖"),
    Why.LATER: ("none", "→"),
    Why.LATER_BUT_QUIET: ("unknown", "…"),
    Why.OFF_DUTY: ("none", "–"),
    Why.ENDED: ("none", "–"),
}


@dataclass(frozen=True, slots=True)
class StepLine:
    """One step of the escalation."""

    number: int
    css: str
    sign: str
    word: str
    whom: str


@dataclass(frozen=True, slots=True)
class PersonLine:
    """One person, and why told or not."""

    name: str
    css: str
    sign: str
    word: str


@dataclass(frozen=True, slots=True)
class Climb:
    """One alarm."""

    id: str
    css: str
    sign: str
    text: str
    priority: str
    state: str
    headline: str
    """What comes next, or why nothing does."""
    escalation: str
    steps: tuple[StepLine, ...] = ()
    persons: tuple[PersonLine, ...] = ()
    not_named: str = ""
    """Those whom the escalation does not name, in one line."""


def climb_of(
    alarm: AlarmMessage,
    case: CaseNow | None,
    site: Site,
    roster: Roster,
    ladders: Ladders,
    zone: ZoneInfo,
    now_us: int,
) -> Climb:
    """How the calls for an alarm stand; `case`: None where nobody is called for it."""
    places = {location.id: location.name for location in site.locations}
    names = {person.id: person.name for person in site.persons}
    text = glued(words.about(alarm, places, words.UNICODE))
    ladder = None if case is None else ladders.by_id.get(case.escalation)
    state = words.STATES.get(alarm.state, alarm.state)
    if case is None or ladder is None:
        headline = _nobody(alarm, bool(ladders.by_id))
        css, sign = ("bad", "✖") if alarm.state == "unacknowledged" else ("none", "–")
        return Climb(alarm.alarm, css, sign, text, alarm.priority, state, headline, "")
    steps = steps_of(case, ladder, roster, now_us)
    found = standings(case, ladder, roster, now_us)
    css, sign = _look(case)
    return Climb(
        id=alarm.alarm,
        css=css,
        sign=sign,
        text=text,
        priority=alarm.priority,
        state=state,
        headline=_headline(case, ladder, steps, names, zone, now_us),
        escalation=ladder.id,
        steps=tuple(_step(step, case, site, names, zone, now_us) for step in steps),
        persons=tuple(_person(each, names, zone, now_us) for each in found if each.why is not Why.NOT_NAMED),
        not_named=", ".join(names[each.person] for each in found if each.why is Why.NOT_NAMED),
    )


def _look(case: CaseNow) -> tuple[str, str]:
    if case.stage is Stage.TAKEN:
        return "fine", "✓"
    if case.stage is Stage.OVER:
        return "none", "–"
    return ("bad", "✖") if case.unreached else ("watch", "▲")


def _nobody(alarm: AlarmMessage, calls_somebody: bool) -> str:
    """Why nobody is called."""
    if alarm.state != "unacknowledged":
        return f"Nobody is called: it is {words.STATES.get(alarm.state, alarm.state)}."
    if alarm.alarm == "callout/nobody-reached":
        return "Everybody has been told of the alarms that it is about; it calls nobody itself."
    if not calls_somebody:
        return "Nobody is called: the site file has no escalation."
    return f"Nobody is called: no escalation takes an alarm of {alarm.priority} priority here at this time."


def _headline(
    case: CaseNow, ladder: Ladder, steps: Sequence[StepNow], names: Mapping[str, str], zone: ZoneInfo, now_us: int
) -> str:
    if case.stage is Stage.TAKEN:
        return "Somebody has it: the climb has ended."
    if case.stage is Stage.OVER and case.next_step_us is None:
        return "It has returned to normal: nobody is called any more."
    said = []
    if case.unreached:
        said.append("Nobody was reached: everybody has been told.")
    if case.next_step_us is not None:
        step = steps[case.steps]
        whom = _all(step.persons, names) or "nobody, and the step after it is taken at once"
        when = at(max(case.next_step_us, now_us), zone, now_us)
        said.append(f"Next: step {step.number} of {len(ladder.rungs)} at {when} tells {whom}.")
    else:
        said.append("All steps are taken.")
    if case.repeat_us is not None:
        said.append(f"Everyone told so far is told again at {at(case.repeat_us, zone, now_us)}.")
    if case.nobody_us is not None:
        said.append(f"Everybody is told, over every way, at {at(case.nobody_us, zone, now_us)}.")
    if case.next_step_us is None and case.repeat_us is None and case.nobody_us is None and not case.unreached:
        said.append("Nobody is told again.")
    elif case.stage is Stage.OPEN:
        said.append("An acknowledgement ends it.")
    return " ".join(said)


def _step(step: StepNow, case: CaseNow, site: Site, names: Mapping[str, str], zone: ZoneInfo, now_us: int) -> StepLine:
    whom = ", ".join(_target(target, persons, site, names, taken=step.taken) for target, persons in step.targets)
    if step.taken:
        return StepLine(step.number, "fine", "✓", "taken", whom)
    if step.due_us is None:
        return StepLine(step.number, "none", "–", "not taken", whom)
    return StepLine(step.number, "none", "→", f"at {at(max(step.due_us, now_us), zone, now_us)}", whom)


def _target(target: str, persons: Sequence[str], site: Site, names: Mapping[str, str], *, taken: bool) -> str:
    """`Ada`, `whoever is on call in Technicians (Ada)`; of a step that was taken without who it would be now."""
    kind, _, id_ = target.partition(":")
    if kind == "person":
        return names.get(id_, id_)
    tables = site.teams if kind == "team" else site.rotas
    name = next((each.name for each in tables if each.id == id_), id_)
    whom = f"team {name}" if kind == "team" else f"whoever is on call in {name}"
    return whom if taken else f"{whom} ({_all(persons, names) or 'nobody'})"


def _person(standing: Standing, names: Mapping[str, str], zone: ZoneInfo, now_us: int) -> PersonLine:
    css, sign = SIGNS[standing.why]
    when = "" if standing.at_us is None else at(max(standing.at_us, now_us), zone, now_us)
    word = {
        Why.TOLD: "told",
        Why.FAILED: "could not be reached over any way",
        Why.QUIET: f"in quiet hours, told at {when} if it is still open",
        Why.NO_WAY: "the site file gives no way to reach them",
        Why.LATER: f"step {standing.step}, at {when}",
        Why.LATER_BUT_QUIET: f"step {standing.step} falls into quiet hours, told at {when}",
        Why.OFF_DUTY: "not on call",
        Why.ENDED: "not needed: the climb ended before",
    }[standing.why]
    return PersonLine(names[standing.person], css, sign, word)


def _all(persons: Sequence[str], names: Mapping[str, str]) -> str:
    return ", ".join(names.get(person, person) for person in persons)
