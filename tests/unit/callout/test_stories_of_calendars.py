"""Stories of a rota by calendar, on the engine's clock: shifts by the wall clock, a swap, a day that is taken out.

The calendar stands in the configuration on record and nowhere else, so each story is also a replay from it.
"""

from __future__ import annotations

from typing import Any

from support.callout_site import callout_site, climb
from support.story import story


def event(who: str, begin: str, end: str, *more: str) -> str:
    times = (f"DTSTART;TZID=Europe/Berlin:{begin}", f"DTEND;TZID=Europe/Berlin:{end}")
    return "\r\n".join(("BEGIN:VEVENT", f"SUMMARY:{who}", *times, *more, "END:VEVENT", ""))


def rota(*events: str) -> dict[str, Any]:
    head = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//motewatch//tests//EN\r\n"
    return {"id": "tech", "name": "Technicians", "calendar": f"{head}{''.join(events)}END:VCALENDAR\r\n"}


NIGHTS = event("Ada", "20260101T220000", "20260102T060000", "UID:nights", "RRULE:FREQ=DAILY")
DAYS = event(
    *("ben", "20260101T060000", "20260101T220000", "UID:days", "RRULE:FREQ=DAILY"),
    "EXDATE;TZID=Europe/Berlin:20260610T060000",
)


def test_the_night_shift_lasts_nine_hours_when_the_clock_goes_back() -> None:
    """By the letter of RFC 5545 it would be over at 05:00, and nobody would be on until 06:00."""
    site = callout_site(climb((0, "rota:tech"), (60, "person:cy")), rotas=[rota(NIGHTS, DAYS)])
    story(
        site,
        "2026-10-24",
        """
        Sun 05:50 CET  bench starts
        Sun 05:50 CET  -> ada over sms: raised bench
        Sun 06:00 CET  -> ben over sms: handed-over bench
        Sun 06:10 CET  ben acknowledges bench
        Sun 06:10 CET  -> ada over sms: taken bench
        until 12:00
        """,
    )


def test_and_seven_when_it_goes_forward() -> None:
    site = callout_site(climb((0, "rota:tech"), (60, "person:cy")), rotas=[rota(NIGHTS, DAYS)])
    story(
        site,
        "2026-03-28",
        """
        Sat 22:05 CET   scale starts
        Sat 22:05 CET   -> ada over sms: raised scale
        Sat 22:10 CET   ada acknowledges scale
        Sun 05:59 CEST  bench starts
        Sun 05:59 CEST  -> ada over sms: raised bench
        Sun 06:00 CEST  -> ben over sms: handed-over scale, bench
        Sun 06:01 CEST  ben acknowledges bench
        Sun 06:01 CEST  -> ada over sms: taken bench
        until 12:00
        """,
    )


def test_a_night_that_was_swapped_calls_the_other() -> None:
    swap = event(
        *("cy", "20260609T220000", "20260610T060000", "UID:nights"), "RECURRENCE-ID;TZID=Europe/Berlin:20260609T220000"
    )
    site = callout_site(climb((0, "rota:tech"), (60, "person:dot")), rotas=[rota(NIGHTS, swap, DAYS)])
    story(
        site,
        "2026-06-09",
        """
        Tue 23:00  bench starts
        Tue 23:00  -> cy over mail: raised bench
        Tue 23:05  cy acknowledges bench
        until Wed 05:00
        """,
    )


def test_a_day_that_is_taken_out_is_a_gap() -> None:
    escalations = (climb((0, "rota:tech"), (5, "person:dot"), priorities=["high"]),)
    site = callout_site(*escalations, rotas=[rota(NIGHTS, DAYS)])
    story(
        site,
        "2026-06-10",
        """
        Wed 06:00  ** gap/tech starts
        Wed 12:00  needles starts
        Wed 12:00  -> dot over voice: climbed needles
        Wed 12:02  dot acknowledges needles
        Wed 22:00  ** gap/tech returns
        Wed 22:00  -> ada over sms: handed-over needles
        until 23:00
        """,
    )
