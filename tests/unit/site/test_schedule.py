"""Weekly windows against an evaluation that scans real UTC minutes, and against published check values."""

from __future__ import annotations

import re
from bisect import bisect_left
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import pytest

from motewatch.site.schedule import ScheduleError, WeeklyWindows, Window, overlap, parse_window

MINUTE_US = 60_000_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
NIGHTS = [
    ("Europe/Berlin", date(2026, 3, 29)),
    ("Europe/Berlin", date(2026, 10, 25)),
    ("America/New_York", date(2026, 3, 8)),
    ("America/New_York", date(2026, 11, 1)),
    ("Australia/Lord_Howe", date(2026, 4, 5)),
    ("Australia/Lord_Howe", date(2026, 10, 4)),
    ("Asia/Kolkata", date(2026, 3, 29)),
]
SCHEDULES = [
    ("Mon-Sun 22:00-06:00",),
    ("Mon-Sun 02:30-14:00",),
    ("Mon-Sun 01:15-01:45",),
    ("Mon-Sun 02:10-02:20", "Sun 12:00-24:00"),
    ("Mon-Sun 00:00-01:30", "Sat,Sun 02:30-02:50", "Sun 23:00-23:30"),
    ("Sat 18:00-02:15", "Sun 02:15-10:00"),
    ("Mon-Sat 00:00-24:00",),
    ("Sun 00:00-24:00",),
    ("Mon-Sun 00:00-24:00",),
]


def us(text: str) -> int:
    return (datetime.fromisoformat(text) - EPOCH) // timedelta(microseconds=1)


@cache
def wall_of(zone_name: str, start_minute: int, minutes: int) -> tuple[datetime, ...]:
    """The wall clock (naive) at each UTC minute, by plain conversion."""
    zone = ZoneInfo(zone_name)
    return tuple(
        (EPOCH + timedelta(minutes=start_minute + k)).astimezone(zone).replace(tzinfo=None, fold=0)
        for k in range(minutes)
    )


def by_scanning(zone_name: str, texts: tuple[str, ...], around: date) -> tuple[int, list[bool]]:
    """State of every UTC minute of six days: each local time is looked up by scanning the minutes of the wall clock.

    The first minute that shows the time wins (twice: the first). A time that no minute shows is counted on from the
    last minute before the gap, as if the clock had not been put forward (the offset before the gap).
    """
    start_minute = (datetime(around.year, around.month, around.day, tzinfo=UTC) - EPOCH) // timedelta(
        minutes=1
    ) - 4 * 1440
    walls = wall_of(zone_name, start_minute, 9 * 1440)
    # Highest wall time seen so far: rises, so that it can be bisected; equal where the clock repeats itself.
    seen: list[datetime] = []
    for wall in walls:
        seen.append(max(wall, seen[-1]) if seen else wall)

    def minute_of(wall: datetime) -> int:
        index = bisect_left(seen, wall)
        if seen[index] == wall:
            return index
        return index - 1 + (wall - walls[index - 1]) // timedelta(minutes=1)

    states = [False] * len(walls)
    names = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    for text in texts:
        window = parse_window(text)
        for number in range(-3, 4):
            day = around + timedelta(days=number)
            if names[day.weekday()] in [names[k] for k in window.days]:
                midnight = datetime.combine(day, time.min)
                first = minute_of(midnight + timedelta(minutes=window.start_min))
                last = minute_of(midnight + timedelta(minutes=window.end_min))
                for index in range(first, last):
                    states[index] = True
    return start_minute, states


@pytest.mark.parametrize("texts", SCHEDULES, ids=" + ".join)
@pytest.mark.parametrize(("zone_name", "night"), NIGHTS, ids=str)
def test_every_minute_around_a_change_of_the_clock(zone_name: str, night: date, texts: tuple[str, ...]) -> None:
    windows = WeeklyWindows.parse(texts, zone_name)
    start_minute, expected = by_scanning(zone_name, texts, night)
    inner = range(2 * 1440, 6 * 1440)
    got = [windows.is_operational((start_minute + k) * MINUTE_US) for k in inner]
    assert got == [expected[k] for k in inner]
    changes = [start_minute + k for k in inner[1:] if expected[k] != expected[k - 1]]
    walked = []
    at: int | None = windows.next_change_us((start_minute + inner[0]) * MINUTE_US)
    while at is not None and at < (start_minute + inner[-1] + 1) * MINUTE_US:
        walked.append(at // MINUTE_US)
        at = windows.next_change_us(at)
    assert walked == changes


@pytest.mark.parametrize(
    ("zone_name", "evening", "hours"),
    [
        # Night shift of 22:00-06:00: computed from the tz database, recomputed here by another road.
        ("Europe/Berlin", "2026-03-28T20:59:59+00:00", 7),
        ("Europe/Berlin", "2026-10-24T19:59:59+00:00", 9),
        ("America/New_York", "2026-03-08T02:59:59+00:00", 7),
        ("America/New_York", "2026-11-01T01:59:59+00:00", 9),
        ("Europe/Berlin", "2026-06-10T19:59:59+00:00", 8),
    ],
)
def test_length_of_a_night_shift(zone_name: str, evening: str, hours: int) -> None:
    windows = WeeklyWindows.parse(["Mon-Sun 22:00-06:00"], zone_name)
    before = us(evening)
    assert not windows.is_operational(before)
    start = windows.next_change_us(before)
    assert start == before + 1_000_000
    end = windows.next_change_us(start)
    assert end is not None
    assert end - start == hours * 60 * MINUTE_US


@pytest.mark.parametrize(
    ("zone_name", "text", "start"),
    [
        # RFC 5545, 3.3.5: twice means the first, a gap uses the offset before.
        ("America/New_York", "Sun 01:30-12:00", "2007-11-04T05:30:00+00:00"),
        ("America/New_York", "Sun 02:30-12:00", "2007-03-11T07:30:00+00:00"),
        ("Europe/Berlin", "Sun 02:30-12:00", "2026-03-29T01:30:00+00:00"),
        ("Europe/Berlin", "Sun 02:30-12:00", "2026-10-25T00:30:00+00:00"),
        ("Australia/Lord_Howe", "Sun 02:15-12:00", "2026-10-03T15:45:00+00:00"),
    ],
)
def test_start_in_a_gap_or_in_a_repeated_hour(zone_name: str, text: str, start: str) -> None:
    windows = WeeklyWindows.parse([text], zone_name)
    assert windows.next_change_us(us(start) - 1) == us(start)
    assert windows.is_operational(us(start))
    assert not windows.is_operational(us(start) - 1)


def test_a_window_of_the_skipped_day_in_samoa_does_not_happen() -> None:
    windows = WeeklyWindows.parse(["Fri 08:00-16:00"], "Pacific/Apia")
    # Samoa left out Friday 30 December 2011; with the offset before the gap the window falls on the next local day.
    assert windows.next_change_us(us("2011-12-29T00:00:00+00:00")) == us("2011-12-30T18:00:00+00:00")


def test_windows_that_meet_are_one() -> None:
    windows = WeeklyWindows.parse(["Mon 08:00-24:00", "Tue 00:00-06:00"], "UTC")
    monday = us("2026-01-05T08:00:00+00:00")
    assert windows.next_change_us(monday) == us("2026-01-06T06:00:00+00:00")


def test_always_and_never_have_no_change() -> None:
    always = WeeklyWindows.parse(["Mon-Sun 00:00-24:00"], "Europe/Berlin")
    never = WeeklyWindows.parse([], "Europe/Berlin")
    at = us("2026-03-29T00:00:00+00:00")
    assert (always.is_operational(at), always.next_change_us(at)) == (True, None)
    assert (never.is_operational(at), never.next_change_us(at)) == (False, None)


@pytest.mark.parametrize(
    ("text", "window"),
    [
        ("Mon-Fri 06:00-18:00", Window((0, 1, 2, 3, 4), 360, 1080)),
        ("Sat,Sun 22:00-06:00", Window((5, 6), 1320, 1800)),
        ("Mon 00:00-24:00", Window((0,), 0, 1440)),
        ("sat-mon 08:00 - 09:30", Window((0, 5, 6), 480, 570)),
        ("Tue 18:00-00:00", Window((1,), 1080, 1440)),
    ],
)
def test_texts(text: str, window: Window) -> None:
    assert parse_window(text) == window


@pytest.mark.parametrize(
    ("text", "fragment"),
    [
        ("Monday 06:00-18:00", "'Monday' is not a day"),
        ("Mon-Fri 6-18", "not days and times"),
        ("Mon-Fri", "not days and times"),
        ("", "not days and times"),
        ("Mon 06:00-24:30", "24:30 is not a time of day"),
        ("Mon 06:61-07:00", "06:61 is not a time of day"),
        ("Mon 06:00-06:00", "the same"),
        ("Mon 24:00-06:00", "cannot start at 24:00"),
        ("Mon,Mon-Fri 06:00-18:00", "named twice"),
    ],
)
def test_wrong_texts(text: str, fragment: str) -> None:
    with pytest.raises(ScheduleError, match=re.escape(fragment)):
        parse_window(text)


@pytest.mark.parametrize(
    ("texts", "clash"),
    [
        (["Mon 06:00-12:00", "Mon 12:00-18:00"], None),
        (["Mon 06:00-12:01", "Mon 12:00-18:00"], (0, 1)),
        (["Sun 22:00-06:00", "Mon 05:00-08:00"], (0, 1)),
        (["Mon 05:00-08:00", "Sun 22:00-06:00"], (0, 1)),
        (["Mon-Sun 22:00-21:00"], None),
        (["Mon 06:00-18:00", "Wed 06:00-18:00", "Mon-Fri 17:00-19:00"], (0, 2)),
    ],
)
def test_overlaps(texts: list[str], clash: tuple[int, int] | None) -> None:
    assert overlap([parse_window(text) for text in texts]) == clash


def test_unknown_zone_and_overlap_are_refused() -> None:
    with pytest.raises(ScheduleError, match="no time zone 'Europe/Berlinn'"):
        WeeklyWindows.parse([], "Europe/Berlinn")
    with pytest.raises(ScheduleError, match="no time zone 'America'"):
        WeeklyWindows.parse([], "America")
    with pytest.raises(ScheduleError, match="overlap"):
        WeeklyWindows.parse(["Mon 06:00-12:01", "Mon 12:00-18:00"], "UTC")
