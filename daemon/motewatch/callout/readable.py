"""What an unreadable part of a recorded configuration is taken for, so that the record can be replayed.

Reading a site file is strict: `check` and a start refuse a window, a zone or a calendar that cannot be read. A
configuration on record may be older than these checks, or a library may read less than it did; a service that refused
it would not start at all. So quiet hours that cannot be read are none, an escalation is for all times, a rota is in
the site's zone, and a calendar has nobody on call, which is an alarm of its own. This is the only place that is
lenient. Pure.
"""

from __future__ import annotations

from motewatch.callout.duty_calendar import CalendarError, DutyCalendar
from motewatch.callout.roster import person_ids
from motewatch.site.models import Site
from motewatch.site.people import Escalation, Person, Rota
from motewatch.site.schedule import ScheduleError, WeeklyWindows, zone


def readable(site: Site) -> Site:
    """The site with each unreadable part of callout replaced by what it is taken for."""
    zone_name, ids = site.site.time_zone, person_ids(site.persons)
    return site.model_copy(
        update={
            "persons": tuple(_person(person, zone_name) for person in site.persons),
            "escalations": tuple(_escalation(each, zone_name) for each in site.escalations),
            "rotas": tuple(_rota(rota, zone_name, ids) for rota in site.rotas),
        }
    )


def _person(person: Person, zone_name: str) -> Person:
    return person if _windows(person.quiet, zone_name) else person.model_copy(update={"quiet": ()})


def _escalation(escalation: Escalation, zone_name: str) -> Escalation:
    return escalation if _windows(escalation.during, zone_name) else escalation.model_copy(update={"during": ()})


def _windows(texts: tuple[str, ...], zone_name: str) -> bool:
    """Can they be read?"""
    try:
        WeeklyWindows.parse(texts, zone_name)
    except ScheduleError:
        return False
    return True


def _rota(rota: Rota, zone_name: str, ids: dict[str, str]) -> Rota:
    if rota.time_zone is not None:
        try:
            zone(rota.time_zone)
        except ScheduleError:
            rota = rota.model_copy(update={"time_zone": None})
    if rota.calendar is not None:
        try:
            DutyCalendar.parse(rota.calendar, zone(rota.time_zone or zone_name), ids)
        except CalendarError:
            # Neither rotation nor calendar: nobody is on call but by cover.
            rota = rota.model_copy(update={"calendar": None})
    return rota
