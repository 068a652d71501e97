"""The model of the page `On call`: who is on call until when, how the calls for each alarm stand, last calls and tests.

Rules: every state has a word and a shape beside its colour. Times are the site's, with the day where it is not today's.
Addresses are not on the page: whoever may look need not know where somebody's phone is. Pure: roster, cases and calls
are handed in. Must not know HTML.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.callout.ladders import Ladders
from motewatch.callout.outlook import CaseNow
from motewatch.callout.records import Cause, Outcome
from motewatch.callout.roster import DAY_US, Roster, Stretch
from motewatch.callout.test_calls import next_trial_us
from motewatch.journal.call_ids import AnsweredBy
from motewatch.journal.rows import CallRow
from motewatch.site.models import Site
from motewatch.site.people import Rota
from motewatch.site.targets import named_rotas
from motewatch.web.console.climb import Climb, climb_of
from motewatch.web.words import at, local
from motewatch.wire.outgoing import AlarmMessage

TURNS_DAYS: Final = 14
GAP_DAYS: Final = 60
"""As far as `check` looks."""
TURNS_SHOWN: Final = 12

CAUSES: Final = {
    Cause.RAISED: "told",
    Cause.CLIMBED: "next step",
    Cause.REPEATED: "told again",
    Cause.OTHER_WAY: "another way",
    Cause.RETURNED: "told that it returned to normal",
    Cause.TAKEN: "told who has it",
    Cause.HANDED_OVER: "hand-over",
    Cause.MANY: "many at once",
    Cause.NOBODY_REACHED: "nobody reached",
    Cause.TEST: "test call",
    Cause.UNRECORDED: "not on record",
}
OUTCOMES: Final = {
    Outcome.DELIVERED: ("fine", "✓", "delivered"),
    Outcome.REFUSED: ("bad", "✖", "refused"),
    Outcome.GIVEN_UP: ("bad", "✖", "given up"),
}
UNKNOWN: Final = ("unknown", "?", "on its way")


@dataclass(frozen=True, slots=True)
class Turn:
    """Who is on call in a stretch of time; nobody: a gap."""

    whom: str
    begin: str
    end: str
    why: str
    gap: bool
    now: bool


@dataclass(frozen=True, slots=True)
class CoverLine:
    """Cover that is or comes."""

    text: str
    when: str


@dataclass(frozen=True, slots=True)
class RotaNow:
    """One rota."""

    id: str
    name: str
    used: bool
    """Does an escalation name it?"""
    on: str
    """Who is on call; empty: nobody."""
    until: str
    why: str
    then: str
    turns: tuple[Turn, ...]
    gaps: tuple[str, ...]
    covers: tuple[CoverLine, ...]


@dataclass(frozen=True, slots=True)
class CallLine:
    """One call on record."""

    when: str
    who: str
    channel: str
    why: str
    about: str
    css: str
    sign: str
    outcome: str
    answered: str


@dataclass(frozen=True, slots=True)
class TestLine:
    """The last test call over one way."""

    who: str
    channel: str
    when: str
    css: str
    sign: str
    outcome: str


@dataclass(frozen=True, slots=True)
class Duty:
    """All of it."""

    zone: str
    calls_somebody: bool
    rotas: tuple[RotaNow, ...]
    climbs: tuple[tuple[Climb, tuple[CallLine, ...]], ...]
    """Each alarm with the calls about it, newest first."""
    more: int
    """Alarms that are not shown in full."""
    calls: tuple[CallLine, ...]
    tests: tuple[TestLine, ...]
    next_test: str
    out_of_use: tuple[str, ...] = ()
    """Channels over which no call goes out, with why."""


def duty_of(
    site: Site,
    roster: Roster,
    ladders: Ladders,
    alarms: Sequence[AlarmMessage],
    cases: Sequence[CaseNow],
    told: Mapping[str, Sequence[CallRow]],
    calls: Sequence[CallRow],
    answers: Mapping[str, AnsweredBy],
    tests: Sequence[tuple[CallRow, bool]],
    now_us: int,
    *,
    more: int = 0,
    out_of_use: Sequence[AlarmMessage] = (),
) -> Duty:
    """The page. `told`: the calls about each alarm since its case opened; `tests`: each with whether it has failed."""
    zone = ZoneInfo(site.site.time_zone)
    names = {person.id: person.name for person in site.persons}
    used = {rota.id for rota in named_rotas(site)}
    by_alarm = {case.alarm: case for case in cases}
    climbs = []
    for alarm in alarms:
        climb = climb_of(alarm, by_alarm.get(alarm.alarm), site, roster, ladders, zone, now_us)
        lines = tuple(call_line(row, answers, names, zone, now_us) for row in told.get(alarm.alarm, ()))
        climbs.append((climb, lines))
    test_calls = site.callout.test_calls
    return Duty(
        zone=f"{local(now_us, zone):%Z}",
        calls_somebody=bool(ladders.by_id),
        rotas=tuple(_rota(rota, rota.id in used, roster, names, zone, now_us) for rota in site.rotas),
        climbs=tuple(climbs),
        more=more,
        calls=tuple(call_line(row, answers, names, zone, now_us) for row in calls),
        tests=tuple(_test(row, failed, answers, names, zone, now_us) for row, failed in tests),
        out_of_use=tuple(alarm.text[:1].upper() + alarm.text[1:] for alarm in out_of_use),
        next_test=""
        if test_calls is None
        else _day(next_trial_us(test_calls.at, site.site.time_zone, now_us), zone, now_us),
    )


def call_line(
    row: CallRow, answers: Mapping[str, AnsweredBy], names: Mapping[str, str], zone: ZoneInfo, now_us: int
) -> CallLine:
    """A call in words."""
    told = row.told
    css, sign, word = UNKNOWN if row.outcome is None else OUTCOMES[row.outcome]
    if row.outcome is not None and row.outcome_us is not None:
        word += f" {at(row.outcome_us, zone, now_us)}"
        if row.outcome is not Outcome.DELIVERED and row.detail:
            word += f": {row.detail}"
    answer = answers.get(told.id)
    more = len(told.facts) - 1
    about = told.note
    if told.facts:
        first = told.facts[0]
        about = first.what + (f" and {more} more" if more else "")
    return CallLine(
        when=at(told.at_us, zone, now_us),
        who=names.get(told.person, told.person),
        channel=told.channel,
        why=CAUSES[told.cause],
        about=about,
        css=css,
        sign=sign,
        outcome=word,
        answered=""
        if answer is None
        else f"answered by {names.get(answer.by, answer.by)} {at(answer.at_us, zone, now_us)}",
    )


def _test(
    row: CallRow,
    failed: bool,
    answers: Mapping[str, AnsweredBy],
    names: Mapping[str, str],
    zone: ZoneInfo,
    now_us: int,
) -> TestLine:
    answer = answers.get(row.told.id)
    if answer is not None:
        css, sign, word = "fine", "✓", f"confirmed {at(answer.at_us, zone, now_us)}"
    elif failed:
        css, sign, word = "bad", "✖", "failed: this way may not reach them"
    else:
        css, sign, word = "unknown", "?", "not confirmed yet"
    return TestLine(
        names.get(row.told.person, row.told.person), row.told.channel, at(row.told.at_us, zone, now_us), css, sign, word
    )


def _rota(rota: Rota, used: bool, roster: Roster, names: Mapping[str, str], zone: ZoneInfo, now_us: int) -> RotaNow:
    here = roster.duties[rota.id].at(now_us)
    change_us = roster.next_change_us(rota.id, now_us)
    coming = () if change_us is None else roster.on_call(rota.id, change_us)
    then = ""
    if change_us is not None:
        then = f"{_all(coming, names) or 'nobody'} from {_day(change_us, zone, now_us)}"
    stretches = roster.stretches(rota.id, now_us, now_us + TURNS_DAYS * DAY_US)
    gaps = roster.gaps(rota.id, now_us, now_us + GAP_DAYS * DAY_US)
    covers = []
    for cover, relief in zip(rota.cover, roster.duties[rota.id].reliefs, strict=True):
        if relief.end_us > now_us:
            whom = names.get(cover.person, cover.person)
            instead = f" instead of {names.get(cover.instead_of, cover.instead_of)}" if cover.instead_of else ""
            reason = f": {cover.reason}" if cover.reason else ""
            covers.append(CoverLine(f"{whom}{instead}{reason}", _span(relief.begin_us, relief.end_us, zone, now_us)))
    return RotaNow(
        id=rota.id,
        name=rota.name,
        used=used,
        on=_all(here.persons, names),
        until="" if change_us is None else _day(change_us, zone, now_us),
        why=_why(here),
        then=then,
        turns=tuple(_turn(stretch, names, zone, now_us) for stretch in stretches[:TURNS_SHOWN]),
        gaps=tuple(_span(gap.begin_us, gap.end_us, zone, now_us) for gap in gaps[:TURNS_SHOWN]),
        covers=tuple(covers),
    )


def _turn(stretch: Stretch, names: Mapping[str, str], zone: ZoneInfo, now_us: int) -> Turn:
    now = stretch.begin_us <= now_us < stretch.end_us
    return Turn(
        whom=_all(stretch.persons, names) or "nobody",
        begin="now" if now else _day(stretch.begin_us, zone, now_us),
        end=_day(stretch.end_us, zone, now_us),
        why=_why(stretch),
        gap=not stretch.persons,
        now=now,
    )


def _why(stretch: Stretch) -> str:
    return f"cover: {stretch.reason}" if stretch.reason else "cover" if stretch.why == "cover" else ""


def _all(persons: Sequence[str], names: Mapping[str, str]) -> str:
    return ", ".join(names.get(person, person) for person in persons)


def _day(us: int, zone: ZoneInfo, now_us: int) -> str:
    """`14:00` today; else with the day, which is what a rota is about: `Mon 30 Nov 08:00`."""
    when = local(us, zone)
    if when.date() == local(now_us, zone).date():
        return f"{when:%H:%M}"
    year = "" if when.year == local(now_us, zone).year else f" {when:%Y}"
    return f"{when:%a} {when.day} {when:%b}{year} {when:%H:%M}"


def _span(begin_us: int, end_us: int, zone: ZoneInfo, now_us: int) -> str:
    begin = "now" if begin_us <= now_us else _day(begin_us, zone, now_us)
    return f"{begin} to {_day(end_us, zone, now_us)}"
