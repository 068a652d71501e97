"""What the calendars of rotas say, and where nobody would be on call: checks that need more than the models.

Belongs to the cross checks of `site`, but needs `callout`, which `site` must not import. Gaps are told for the sixty
days from the instant that is given; without one, not at all.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.callout.duty_calendar import CalendarError
from motewatch.callout.roster import DAY_US, Duty, person_ids
from motewatch.site.findings import NOTHING, Findings, Lost
from motewatch.site.instants import instant
from motewatch.site.models import Site
from motewatch.site.people import Rota
from motewatch.site.problems import Problem
from motewatch.site.schedule import ScheduleError, zone

AHEAD_DAYS: Final = 60
_SHOWN: Final = 3


def check_rotas(site: Site, file: str = "", lost: Lost = NOTHING, now_us: int | None = None) -> list[Problem]:
    """Errors of calendars and of whom they name; warnings of gaps in the rotas that an escalation names, and of cover
    that covers nothing."""
    findings = Findings(site, file, lost)
    if not findings.complete("persons") or "site" in lost.tables:
        return []
    persons = person_ids(site.persons)
    named = {target for escalation in site.escalations for step in escalation.steps for target in step.tell}
    for number, rota in enumerate(site.rotas):
        if rota.rotation is None and rota.calendar is None:
            continue  # its file could not be read, which is told already
        try:
            zone_info = zone(rota.time_zone or site.site.time_zone)
            duty = Duty.of(rota, site.site.time_zone, persons)
        except ScheduleError:
            continue  # told by the zone's own check
        except CalendarError as error:
            path = ("rotas", number, _key(rota))
            findings.error(path, rota.calendar_file, error.message, error.mend)
            continue
        _cover(findings, number, duty)
        if f"rota:{rota.id}" not in named:
            continue
        _ways(findings, number, duty)
        if now_us is not None:
            _gaps(findings, number, duty, zone_info, now_us)
    return findings.problems


def _key(rota: Rota) -> str:
    return "calendar" if rota.calendar_file is None else "calendar_file"


def _ways(findings: Findings, number: int, duty: Duty) -> None:
    """Whoever a calendar puts on call must be reachable; the others are `site.check_people`'s."""
    if duty.calendar is None:
        return
    reachable = {person.id for person in findings.site.persons if person.reach}
    for person in sorted(duty.calendar.named - reachable):
        findings.error(
            ("rotas", number, _key(duty.rota)),
            duty.rota.calendar_file,
            f"the calendar puts '{person}' on call, but there is no way to reach them",
            'Add a way to the person, such as reach = [{ channel = "mail", address = "someone@example.org" }].',
        )


def _cover(findings: Findings, number: int, duty: Duty) -> None:
    """Cover for somebody who is not on call in that time looks arranged, and changes nothing."""
    for index, relief in enumerate(duty.reliefs):
        if relief.instead_of is None:
            continue
        before = replace(duty, reliefs=duty.reliefs[:index], blocks={})
        on = {person for each in before.stretches(relief.begin_us, relief.end_us) for person in each.persons}
        if relief.instead_of not in on and relief.begin_us < relief.end_us:
            findings.warning(
                ("rotas", number, "cover", index, "instead_of"),
                relief.instead_of,
                "this person is not on call in that time, so that the cover changes nothing",
                "Correct person, start or end, or leave instead_of out to cover whoever is on.",
            )


def _gaps(findings: Findings, number: int, duty: Duty, zone_info: ZoneInfo, begin_us: int) -> None:
    rota = duty.rota.id
    end_us = begin_us + AHEAD_DAYS * DAY_US
    gaps = [stretch for stretch in duty.stretches(begin_us, end_us) if not stretch.persons]
    for index, gap in enumerate(gaps[:_SHOWN]):
        others = len(gaps) - _SHOWN
        more = f", and {others} more within {AHEAD_DAYS} days" if index == _SHOWN - 1 and others > 0 else ""
        lasts = gap.end_us == end_us
        until = f"on, to the end of the {AHEAD_DAYS} days looked at" if lasts else f"to {_local(gap.end_us, zone_info)}"
        findings.warning(
            ("rotas", number, "id"),
            rota,
            f"nobody is on call from {_local(gap.begin_us, zone_info)} {until}{more}",
            "Add a shift or cover, or a step to the escalations that reaches somebody else.",
        )


def _local(us: int, zone_info: ZoneInfo) -> str:
    return f"{instant(us).astimezone(zone_info):%a %Y-%m-%d %H:%M %Z}"
