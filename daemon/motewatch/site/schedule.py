"""Weekly windows of the operational state, in the wall-clock time of the site, exact across changes to summer time.

A window is written as days and times: `"Mon-Fri 06:00-18:00"`, `"Sat,Sun 22:00-06:00"` (ends on the next day),
`"Mon 00:00-24:00"`. Its start belongs to it, its end does not.

Rules for local times, after RFC 5545, 3.3.5: a time that happens twice means the first; a time that does not exist
uses the offset before the gap. Both are what Python gives for `fold=0`. So a night shift of 22:00-06:00 lasts seven
hours in one night of the year and nine in another. A window that a gap leaves without length does not happen.

Reads the time-zone database through `zoneinfo`, nothing else; knows no clock and no rooms.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from motewatch.site.instants import instant_us

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
DAY_MIN = 24 * 60
WEEK_MIN = 7 * DAY_MIN

_EPOCH_DAY = date(1970, 1, 1)
_BLOCK_DAYS = 7
_BLOCK_US = _BLOCK_DAYS * 86_400_000_000
_KEPT_BLOCKS = 16
_TIMES = re.compile(r"(\d\d):(\d\d)\s*-\s*(\d\d):(\d\d)")
_EXAMPLE = 'Write it as "Mon-Fri 06:00-18:00", "Sat,Sun 22:00-06:00" or "Mon 00:00-24:00".'


class ScheduleError(ValueError):
    """A window that cannot be understood. `message` says what is wrong, `mend` how to write it."""

    def __init__(self, message: str, mend: str = _EXAMPLE) -> None:
        super().__init__(f"{message}. {mend}")
        self.message = message
        self.mend = mend


@dataclass(frozen=True, slots=True)
class Window:
    """On each of `days` (Monday is 0) from `start_min` to `end_min`, in minutes; an end over 24 h is next day."""

    days: tuple[int, ...]
    start_min: int
    end_min: int


def zone(name: str) -> ZoneInfo:
    """The time zone of that IANA name. Raises ScheduleError where there is none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        # OSError: names such as "America" are folders of the database.
        raise ScheduleError(f"no time zone {name!r} is known", "Give an IANA name such as Europe/Berlin.") from None


def parse_window(text: str) -> Window:
    """Read one window. Raises ScheduleError."""
    days_text, _, times_text = text.strip().partition(" ")
    times = _TIMES.fullmatch(times_text.strip())
    if times is None:
        raise ScheduleError(f"{text!r} is not days and times")
    days = _parse_days(days_text)
    start = _minutes(times[1], times[2])
    end = _minutes(times[3], times[4])
    if start == DAY_MIN:
        raise ScheduleError("a window cannot start at 24:00", "Start it at 00:00 of the next day.")
    if end == start:
        raise ScheduleError("start and end are the same", "Write 00:00-24:00 for a whole day.")
    return Window(days, start, end if end > start else end + DAY_MIN)


def _parse_days(text: str) -> tuple[int, ...]:
    found: list[int] = []
    for part in text.split(","):
        first, dash, last = part.partition("-")
        start = _day(first)
        stop = _day(last) if dash else start
        # "Sat-Mon" runs over the end of the week.
        found += [(start + k) % 7 for k in range((stop - start) % 7 + 1)]
    if len(set(found)) != len(found):
        raise ScheduleError(f"a day is named twice in {text!r}")
    return tuple(sorted(found))


def _day(text: str) -> int:
    name = text.strip().capitalize()
    if name not in DAYS:
        raise ScheduleError(f"{text!r} is not a day", f"Days are {', '.join(DAYS)}.")
    return DAYS.index(name)


def _minutes(hours: str, minutes: str) -> int:
    total = int(hours) * 60 + int(minutes)
    if int(minutes) > 59 or total > DAY_MIN:
        raise ScheduleError(f"{hours}:{minutes} is not a time of day", "Times run from 00:00 to 24:00.")
    return total


def overlap(windows: Sequence[Window]) -> tuple[int, int] | None:
    """Positions of the first two windows that overlap in an ordinary week (a window may overlap itself), or None."""
    spans = sorted(
        (day * DAY_MIN + w.start_min, day * DAY_MIN + w.end_min, index)
        for index, w in enumerate(windows)
        for day in w.days
    )
    if not spans:
        return None
    first = spans[0]
    spans.append((first[0] + WEEK_MIN, first[1] + WEEK_MIN, first[2]))
    reach, holder = spans[0][1], spans[0][2]
    for start, end, index in spans[1:]:
        if start < reach:
            return min(holder, index), max(holder, index)
        reach, holder = end, index
    return None


class WeeklyWindows:
    """The windows of one room, asked by instant. Instants are microseconds UTC.

    Remembers the spans of recent weeks, so that asking is a bisection. Without windows it is never operational.
    """

    __slots__ = ("_blocks", "_windows", "_zone")

    def __init__(self, windows: Iterable[Window], zone_info: ZoneInfo) -> None:
        self._windows = tuple(windows)
        self._zone = zone_info
        self._blocks: dict[int, list[int]] = {}

    @classmethod
    def parse(cls, texts: Iterable[str], zone_name: str) -> WeeklyWindows:
        """Read the windows of a room. Raises ScheduleError for a text, an overlap or a zone that is a mistake."""
        texts = tuple(texts)
        windows = [parse_window(text) for text in texts]
        clash = overlap(windows)
        if clash is not None:
            raise ScheduleError(
                f"{texts[clash[0]]!r} and {texts[clash[1]]!r} overlap", "Let windows end before others."
            )
        return cls(windows, zone(zone_name))

    def is_operational(self, us: int) -> bool:
        """Does a window hold the instant `us`?"""
        # Edges alternate start, end, start, end: after an odd number of them we are inside.
        return bisect_right(self._edges(us // _BLOCK_US), us) % 2 == 1

    def next_change_us(self, after_us: int) -> int | None:
        """The first instant after `after_us` at which the answer changes, or None where it never does."""
        block = after_us // _BLOCK_US
        # Three weeks, because a time zone may skip a whole day and with it a weekly window.
        for number in range(block, block + 4):
            low, high = number * _BLOCK_US, (number + 1) * _BLOCK_US
            for edge in self._edges(number):
                # Edges outside the block may be cut: the block that holds them knows better.
                if low <= edge < high and edge > after_us:
                    return edge
        return None

    def _edges(self, block: int) -> list[int]:
        """Starts and ends, alternating and rising, of the merged windows that touch this block of seven UTC days."""
        known = self._blocks.get(block)
        if known is not None:
            return known
        first_day = _EPOCH_DAY + timedelta(days=block * _BLOCK_DAYS)
        spans: list[tuple[int, int]] = []
        # A window lasts up to two days and local dates differ from UTC dates by up to one.
        for number in range(-3, _BLOCK_DAYS + 2):
            day = first_day + timedelta(days=number)
            for window in self._windows:
                if day.weekday() in window.days:
                    spans.append((self._instant(day, window.start_min), self._instant(day, window.end_min)))
        edges: list[int] = []
        for start, end in sorted(spans):
            if end <= start:
                continue
            if edges and start <= edges[-1]:
                edges[-1] = max(edges[-1], end)
            else:
                edges += [start, end]
        if len(self._blocks) >= _KEPT_BLOCKS:
            self._blocks.clear()
        self._blocks[block] = edges
        return edges

    def _instant(self, day: date, minute: int) -> int:
        day += timedelta(days=minute // DAY_MIN)
        hour, minute = divmod(minute % DAY_MIN, 60)
        local = datetime.combine(day, time(hour, minute), tzinfo=self._zone)
        return instant_us(local)
