"""A rota kept as an RFC 5545 calendar: each event is a shift, its SUMMARY the id or the name of the person on call.

Recurrence, exceptions (EXDATE) and moved instances (RECURRENCE-ID) are the library's. Ours is what its use needs to be
safe: an instant is asked for by a window a day wider than needed and compared with begin and end ourselves (a narrow
window misses events around the change of clocks); a TZID that nobody knows is refused, because the library would
silently take the time as local; times without any zone, and whole days, are local times of the rota (RFC 5545,
3.3.5, "floating"). Cancelled events do not count. A shift ends at its local time on the night of a change of clocks too,
as calendar programs show it; by the letter of RFC 5545, 3.8.5.3, every instance would be as long as the first, and the
next shift would begin an hour before or after this one ends. A calendar is read once and expanded for a year from its first
event, so that what is broken in it is told when it is read and not in the night in which it is needed.

Pure: the text is handed in.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from motewatch.callout.spans import Span
from motewatch.site.instants import instant, instant_us

MARGIN: Final = timedelta(days=1)
YEAR_US: Final = 366 * 86_400_000_000
_TIMES: Final = ("DTSTART", "DTEND", "RECURRENCE-ID", "EXDATE", "RDATE")


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
    """Id of each person by id and by name, in lower case."""
    _query: Any

    @classmethod
    def parse(cls, text: str, zone: ZoneInfo, persons: Mapping[str, str]) -> DutyCalendar:
        """Read a calendar; `persons` is the id of each person by id and by name, in lower case.

        Raises `CalendarError`.
        """
        # Only sites with calendars pay for the libraries: 50 ms at each start.
        import icalendar
        import recurring_ical_events

        calendar: Any
        try:
            calendar = icalendar.Calendar.from_ical(text)
        except ValueError as error:
            raise CalendarError(f"it is no calendar: {error}", "Export it again as an iCalendar (.ics) file.") from None
        events: list[Any] = list(calendar.walk("VEVENT"))
        if not events:
            raise CalendarError("there is no event in it", "Add an event for each shift.")
        try:
            for event in events:
                _examine(event, persons)
            made = cls(zone, persons, recurring_ical_events.of(calendar))
            first = min(made._instant(event["DTSTART"].dt) for event in events)
            for _ in made.spans(first, first + YEAR_US):
                pass
        except CalendarError:
            raise
        except Exception as error:
            # Whatever the libraries stumble over in a text from outside: it is the calendar that has to be mended.
            raise CalendarError(
                f"an event cannot be read or repeated: {error}", "Look at its RRULE, DTSTART and DTEND."
            ) from None
        return made

    def spans(self, from_us: int, to_us: int) -> Iterator[Span]:
        """The shifts that touch `[from_us, to_us)`."""
        for event in self._query.between(instant(from_us) - MARGIN, instant(to_us) + MARGIN):
            if str(event.get("STATUS", "")).upper() == "CANCELLED":
                continue
            begin_us, end_us = self._instant(event["DTSTART"].dt), self._end_us(event)
            person = self.persons.get(_summary(event).casefold())
            if person is not None and begin_us < to_us and end_us > from_us and begin_us < end_us:
                yield Span(begin_us, end_us, person)

    def _end_us(self, event: Any) -> int:
        if "DTEND" in event:
            return self._instant(event["DTEND"].dt)
        start = event["DTSTART"].dt
        if "DURATION" in event:
            length = event["DURATION"].dt
        else:
            # RFC 5545, 3.6.1: without an end a whole-day event lasts a day, any other no time at all.
            length = timedelta(0) if isinstance(start, datetime) else timedelta(days=1)
        return self._instant(start + length)

    def _instant(self, moment: date) -> int:
        if not isinstance(moment, datetime):
            moment = datetime.combine(moment, time(), tzinfo=self.zone)
        elif moment.tzinfo is None:
            moment = moment.replace(tzinfo=self.zone)
        return instant_us(moment)


def _summary(event: Any) -> str:
    return str(event.get("SUMMARY", "")).strip()


def _examine(event: Any, persons: Mapping[str, str]) -> None:
    """Raises `CalendarError` for an event that could not be followed."""
    summary = _summary(event)
    if "DTSTART" not in event:
        raise CalendarError(f"the event '{summary}' has no DTSTART", "Give it a begin.")
    if summary.casefold() not in persons and str(event.get("STATUS", "")).upper() != "CANCELLED":
        raise CalendarError(
            f"an event is called '{summary}', which is the id or the name of no person",
            f"Write the id or the name of a person as its title (SUMMARY); persons: {', '.join(sorted(persons))}.",
        )
    for name in _TIMES:
        found = event.get(name, [])
        for value in found if isinstance(found, list) else [found]:
            zone = value.params.get("TZID")
            times = [each.dt for each in value.dts] if hasattr(value, "dts") else [value.dt]
            if zone is not None and any(isinstance(t, datetime) and t.tzinfo is None for t in times):
                raise CalendarError(
                    f"the event '{summary}' uses the time zone '{zone}', which is not known",
                    "Use an IANA name such as Europe/Berlin, or put the zone's VTIMEZONE into the calendar.",
                )
