"""Rotas against RFC 5545: its printed examples of recurrence, its rules for local times, and changes of clocks."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from motewatch.callout.duty_calendar import DutyCalendar
from motewatch.callout.roster import Roster
from motewatch.callout.rotation import rotation_spans
from motewatch.site.instants import instant, instant_us
from motewatch.site.models import Site
from motewatch.site.people import Rotation
from support.checks import check
from support.facility import site_dict

SECTION = "Rotas: calendars and changes of clocks"
EXAMPLES = "RFC 5545, 3.8.5.3"
LOCAL = "RFC 5545, 3.3.5"
RULES_OF_NOW = "tz database"
TO = instant_us(datetime(2012, 1, 1, tzinfo=UTC))


def calendar(rule: str, start: str, zone: str = "America/New_York", length: str = "PT1H") -> str:
    lines = (
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//motewatch//tests//EN",
        "BEGIN:VEVENT",
        "UID:one",
        f"DTSTART;TZID={zone}:{start}",
        f"DURATION:{length}",
        "SUMMARY:ada",
        *([f"RRULE:{rule}"] if rule else []),
        "END:VEVENT",
        "END:VCALENDAR",
    )
    return "\r\n".join(lines) + "\r\n"


def begins(
    rule: str, start: str, zone: str = "America/New_York", to_us: int = TO, length: str = "PT1H"
) -> list[datetime]:
    duty = DutyCalendar.parse(calendar(rule, start, zone, length), ZoneInfo("UTC"), {"ada": "ada"})
    return [instant(span.begin_us) for span in duty.spans(0, to_us)]


def said(moments: list[datetime]) -> str:
    return " ".join(f"{moment:%Y-%m-%dT%H:%MZ}" for moment in moments)


@pytest.mark.parametrize(
    ("start", "rule", "count", "first", "last"),
    [
        ("19970902T090000", "FREQ=DAILY;COUNT=10", 10, "1997-09-02T13:00Z", "1997-09-11T13:00Z"),
        ("19970902T090000", "FREQ=DAILY;UNTIL=19971224T000000Z", 113, "1997-09-02T13:00Z", "1997-12-23T14:00Z"),
        ("19970902T090000", "FREQ=DAILY;INTERVAL=10;COUNT=5", 5, "1997-09-02T13:00Z", "1997-10-12T13:00Z"),
        (
            "19980101T090000",
            "FREQ=DAILY;UNTIL=20000131T140000Z;BYMONTH=1",
            93,
            "1998-01-01T14:00Z",
            "2000-01-31T14:00Z",
        ),
        ("19970902T090000", "FREQ=WEEKLY;COUNT=10", 10, "1997-09-02T13:00Z", "1997-11-04T14:00Z"),
        ("19970902T090000", "FREQ=WEEKLY;UNTIL=19971224T000000Z", 17, "1997-09-02T13:00Z", "1997-12-23T14:00Z"),
        (
            "19970901T090000",
            "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR",
            25,
            "1997-09-01T13:00Z",
            "1997-12-22T14:00Z",
        ),
        ("19970905T090000", "FREQ=MONTHLY;COUNT=10;BYDAY=1FR", 10, "1997-09-05T13:00Z", "1998-06-05T13:00Z"),
        ("19970922T090000", "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO", 6, "1997-09-22T13:00Z", "1998-02-16T14:00Z"),
        ("19970930T090000", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1", 10, "1997-09-30T13:00Z", "1998-02-01T14:00Z"),
    ],
)
def test_recurrence(start: str, rule: str, count: int, first: str, last: str) -> None:
    found = begins(rule, start)
    what = f"{rule} from {start} New York: "
    check(SECTION, what + "events", count, len(found), source=EXAMPLES, confirmed="found")
    ends = said([found[0], found[-1]])
    check(SECTION, what + "first, last", f"{first} {last}", ends, source=EXAMPLES, confirmed="found, recomputed")


@pytest.mark.parametrize(
    ("start", "rule", "days"),
    [
        (
            "19970902T090000",
            "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH",
            "9-2 9-4 9-16 9-18 9-30 10-2 10-14 10-16",
        ),
        ("19970904T090000", "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", "9-4 10-7 11-6"),
        ("19970805T090000", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "8-5 8-10 8-19 8-24"),
        ("19970805T090000", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "8-5 8-17 8-19 8-31"),
        ("20070115T090000", "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "1-15 1-30 2-15 3-15 3-30"),
    ],
)
def test_days_of_recurrence(start: str, rule: str, days: str) -> None:
    found = " ".join(f"{moment.month}-{moment.day}" for moment in begins(rule, start))
    check(SECTION, f"{rule} from {start}: days", days, found, source=EXAMPLES, confirmed="found")


@pytest.mark.parametrize(
    ("start", "rule", "instants"),
    [
        (
            "19970902T090000",
            "FREQ=WEEKLY;COUNT=10",
            "9-2T13 9-9T13 9-16T13 9-23T13 9-30T13 10-7T13 10-14T13 10-21T13 10-28T14 11-4T14",
        ),
        (
            "19970905T090000",
            "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
            "9-5T13 10-3T13 11-7T14 12-5T14 1-2T14 2-6T14 3-6T14 4-3T14 5-1T13 6-5T13",
        ),
        (
            "19970901T090000",
            "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR",
            "9-1T13 9-3T13 9-5T13 9-15T13 9-17T13 9-19T13 9-29T13 10-1T13 10-3T13 10-13T13 10-15T13 10-17T13 10-27T14 "
            "10-29T14 10-31T14 11-10T14 11-12T14 11-14T14 11-24T14 11-26T14 11-28T14 12-8T14 12-10T14 12-12T14 "
            "12-22T14",
        ),
    ],
)
def test_each_instant_of_a_rule_over_a_change_of_clocks(start: str, rule: str, instants: str) -> None:
    found = " ".join(f"{moment.month}-{moment.day}T{moment:%H}" for moment in begins(rule, start))
    what = f"{rule} from {start} New York: day and hour UTC of each"
    check(SECTION, what, instants, found, source=EXAMPLES, confirmed="found, recomputed")


def test_a_daily_rule_keeps_the_wall_clock_in_the_night_of_the_change() -> None:
    found = said(begins("FREQ=DAILY;UNTIL=19971224T000000Z", "19970902T090000")[53:55])
    expected = "1997-10-25T13:00Z 1997-10-26T14:00Z"
    check(SECTION, "every day 09:00 New York, 25 and 26 October 1997", expected, found, source=EXAMPLES,
          confirmed="found, recomputed")  # fmt: skip


def test_every_ninety_minutes() -> None:
    found = said(begins("FREQ=MINUTELY;INTERVAL=90;COUNT=4", "19970902T090000"))
    expected = "1997-09-02T13:00Z 1997-09-02T14:30Z 1997-09-02T16:00Z 1997-09-02T17:30Z"
    check(SECTION, "every 90 minutes, 4 times", expected, found, source=EXAMPLES, confirmed="found, recomputed")


def test_where_we_depart_from_the_rfc() -> None:
    """A shift that is repeated ends by the clock on the wall; the RFC would have it as long as the first."""
    nights = calendar("FREQ=DAILY", "20260101T220000", "Europe/Berlin").replace(
        "DURATION:PT1H", "DTEND;TZID=Europe/Berlin:20260102T060000"
    )
    duty = DutyCalendar.parse(nights, ZoneInfo("UTC"), {"ada": "ada"})
    for evening, hours in (((2026, 3, 28), 7), ((2026, 10, 24), 9)):
        begin_us = instant_us(datetime(*evening, 22, tzinfo=ZoneInfo("Europe/Berlin")))
        (span,) = duty.spans(begin_us, begin_us + 1)
        length_h = (span.end_us - span.begin_us) // 3_600_000_000
        what = f"repeated night shift with DTEND 06:00, {date(*evening)}, h (the RFC, 3.8.5.3: 8)"
        check(SECTION, what, hours, length_h, source="own choice, so that the next shift fits", confirmed="constructed")


def test_two_zones_between_their_changes_of_clocks() -> None:
    rotation = Rotation(members=("ada",), first=date(2026, 3, 16), hand_over="08:00", shift_days=1)
    noon_us = instant_us(datetime(2026, 3, 16, 15, tzinfo=UTC))
    begins_us = [
        next(rotation_spans(rotation, ZoneInfo(zone), noon_us, noon_us + 1)).begin_us
        for zone in ("Europe/Berlin", "America/New_York")
    ]
    apart_h = (begins_us[1] - begins_us[0]) // 3_600_000_000
    check(SECTION, "08:00 New York after 08:00 Berlin, 16 March 2026, h", 5, apart_h, source=RULES_OF_NOW,
          confirmed="recomputed")  # fmt: skip


def test_the_corrected_example_of_hours() -> None:
    # As printed (until 17:00Z) the rule gives two events and not the three that the RFC lists: erratum 3883.
    printed = begins("FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T170000Z", "19970902T090000")
    mended = begins("FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T210000Z", "19970902T090000")
    source = "RFC 5545 erratum 3883"
    check(SECTION, "every 3 hours until 17:00Z: events", 2, len(printed), source=source, confirmed="found, recomputed")
    check(SECTION, "every 3 hours until 21:00Z: events", 3, len(mended), source=source, confirmed="found, recomputed")


@pytest.mark.parametrize(
    ("zone", "local", "expected", "source", "confirmed"),
    [
        ("America/New_York", "20071104T013000", "2007-11-04T05:30Z", LOCAL, "found, recomputed"),
        ("America/New_York", "20070311T023000", "2007-03-11T07:30Z", LOCAL, "found, recomputed"),
        ("Europe/Berlin", "20260329T023000", "2026-03-29T01:30Z", RULES_OF_NOW, "recomputed"),
        ("Europe/Berlin", "20261025T023000", "2026-10-25T00:30Z", RULES_OF_NOW, "recomputed"),
        ("America/New_York", "20260308T023000", "2026-03-08T07:30Z", RULES_OF_NOW, "recomputed"),
        ("America/New_York", "20261101T013000", "2026-11-01T05:30Z", RULES_OF_NOW, "recomputed"),
        ("Europe/London", "20260329T013000", "2026-03-29T01:30Z", RULES_OF_NOW, "recomputed"),
        ("Europe/London", "20261025T013000", "2026-10-25T00:30Z", RULES_OF_NOW, "recomputed"),
        ("Australia/Lord_Howe", "20261004T021500", "2026-10-03T15:45Z", RULES_OF_NOW, "recomputed"),
    ],
)
def test_local_times_that_come_twice_or_never(
    zone: str, local: str, expected: str, source: str, confirmed: str
) -> None:
    far = instant_us(datetime(2030, 1, 1, tzinfo=UTC))
    # Longer than the gap: a shift that the clocks leave without any time does not happen.
    found = said(begins("", local, zone, far, "PT3H"))
    check(SECTION, f"a shift from {local} {zone} begins", expected, found, source=source, confirmed=confirmed)
    moment = datetime.strptime(local, "%Y%m%dT%H%M%S")  # noqa: DTZ007
    rotation = Rotation(members=("ada",), first=moment.date(), hand_over=f"{moment:%H:%M}", shift_days=1)
    midnight = instant_us(datetime.combine(moment.date(), datetime.min.time(), tzinfo=UTC))
    first = next(rotation_spans(rotation, ZoneInfo(zone), midnight, midnight + 2 * 86_400_000_000))
    check(
        SECTION,
        f"a rotation that hands over at {local} {zone} does so",
        expected,
        said([instant(first.begin_us)]),
        source=source,
        confirmed=confirmed,
    )


@pytest.mark.parametrize(
    ("zone", "monday", "starts", "hours"),
    [
        ("Europe/Berlin", date(2026, 3, 23), "2026-03-23T07:00Z", 167),
        ("Europe/Berlin", date(2026, 3, 30), "2026-03-30T06:00Z", 168),
        ("Europe/Berlin", date(2026, 10, 19), "2026-10-19T06:00Z", 169),
        ("America/New_York", date(2026, 3, 2), "2026-03-02T13:00Z", 167),
        ("America/New_York", date(2026, 10, 26), "2026-10-26T12:00Z", 169),
        ("Europe/London", date(2026, 3, 23), "2026-03-23T08:00Z", 167),
        ("Europe/London", date(2026, 10, 19), "2026-10-19T07:00Z", 169),
    ],
)
def test_weekly_shifts_over_a_change_of_clocks(zone: str, monday: date, starts: str, hours: int) -> None:
    rotation = Rotation(members=("ada", "ben"), first=date(2026, 1, 5), hand_over="08:00")
    noon_us = instant_us(datetime.combine(monday, datetime.min.time(), tzinfo=UTC)) + 15 * 3_600_000_000
    (span,) = rotation_spans(rotation, ZoneInfo(zone), noon_us, noon_us + 1)
    what = f"weekly shift of {monday} 08:00 {zone}: "
    check(SECTION, what + "begins", starts, said([instant(span.begin_us)]), source=RULES_OF_NOW, confirmed="recomputed")
    length_h = (span.end_us - span.begin_us) // 3_600_000_000
    check(SECTION, what + "lasts, h", hours, length_h, source=RULES_OF_NOW, confirmed="recomputed")


@pytest.mark.parametrize(
    ("zone", "evening", "hours"),
    [
        ("Europe/Berlin", "20260328T220000", 7),
        ("Europe/Berlin", "20261024T220000", 9),
        ("America/New_York", "20260307T220000", 7),
        ("America/New_York", "20261031T220000", 9),
    ],
)
def test_night_shifts_over_a_change_of_clocks(zone: str, evening: str, hours: int) -> None:
    morning = f"{datetime.strptime(evening, '%Y%m%dT%H%M%S') + timedelta(hours=8):%Y%m%dT%H%M%S}"  # noqa: DTZ007
    text = calendar("", evening, zone).replace("DURATION:PT1H", f"DTEND;TZID={zone}:{morning}")
    duty = DutyCalendar.parse(text, ZoneInfo("UTC"), {"ada": "ada"})
    (span,) = duty.spans(0, instant_us(datetime(2030, 1, 1, tzinfo=UTC)))
    length_h = (span.end_us - span.begin_us) // 3_600_000_000
    what = f"night shift of {evening} to 06:00 {zone} lasts, h"
    check(SECTION, what, hours, length_h, source=RULES_OF_NOW, confirmed="recomputed")


def roster(rota: dict[str, Any], zone: str = "Europe/Berlin") -> Roster:
    persons = [{"id": id_, "name": id_.title()} for id_ in ("ada", "ben", "cy")]
    site = site_dict(persons=persons, rotas=[{"id": "duty", "name": "Duty", "time_zone": zone} | rota])
    return Roster.of(Site.model_validate(site))


def test_a_year_of_instants_around_a_weekly_calendar_has_no_hole() -> None:
    """Every half hour of a year, in UTC: nobody but the one whom plain local arithmetic names."""
    zone = ZoneInfo("Europe/Berlin")
    monday = date(2026, 1, 5)
    events = ""
    for week, name in enumerate(("ada", "ben", "cy")):
        begin, end = (f"{monday + timedelta(weeks=week + more):%Y%m%d}T080000" for more in (0, 1))
        events += (
            f"BEGIN:VEVENT\r\nUID:{name}\r\nSUMMARY:{name}\r\nDTSTART;TZID=Europe/Berlin:{begin}\r\n"
            f"DTEND;TZID=Europe/Berlin:{end}\r\nRRULE:FREQ=WEEKLY;INTERVAL=3\r\nEND:VEVENT\r\n"
        )
    text = f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//EN\r\n{events}END:VCALENDAR\r\n"
    duty = roster({"calendar": text})
    begin_us = instant_us(datetime(2026, 1, 5, 8, tzinfo=zone))
    wrong = []
    for step in range(52 * 7 * 48):
        at_us = begin_us + step * 1_800_000_000
        local = instant(at_us).astimezone(zone)
        # The shift of a week begins on Monday at 8: eight hours earlier on the clock it would be at midnight.
        week = (local.replace(tzinfo=None) - datetime(2026, 1, 5, 8)) // timedelta(weeks=1)  # noqa: DTZ001
        if duty.on_call("duty", at_us) != (("ada", "ben", "cy")[week % 3],):
            wrong.append(local)
    check(
        SECTION,
        "instants of a year of a weekly rota with another person than local arithmetic names",
        0,
        len(wrong),
        source="constructed: half hours of 2026, Europe/Berlin",
        confirmed="recomputed",
    )
    assert all(a != b for a, b in pairwise(duty.stretches("duty", begin_us, begin_us + 300 * 86_400_000_000)))
