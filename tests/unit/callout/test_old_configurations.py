"""A configuration on record that could not be read from a site file any more: the engine works on."""

from __future__ import annotations

from typing import Any

import pytest

from motewatch.callout.duty_calendar import DutyCalendar
from motewatch.callout.readable import readable
from motewatch.callout.roster import Duty, Roster
from motewatch.site.models import Site
from support.callout_site import callout_site, climb, person, weekly
from support.story import story

GAP = """
00:00  ** gap/tech starts
00:00  -> ada over sms: climbed gap/tech
00:01  ada acknowledges gap/tech
00:01  ** gap/tech acknowledge
10:00  bench starts
10:00  -> ada over sms: climbed bench
10:01  ada acknowledges bench
until 12:00
"""
CALLED = """
10:00  bench starts
10:00  -> ada over sms: raised bench
10:01  ada acknowledges bench
until 12:00
"""
NO_CALENDAR = "BEGIN:VCALENDAR\nBEGIN:VEVENT\nSUMMARY:ada\nDTSTART;TZID=Nowhere/Else:20260601T080000\nEND:VCALENDAR\n"


def old(broken: str) -> dict[str, Any]:
    """A site with one part that no reader of today takes."""
    if broken == "quiet":
        return callout_site(climb((0, "person:ada")), persons={"ada": person("ada", "sms", quiet=["Mon whenever"])})
    if broken == "during":
        return callout_site(climb((0, "person:ada"), during=["Mon 08:00-12:00", "Mon 10:00-14:00"]))
    if broken == "zone":
        rota = weekly("ada", time_zone="Middle/Nowhere")
        return callout_site(climb((0, "rota:tech")), rotas=[rota])
    rota = {"id": "tech", "name": "Technicians", "calendar": NO_CALENDAR}
    return callout_site(climb((0, "rota:tech"), (0.5, "person:ada")), rotas=[rota])


@pytest.mark.parametrize("broken", ["quiet", "during", "zone"])
def test_unreadable_hours_and_zones_keep_nobody_from_being_called(broken: str) -> None:
    story(old(broken), "2026-06-01", CALLED)


def test_an_unreadable_calendar_is_a_gap_that_is_told() -> None:
    """The gap is an alarm of its own, and a step that reaches nobody does not wait."""
    story(old("calendar"), "2026-06-01", GAP)


@pytest.mark.parametrize("broken", ["quiet", "during", "zone", "calendar"])
def test_what_can_be_read_is_left_alone(broken: str) -> None:
    site = Site.model_validate(old(broken))
    mended = readable(site)
    assert mended != site
    assert readable(mended) == mended
    Roster.of(mended)


def test_a_calendar_that_fails_in_some_later_year_is_a_gap_then() -> None:
    class Worn:
        def between(self, *_: object) -> list[object]:
            raise OverflowError("date value out of range")

    site = Site.model_validate(old("zone"))
    rota = site.rotas[0].model_copy(update={"time_zone": None, "rotation": None})
    duty = Duty.of(rota, "UTC", {})
    duty.calendar = DutyCalendar(duty.zone, {}, frozenset(), (), Worn())
    assert duty.at(1_780_000_000_000_000).persons == ()
