"""Calendars of rotas: what is refused when they are read, and how titles and zones are understood."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from motewatch.callout.duty_calendar import CalendarError, DutyCalendar, title_key
from motewatch.callout.roster import person_ids
from motewatch.callout.spans import Span
from motewatch.site.instants import instant_us
from motewatch.site.people import Person

BERLIN = ZoneInfo("Europe/Berlin")
PERSONS = {"ada": "ada", "ada okafor": "ada", "ben": "ben"}
HOUR_US = 3_600_000_000

OWN_ZONE = """\
BEGIN:VTIMEZONE
TZID:Works clock
BEGIN:STANDARD
DTSTART:19701025T030000
TZOFFSETFROM:+0530
TZOFFSETTO:+0530
TZNAME:WCT
END:STANDARD
END:VTIMEZONE
"""


def text(*events: str, before: str = "") -> str:
    body = "".join(f"BEGIN:VEVENT\nUID:{n}\nSUMMARY:ada\n{event}\nEND:VEVENT\n" for n, event in enumerate(events))
    whole = f"BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//motewatch//tests//EN\n{before}{body}END:VCALENDAR\n"
    return whole.replace("\n", "\r\n")


def shift(begin: str, end: str, *more: str, zone: str = "Europe/Berlin") -> str:
    return "\n".join((f"DTSTART;TZID={zone}:{begin}", f"DTEND;TZID={zone}:{end}", *more))


def at(moment: str) -> int:
    return instant_us(datetime.fromisoformat(moment).replace(tzinfo=BERLIN))


def spans(calendar: str, first: str, last: str) -> list[Span]:
    return list(DutyCalendar.parse(calendar, BERLIN, PERSONS).spans(at(first), at(last)))


DAY = ("20260105T080000", "20260105T200000")


@pytest.mark.parametrize(
    ("calendar", "said"),
    [
        (text(shift(*DAY, "RRULE:FREQ=DAILY;INTERVAL=0")), "repeated with INTERVAL=0"),
        (text(shift(*DAY, "RRULE:INTERVAL=2")), "which is no FREQ"),
        (text(shift(*DAY, "RRULE:FREQ=SECONDLY;COUNT=3")), "more than 48 times a day"),
        (text(shift(*DAY, "RRULE:FREQ=MINUTELY;INTERVAL=29")), "more than 48 times a day"),
        (text(shift(*DAY, "RRULE:FREQ=DAILY;BYHOUR=1,2,3,4,5;BYMINUTE=0,5,10,15,20,25,30,35,40,45")), "48 times a day"),
        (text(shift("20260105T200000", "20260105T080000")), "does not end after it begins"),
        (text("DTSTART;TZID=Europe/Berlin:20260105T200000"), "does not end after it begins"),
        (text("DTSTART:20260105T200000\nDURATION:-PT1H"), "does not end after it begins"),
        (text(shift(*DAY, "RDATE;VALUE=PERIOD;TZID=Mars/Base:20260107T080000/PT3H")), "'Mars/Base', which is not"),
        (text(shift(*DAY, "EXDATE;TZID=Mars/Base:20260107T080000")), "'Mars/Base', which is not known"),
        (
            text(shift(*DAY), shift("20310105T080000", "20310105T200000", "RRULE:FREQ=DAILY;UNTIL=soon")),
            "read or repeat",
        ),
        (text(shift(*DAY)).replace("SUMMARY:ada\r\n", ""), "is called ''"),
        (text(shift(*DAY), shift("20260107T080000", "20260107T200000")).replace("UID:1", "UID:0"), "have the UID '0'"),
        (text(shift(*DAY, "RRULE:FREQ=DAILY", "EXRULE:FREQ=DAILY;INTERVAL=2")), "has an EXRULE"),
        (text(shift(*DAY)).replace("END:VCALENDAR\r\n", ""), "no calendar"),
        ("", "no calendar"),
    ],
)
def test_what_cannot_be_followed_is_refused_at_once(calendar: str, said: str) -> None:
    """Some of these the library would repeat without end, turn round, or read as something else."""
    with pytest.raises(CalendarError, match=said) as caught:
        DutyCalendar.parse(calendar, BERLIN, PERSONS)
    assert len(str(caught.value)) < 400
    assert "\n" not in str(caught.value)


def test_shifts_by_the_hour_are_allowed() -> None:
    found = spans(
        text(shift("20260105T080000", "20260105T083000", "RRULE:FREQ=MINUTELY;INTERVAL=30")), *2 * ["2026-02-01"]
    )
    assert found == []
    found = spans(text(shift("20260105T080000", "20260105T090000", "RRULE:FREQ=HOURLY")), "2026-01-06", "2026-01-07")
    assert len(found) == 24


@pytest.mark.parametrize(("day", "hours"), [("2026-03-28", 7), ("2026-10-24", 9), ("2026-06-01", 8)])
def test_a_night_ends_by_the_clock(day: str, hours: int) -> None:
    night = text(shift("20260105T220000", "20260106T060000", "RRULE:FREQ=DAILY"))
    [found] = spans(night, f"{day}T22:00", f"{day}T23:00")
    assert (found.begin_us, found.end_us - found.begin_us) == (at(f"{day}T22:00"), hours * HOUR_US)
    by_duration = text("DTSTART;TZID=Europe/Berlin:20260105T220000\nDURATION:PT8H\nRRULE:FREQ=DAILY")
    assert spans(by_duration, f"{day}T22:00", f"{day}T23:00") == [found]


def test_a_shift_that_the_clocks_skip_does_not_happen_and_is_no_mistake() -> None:
    skipped = text(shift("20260329T021500", "20260329T030000"), shift("20260330T021500", "20260330T030000"))
    assert [span.begin_us for span in spans(skipped, "2026-03-28", "2026-04-01")] == [at("2026-03-30T02:15")]


def test_a_zone_of_the_calendars_own_is_followed() -> None:
    own = text(shift(*DAY, "RRULE:FREQ=DAILY", zone="Works clock"), before=OWN_ZONE)
    [found] = spans(own, "2026-07-06T04:00", "2026-07-06T05:00")
    assert found.begin_us == at("2026-07-06T04:30"), "08:00 at five and a half hours before UTC, in summer"
    assert found.end_us - found.begin_us == 12 * HOUR_US


def test_a_newer_version_of_an_event_replaces_the_older() -> None:
    both = text(shift(*DAY, "SEQUENCE:1"), shift("20260107T080000", "20260107T200000", "SEQUENCE:2"))
    found = spans(both.replace("UID:1", "UID:0"), "2026-01-01", "2026-02-01")
    assert [span.begin_us for span in found] == [at("2026-01-07T08:00")]


def test_a_makers_prefix_before_the_name_of_a_zone_is_no_mistake() -> None:
    [found] = spans(text(shift(*DAY, zone="/calendar.example.org/Europe/Berlin")), "2026-01-05", "2026-01-06")
    assert found.begin_us == at("2026-01-05T08:00")


def test_times_in_utc_do_not_follow_the_clock() -> None:
    fixed = text("DTSTART:20260105T070000Z\nDTEND:20260105T190000Z\nRRULE:FREQ=DAILY")
    [winter] = spans(fixed, "2026-01-10T12:00", "2026-01-10T12:01")
    [summer] = spans(fixed, "2026-07-10T12:00", "2026-07-10T12:01")
    assert (winter.begin_us, summer.begin_us) == (at("2026-01-10T08:00"), at("2026-07-10T09:00"))


@pytest.mark.parametrize("title", ["ada", " ADA ", "Ada Okafor", "ada\tokafor"])
def test_titles_are_read_as_people_write_them(title: str) -> None:
    calendar = text(shift(*DAY)).replace("SUMMARY:ada", f"SUMMARY:{title}")
    if "\t" in title:
        with pytest.raises(CalendarError, match="of no person"):
            DutyCalendar.parse(calendar, BERLIN, PERSONS)
    else:
        assert [span.person for span in spans(calendar, "2026-01-05", "2026-01-06")] == ["ada"]


def test_accents_written_in_two_ways_are_one_name() -> None:
    composed, apart = "Zo\u00eb", "Zoe\u0308"
    assert composed != apart
    assert title_key(composed) == title_key(apart)


def test_a_name_that_two_have_names_neither_and_an_id_goes_first() -> None:
    persons = [
        Person(id="ada", name="Sam"),
        Person(id="ben", name="sam"),
        Person(id="cy", name="Ada"),
        Person(id="dot", name="Dot"),
    ]
    assert person_ids(persons) == {"ada": "ada", "ben": "ben", "cy": "cy", "dot": "dot"}
