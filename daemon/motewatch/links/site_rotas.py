"""What the calendars of rotas say, and where nobody would be on call: checks that need more than the models.

Belongs to the cross checks of `site`, but needs `callout`, which `site` must not import. Gaps are told for the sixty
days from the day that is given; without one, not at all.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.callout.duty_calendar import CalendarError
from motewatch.callout.roster import DAY_US, Duty, Gap, person_ids
from motewatch.site.findings import NOTHING, Findings, Lost
from motewatch.site.instants import instant, instant_us
from motewatch.site.models import Site
from motewatch.site.problems import Problem
from motewatch.site.schedule import ScheduleError, zone

AHEAD_DAYS: Final = 60
_SHOWN: Final = 3


def check_rotas(site: Site, file: str = "", lost: Lost = NOTHING, today: date | None = None) -> list[Problem]:
    """Errors of calendars; warnings of gaps in the rotas that an escalation names."""
    findings = Findings(site, file, lost)
    if not findings.complete("persons", "rotas", "escalations") or "site" in lost.tables:
        return []
    persons = person_ids(site.persons)
    named = {target for escalation in site.escalations for step in escalation.steps for target in step.tell}
    for number, rota in enumerate(site.rotas):
        try:
            zone_info = zone(rota.time_zone or site.site.time_zone)
            duty = Duty.of(rota, site.site.time_zone, persons)
        except ScheduleError:
            continue  # told by the zone's own check
        except CalendarError as error:
            key = "calendar" if rota.calendar_file is None else "calendar_file"
            findings.error(("rotas", number, key), rota.calendar_file, error.message, error.mend)
            continue
        if today is not None and f"rota:{rota.id}" in named:
            begin_us = instant_us(datetime.combine(today, time(), tzinfo=UTC))
            _gaps(findings, number, duty, zone_info, begin_us)
    return findings.problems


def _gaps(findings: Findings, number: int, duty: Duty, zone_info: ZoneInfo, begin_us: int) -> None:
    rota = duty.rota.id
    gaps = [
        Gap(rota, stretch.begin_us, stretch.end_us)
        for stretch in duty.stretches(begin_us, begin_us + AHEAD_DAYS * DAY_US)
        if not stretch.persons
    ]
    for index, gap in enumerate(gaps[:_SHOWN]):
        others = len(gaps) - _SHOWN
        more = f", and {others} more within {AHEAD_DAYS} days" if index == _SHOWN - 1 and others > 0 else ""
        findings.warning(
            ("rotas", number, "id"),
            rota,
            f"nobody is on call from {_local(gap.begin_us, zone_info)} to {_local(gap.end_us, zone_info)}{more}",
            "Add a shift or cover, or a step to the escalations that reaches somebody else.",
        )


def _local(us: int, zone_info: ZoneInfo) -> str:
    return f"{instant(us).astimezone(zone_info):%a %Y-%m-%d %H:%M %Z}"
