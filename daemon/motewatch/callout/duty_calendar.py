"""A rota kept as an RFC 5545 calendar: each event is a shift, its SUMMARY the id or the name of the person on call.

Recurrence, exceptions (EXDATE) and moved instances (RECURRENCE-ID) are the library's. Ours is what its use needs to be
safe: an instant is asked for by a window a day wider than needed and compared with begin and end ourselves (a narrow
window misses events around the change of clocks); a TZID that nobody knows is refused, because the library would
silently take the time as local; times without any zone, and whole days, are local times of the rota (RFC 5545,
3.3.5, "floating"). Cancelled events do not count.

A shift ends by its local time, as calendar programs show it: one from 22:00 to 06:00 lasts seven hours in the night in
which the clock goes forward, and nine in that in which it goes back. By the letter of RFC 5545, 3.8.5.3, each would be
as long as the first, and an hour without anybody would follow it each autumn. A calendar is read once and expanded for
a year from each of its events, so that what is broken in it is told when it is read and not in the night in which it is
needed.

Pure: the text is handed in.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, Final
from unicodedata import normalize
from warnings import catch_warnings
from zoneinfo import ZoneInfo

from motewatch.callout.spans import Span
from motewatch.site.instants import instant, instant_us

MARGIN: Final = timedelta(days=1)
YEAR_US: Final = 366 * 86_400_000_000
OFTEN: Final = 48
"""More shifts of one event in a day are a mistake, and a great many of them would hold up the service."""

READING_ERRORS: Final = (ValueError, TypeError, LookupError, AttributeError, ArithmeticError)
"""The library reads a property when it is asked for, and lets each kind of mistake through as it comes."""

_TIMES: Final = ("DTSTART", "DTEND", "RECURRENCE-ID", "EXDATE", "RDATE")
_FREQUENCIES: Final = ("YEARLY", "MONTHLY", "WEEKLY", "DAILY", "HOURLY", "MINUTELY", "SECONDLY")
_TITLE: Final = "Write the id or the name of a person as its title (SUMMARY)"


class CalendarError(ValueError):
    """The calendar cannot be used as a rota. `message` says what is wrong, `mend` how to put it right."""

    def __init__(self, message: str, mend: str) -> None:
        super().__init__(f"{message}. {mend}")
        self.message = message
        self.mend = mend


@dataclass(frozen=True, slots=True)
class DutyCalendar:
    """The shifts of one calendar."""

    zone: ZoneInfo
    persons: Mapping[str, str]
    """Id of each person by `title_key` of the id and of the name."""
    named: frozenset[str]
    """Ids of all whom an event puts on call."""
    edges_us: tuple[int, ...]
    """When the events begin and end, as they are written: without what recurrence makes of them."""
    _query: Any

    @classmethod
    def parse(cls, text: str, zone: ZoneInfo, persons: Mapping[str, str]) -> DutyCalendar:
        """Read a calendar; `persons` is the id of each person by `title_key` of the id and of the name.

        Raises `CalendarError`.
        """
        # Only sites with calendars pay for the libraries: 50 ms at each start.
        import icalendar
        import recurring_ical_events

        # A zone's name with a maker's prefix (RFC 5545, 3.2.19) is taken for the IANA name in it, with a warning.
        with catch_warnings(action="ignore"):
            try:
                calendar: Any = icalendar.Calendar.from_ical(text)
            except (ValueError, LookupError) as error:
                raise CalendarError(
                    f"it is no calendar: {_sentence(error)}", "Export it again as an iCalendar (.ics) file."
                ) from None
            try:
                events: list[Any] = list(calendar.walk("VEVENT"))
                _examine_all(events, persons)
                titles = {title_key(_summary(event)) for event in events}
                named = frozenset(persons[title] for title in titles if title in persons)
                edges = {_instant_us(end(event), zone) for event in events for end in (_begin, _end)}
                made = cls(zone, persons, named, tuple(sorted(edges)), recurring_ical_events.of(calendar))
                made._expand(events)
            except CalendarError:
                raise
            except READING_ERRORS as error:
                raise CalendarError(
                    f"an event cannot be read or repeated: {_sentence(error)}", "Look at its RRULE, DTSTART and DTEND."
                ) from None
        return made

    def _expand(self, events: list[Any]) -> None:
        """Work out a year from each event. Raises whatever the library does."""
        done_us: int | None = None
        for begin_us in sorted(_instant_us(_begin(event), self.zone) for event in events):
            if done_us is None or begin_us >= done_us:
                done_us = begin_us + YEAR_US
                for _ in self.spans(begin_us, done_us):
                    pass

    def spans(self, from_us: int, to_us: int) -> Iterator[Span]:
        """The shifts that touch `[from_us, to_us)`."""
        for event in self._query.between(instant(from_us) - MARGIN, instant(to_us) + MARGIN):
            if str(event.get("STATUS", "")).upper() == "CANCELLED":
                continue
            begin_us, end_us = _instant_us(_begin(event), self.zone), _instant_us(_end(event), self.zone)
            person = self.persons.get(title_key(_summary(event)))
            if person is not None and begin_us < to_us and end_us > from_us and begin_us < end_us:
                yield Span(begin_us, end_us, person)


def _instant_us(moment: date, zone: ZoneInfo) -> int:
    """Whole days and times without a zone are local times of the rota."""
    if not isinstance(moment, datetime):
        moment = datetime.combine(moment, time(), tzinfo=zone)
    elif moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    return instant_us(moment)


def title_key(text: str) -> str:
    """What titles and names are compared by: without regard to case, blanks around it, and ways to write an accent."""
    return normalize("NFC", text.strip()).casefold()


def _begin(event: Any) -> date:
    begin: date = event["DTSTART"].dt
    return begin


def _end(event: Any) -> date:
    if "DTEND" in event:
        end: date = event["DTEND"].dt
        return end
    start = _begin(event)
    if "DURATION" in event:
        length: timedelta = event["DURATION"].dt
    else:
        # RFC 5545, 3.6.1: without an end a whole-day event lasts a day, any other no time at all.
        length = timedelta(0) if isinstance(start, datetime) else timedelta(days=1)
    return start + length


def _summary(event: Any) -> str:
    return str(event.get("SUMMARY", "")).strip()


def _sentence(error: Exception) -> str:
    text = " ".join(str(error).split())
    return text if len(text) <= 120 else text[:117] + "..."


def _examine_all(events: list[Any], persons: Mapping[str, str]) -> None:
    """Raises `CalendarError` for events that could not be followed, or what the library raises."""
    if not events:
        raise CalendarError("there is no event in it", "Add an event for each shift.")
    seen = set()
    for event in events:
        _examine(event, persons)
        if "UID" not in event:
            continue
        moved = event["RECURRENCE-ID"].dt if "RECURRENCE-ID" in event else None
        version = (str(event["UID"]), moved, int(event.get("SEQUENCE", 0)))
        if version in seen:
            raise CalendarError(
                f"two events have the UID '{version[0]}', of which one would be left out", "Give each a UID of its own."
            )
        seen.add(version)


def _examine(event: Any, persons: Mapping[str, str]) -> None:
    """Raises `CalendarError` for an event that could not be followed, or what the library raises."""
    summary = _summary(event)
    if "DTSTART" not in event:
        raise CalendarError(f"the event '{summary}' has no DTSTART", "Give it a begin.")
    if title_key(summary) not in persons and str(event.get("STATUS", "")).upper() != "CANCELLED":
        known = ", ".join(sorted(set(persons.values()))) or "none"
        raise CalendarError(
            f"an event is called '{summary}', which is the id or the name of no person",
            f"{_TITLE}; persons: {known}. A name that two have cannot be used.",
        )
    for name in _TIMES:
        for value in _values(event, name):
            zone = value.params.get("TZID")
            times = [each.dt for each in value.dts] if hasattr(value, "dts") else [value.dt]
            # A period is a pair, of which the begin tells.
            starts = [time[0] if isinstance(time, tuple) else time for time in times]
            if zone is not None and any(isinstance(t, datetime) and t.tzinfo is None for t in starts):
                raise CalendarError(
                    f"the event '{summary}' uses the time zone '{zone}', which is not known",
                    "Use an IANA name such as Europe/Berlin, or put the zone's VTIMEZONE into the calendar.",
                )
    # By the clock on the wall where both are of one zone: the hour that a change of clocks skips is no mistake.
    if _end(event) <= _begin(event):
        raise CalendarError(f"the event '{summary}' does not end after it begins", "Give it a later DTEND.")
    if "EXRULE" in event:
        raise CalendarError(
            f"the event '{summary}' has an EXRULE, which RFC 5545 no longer knows", "Take single days out by EXDATE."
        )
    for rule in _values(event, "RRULE"):
        _examine_rule(summary, rule)


def _values(event: Any, name: str) -> list[Any]:
    found = event.get(name, [])
    return found if isinstance(found, list) else [found]


def _examine_rule(summary: str, rule: Any) -> None:
    """What the library would repeat without end, or say in words of its own."""
    frequency = str(next(iter(rule.get("FREQ", [])), "")).upper()
    if frequency not in _FREQUENCIES:
        raise CalendarError(
            f"the event '{summary}' is repeated '{frequency}', which is no FREQ", f"One of {', '.join(_FREQUENCIES)}."
        )
    interval = int(next(iter(rule.get("INTERVAL", [1])), 1))
    if interval < 1:
        raise CalendarError(f"the event '{summary}' is repeated with INTERVAL={interval}", "INTERVAL is 1 or more.")
    finest = _FREQUENCIES.index(frequency) - _FREQUENCIES.index("DAILY")
    times = 1.0
    for place, (part, number) in enumerate((("BYHOUR", 24), ("BYMINUTE", 60), ("BYSECOND", 60)), start=1):
        named = len(rule.get(part, []))
        times *= named or (number if finest >= place else 1)
    if finest > 0:
        times /= interval
    if times > OFTEN:
        raise CalendarError(
            f"the event '{summary}' is repeated more than {OFTEN} times a day", "Use a FREQ of DAILY or longer."
        )
