"""Who is on call: turns, calendars with exceptions, cover, quiet hours, gaps."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from motewatch.callout.duty_calendar import CalendarError
from motewatch.callout.roster import DAY_US, Roster
from motewatch.site.instants import instant_us
from motewatch.site.models import Site
from support.facility import site_dict

ZONE = "Europe/Berlin"
PERSONS = [{"id": id_, "name": id_.title()} for id_ in ("ada", "ben", "cy")]
WEEKLY = {"members": ["ada", "ben"], "first": "2026-01-05"}


def at(text: str) -> int:
    return instant_us(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(ZONE)))


def roster(persons: list[dict[str, Any]] = PERSONS, **rota: Any) -> Roster:
    rotas = [{"id": "duty", "name": "Duty", "time_zone": ZONE} | rota] if rota else []
    teams = [{"id": "leads", "name": "Leads", "members": ["cy", "ada"]}]
    site = site_dict(persons=persons, rotas=rotas, teams=teams)
    site["site"]["time_zone"] = ZONE
    return Roster.of(Site.model_validate(site))


def events(*some: str) -> str:
    body = "".join(f"BEGIN:VEVENT\r\nUID:{n}\r\n{each}\r\nEND:VEVENT\r\n" for n, each in enumerate(some))
    return f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//motewatch//tests//EN\r\n{body}END:VCALENDAR\r\n"


def event(who: str, begin: str, end: str, *more: str) -> str:
    lines = (f"SUMMARY:{who}", f"DTSTART;TZID={ZONE}:{begin}", f"DTEND;TZID={ZONE}:{end}", *more)
    return "\r\n".join(lines)


def test_turns_change_at_the_hand_over_and_not_before() -> None:
    duty = roster(rotation=WEEKLY)
    assert duty.on_call("duty", at("2026-01-12T07:59:59")) == ("ada",)
    assert duty.on_call("duty", at("2026-01-12T08:00")) == ("ben",)
    assert duty.on_call("duty", at("2026-01-19T08:00")) == ("ada",)
    assert duty.next_change_us("duty", at("2026-01-12T08:00")) == at("2026-01-19T08:00")


def test_before_the_first_turn_nobody_is_on() -> None:
    duty = roster(rotation=WEEKLY)
    assert duty.on_call("duty", at("2026-01-05T07:00")) == ()
    assert duty.next_change_us("duty", at("2025-12-20T00:00")) == at("2026-01-05T08:00")


def test_one_who_is_always_on_never_hands_over() -> None:
    assert roster(rotation={"members": ["ada"], "first": "2026-01-05"}).next_change_us("duty", at("2026-02-01")) is None


def test_a_change_in_some_years_is_known_where_it_is_written() -> None:
    alone = {"members": ["ada"], "first": "2026-01-05"}
    cover = [{"person": "cy", "start": "2029-05-01T08:00:00", "end": "2029-05-02T08:00:00", "instead_of": "ada"}]
    assert roster(rotation=alone, cover=cover).next_change_us("duty", at("2026-02-01")) == at("2029-05-01T08:00")
    unchanged = [cover[0] | {"person": "ada"}, cover[0] | {"instead_of": "ben"}]
    assert roster(rotation=alone, cover=unchanged).next_change_us("duty", at("2026-02-01")) is None
    assert roster(rotation=WEEKLY).next_change_us("duty", at("2020-01-01")) == at("2026-01-05T08:00")
    years = events("SUMMARY:ada\r\nDTSTART;VALUE=DATE:20260105\r\nDTEND;VALUE=DATE:20290105")
    assert roster(calendar=years).next_change_us("duty", at("2026-02-01")) == at("2029-01-05")
    assert roster(calendar=years).next_change_us("duty", at("2020-02-01")) == at("2026-01-05")


def test_cover_takes_the_calls_of_one_or_of_whoever_is_on() -> None:
    cover = [
        {"person": "cy", "start": "2026-01-13T00:00:00", "end": "2026-01-20T00:00:00", "instead_of": "ben"},
        {"person": "ben", "start": "2026-01-20T12:00:00", "end": "2026-01-20T18:00:00"},
    ]
    duty = roster(rotation=WEEKLY, cover=cover)
    assert duty.on_call("duty", at("2026-01-12T23:59")) == ("ben",)
    assert duty.on_call("duty", at("2026-01-13T00:00")) == ("cy",)
    assert duty.on_call("duty", at("2026-01-19T09:00")) == ("ada",), "the cover is for Ben, whose turn is over"
    assert duty.on_call("duty", at("2026-01-20T12:00")) == ("ben",)
    why = [stretch.why for stretch in duty.stretches("duty", at("2026-01-12T09:00"), at("2026-01-21T00:00"))]
    assert why == ["turn", "cover", "turn", "cover", "turn"]


def test_cover_over_the_end_of_four_weeks_is_whole() -> None:
    cover = [{"person": "cy", "start": "2026-01-01T00:00:00", "end": "2026-06-01T00:00:00"}]
    duty = roster(rotation=WEEKLY, cover=cover)
    assert len(duty.stretches("duty", at("2026-01-10"), at("2026-05-20"))) == 1


def test_a_calendar_with_a_swap_a_day_off_and_a_cancelled_shift() -> None:
    text = events(
        event("ada", "20260105T080000", "20260105T200000", "RRULE:FREQ=DAILY", f"EXDATE;TZID={ZONE}:20260107T080000"),
        event("Ben", "20260105T200000", "20260106T080000", "RRULE:FREQ=DAILY"),
        event("cy", "20260108T080000", "20260108T200000", "STATUS:CANCELLED"),
    ).replace("UID:2", "UID:2")
    text = text.replace(
        "END:VCALENDAR",
        "BEGIN:VEVENT\r\nUID:0\r\n"
        + event("cy", "20260109T100000", "20260109T200000", f"RECURRENCE-ID;TZID={ZONE}:20260109T080000")
        + "\r\nEND:VEVENT\r\nEND:VCALENDAR",
    )
    duty = roster(calendar=text)
    assert duty.on_call("duty", at("2026-01-06T12:00")) == ("ada",)
    assert duty.on_call("duty", at("2026-01-06T23:00")) == ("ben",)
    assert duty.on_call("duty", at("2026-01-07T12:00")) == (), "the day that is taken out"
    assert duty.on_call("duty", at("2026-01-08T12:00")) == ("ada",), "the cancelled shift does not count"
    assert duty.on_call("duty", at("2026-01-09T12:00")) == ("cy",), "the swap"
    assert duty.on_call("duty", at("2026-01-09T09:00")) == (), "which begins two hours later"
    gaps = duty.gaps("duty", at("2026-01-07T00:00"), at("2026-01-08T00:00"))
    assert [(gap.begin_us, gap.end_us) for gap in gaps] == [(at("2026-01-07T08:00"), at("2026-01-07T20:00"))]


def test_whole_days_and_times_without_a_zone_are_the_rotas() -> None:
    text = events(
        "SUMMARY:ada\r\nDTSTART;VALUE=DATE:20260105", "SUMMARY:ben\r\nDTSTART:20260106T000000\r\nDURATION:PT6H"
    )
    duty = roster(calendar=text)
    assert duty.on_call("duty", at("2026-01-05T00:00")) == ("ada",)
    assert duty.on_call("duty", at("2026-01-05T23:59")) == ("ada",)
    assert duty.on_call("duty", at("2026-01-06T00:00")) == ("ben",)
    assert duty.on_call("duty", at("2026-01-06T06:00")) == ()


def test_several_may_be_on_at_once() -> None:
    text = events(
        event("ada", "20260105T080000", "20260105T200000"), event("ben", "20260105T120000", "20260105T140000")
    )
    assert roster(calendar=text).on_call("duty", at("2026-01-05T13:00")) == ("ada", "ben")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Monday: Ada", "it is no calendar"),
        (events(), "there is no event in it"),
        (events(event("Zoe", "20260105T080000", "20260105T200000")), "the id or the name of no person"),
        (events("SUMMARY:ada"), "has no DTSTART"),
        (
            events("SUMMARY:ada\r\nDTSTART;TZID=Base/Tranquility:20260105T080000"),
            "'Base/Tranquility', which is not known",
        ),
        (events(event("ada", "20260105T080000", "20260105T200000", "RRULE:FREQ=NEVER")), "cannot be read or repeated"),
        (events("SUMMARY:ada\r\nDTSTART:20261305T080000"), "cannot be read or repeated"),
    ],
)
def test_calendars_that_cannot_be_followed_are_refused(text: str, said: str) -> None:
    with pytest.raises(CalendarError, match=said) as caught:
        roster(calendar=text)
    assert caught.value.mend.endswith(".")


def test_targets_are_resolved_at_the_instant() -> None:
    duty = roster(rotation=WEEKLY)
    assert duty.resolve("person:cy", 0) == ("cy",)
    assert duty.resolve("person:zoe", 0) == ()
    assert duty.resolve("team:leads", 0) == ("cy", "ada")
    assert duty.resolve("rota:duty", at("2026-01-12T09:00")) == ("ben",)
    assert duty.resolve("rota:none", 0) == ()


def test_quiet_hours_end_when_they_say() -> None:
    night = [{"id": "ada", "name": "Ada", "quiet": ["Mon-Sun 22:00-06:00"]}]
    always = [{"id": "ada", "name": "Ada", "quiet": ["Mon-Sun 00:00-24:00"]}]
    assert roster(night).quiet_until_us("ada", at("2026-01-05T23:00")) == at("2026-01-06T06:00")
    assert roster(night).quiet_until_us("ada", at("2026-01-06T06:00")) is None
    assert roster(night).quiet_until_us("ben", at("2026-01-05T23:00")) is None
    assert roster(always).quiet_until_us("ada", at("2026-01-05T23:00")) == at("2026-01-05T23:00") + DAY_US
