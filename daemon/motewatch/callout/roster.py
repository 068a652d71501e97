"""Who is on call: rotas by rotation or by calendar, with cover, for every instant and every zone.

Compiled once per configuration. The answers of a stretch of four weeks are worked out together and kept for a while,
so that asking for an instant is a bisection. Cover takes the calls from its begin to its end: of one person, where it
says `instead_of`, else of whoever is on, or where nobody is. Of several, a later one in the file goes over an earlier.

Rules: pure; instants are microseconds UTC and handed in. Must not know alarms or messages.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.callout.duty_calendar import READING_ERRORS, DutyCalendar, title_key
from motewatch.callout.rotation import hand_over_us, rotation_spans
from motewatch.callout.spans import Span
from motewatch.site.instants import instant_us
from motewatch.site.models import Site
from motewatch.site.people import Person, Rota
from motewatch.site.schedule import WeeklyWindows, zone

DAY_US: Final = 86_400_000_000
BLOCK_US: Final = 28 * DAY_US
KEPT_BLOCKS: Final = 24
LOOK_AHEAD_US: Final = 400 * DAY_US

COVER: Final = "cover"
TURN: Final = "turn"
CALENDAR: Final = "calendar"


@dataclass(frozen=True, slots=True)
class Stretch:
    """From `begin_us` until before `end_us` these are on call. Nobody: a gap."""

    begin_us: int
    end_us: int
    persons: tuple[str, ...]
    why: str
    """`turn`, `calendar` or `cover`; empty for a gap."""
    reason: str = ""
    """Of cover, as the site file gives it."""

    def continues(self, earlier: Stretch) -> bool:
        """Is it more of the same?"""
        return (self.persons, self.why, self.reason) == (earlier.persons, earlier.why, earlier.reason)


@dataclass(frozen=True, slots=True)
class Gap:
    """Nobody is on call in a rota."""

    rota: str
    begin_us: int
    end_us: int


@dataclass(frozen=True, slots=True)
class Relief:
    """Cover, in instants."""

    begin_us: int
    end_us: int
    person: str
    instead_of: str | None
    reason: str


@dataclass(slots=True)
class Duty:
    """One rota."""

    rota: Rota
    zone: ZoneInfo
    calendar: DutyCalendar | None
    reliefs: tuple[Relief, ...]
    blocks: dict[int, list[Stretch]] = field(default_factory=dict)
    """What was worked out lately, by number of four weeks."""

    @classmethod
    def of(cls, rota: Rota, site_zone: str, persons: Mapping[str, str]) -> Duty:
        """Raises `CalendarError` or `ScheduleError` for what the checks of a site file refuse."""
        zone_info = zone(rota.time_zone or site_zone)
        calendar = None if rota.calendar is None else DutyCalendar.parse(rota.calendar, zone_info, persons)
        reliefs = tuple(
            Relief(
                instant_us(cover.start.replace(tzinfo=zone_info)),
                instant_us(cover.end.replace(tzinfo=zone_info)),
                cover.person,
                cover.instead_of,
                cover.reason or "",
            )
            for cover in rota.cover
        )
        return cls(rota, zone_info, calendar, reliefs)

    def stretches(self, from_us: int, to_us: int) -> Iterator[Stretch]:
        """Who is on call, without holes and cut to `[from_us, to_us)`; equal neighbours are one."""
        held: Stretch | None = None
        for number in range(from_us // BLOCK_US, (to_us - 1) // BLOCK_US + 1):
            for stretch in self._block(number):
                begin_us, end_us = max(stretch.begin_us, from_us), min(stretch.end_us, to_us)
                if begin_us >= end_us:
                    continue
                if held is not None and stretch.continues(held):
                    held = replace(held, end_us=end_us)
                    continue
                if held is not None:
                    yield held
                held = replace(stretch, begin_us=begin_us, end_us=end_us)
        if held is not None:
            yield held

    def at(self, at_us: int) -> Stretch:
        """The stretch that holds an instant, cut to four weeks."""
        block = self._block(at_us // BLOCK_US)
        return block[bisect_right(block, at_us, key=lambda stretch: stretch.begin_us) - 1]

    def named_us(self) -> list[int]:
        """Instants of the site file and the calendar at which something may change, in order."""
        found = {at_us for relief in self.reliefs for at_us in (relief.begin_us, relief.end_us)}
        if self.rota.rotation is not None:
            found.add(hand_over_us(self.rota.rotation, self.zone, 0))
        if self.calendar is not None:
            found.update(self.calendar.edges_us)
        return sorted(found)

    def _block(self, number: int) -> list[Stretch]:
        known = self.blocks.get(number)
        if known is None:
            if len(self.blocks) >= KEPT_BLOCKS:
                self.blocks.clear()
            known = self.blocks[number] = self._work_out(number * BLOCK_US, (number + 1) * BLOCK_US)
        return known

    def _work_out(self, from_us: int, to_us: int) -> list[Stretch]:
        spans = sorted(self._spans(from_us, to_us))
        reliefs = [relief for relief in self.reliefs if relief.begin_us < to_us and relief.end_us > from_us]
        edges = {from_us, to_us}
        for ends in [(each.begin_us, each.end_us) for each in spans] + [(e.begin_us, e.end_us) for e in reliefs]:
            edges |= {min(max(at_us, from_us), to_us) for at_us in ends}
        stretches: list[Stretch] = []
        on: list[Span] = []
        coming = iter(spans)
        next_ = next(coming, None)
        for begin_us, end_us in pairwise(sorted(edges)):
            on = [span for span in on if span.end_us > begin_us]
            while next_ is not None and next_.begin_us <= begin_us:
                if next_.end_us > begin_us:
                    on.append(next_)
                next_ = next(coming, None)
            stretches.append(self._stretch(begin_us, end_us, on, reliefs))
        return stretches

    def _spans(self, from_us: int, to_us: int) -> Iterable[Span]:
        """The shifts of this stretch; none where they cannot be worked out: nobody on call is an alarm, and an
        exception here would stop the service in that night."""
        try:
            if self.calendar is not None:
                return list(self.calendar.spans(from_us, to_us))
            if self.rota.rotation is not None:
                return list(rotation_spans(self.rota.rotation, self.zone, from_us, to_us))
        except READING_ERRORS:
            return ()
        return ()

    def _stretch(self, begin_us: int, end_us: int, spans: list[Span], reliefs: list[Relief]) -> Stretch:
        """Nothing changes between these two instants, over which all these spans reach."""
        on = list(dict.fromkeys(span.person for span in spans))
        why = (CALENDAR if self.calendar is not None else TURN) if on else ""
        reason = ""
        for relief in reliefs:
            if not relief.begin_us <= begin_us < relief.end_us:
                continue
            if relief.instead_of is None:
                on, why, reason = [relief.person], COVER, relief.reason
            elif relief.instead_of in on:
                swapped = (relief.person if person == relief.instead_of else person for person in on)
                on, why, reason = list(dict.fromkeys(swapped)), COVER, relief.reason
        return Stretch(begin_us, end_us, tuple(on), why, reason)


@dataclass(frozen=True, slots=True)
class Roster:
    """All rotas, teams and persons of a site."""

    persons: Mapping[str, Person]
    teams: Mapping[str, tuple[str, ...]]
    duties: Mapping[str, Duty]
    quiet_hours: Mapping[str, WeeklyWindows]

    @classmethod
    def of(cls, site: Site) -> Roster:
        """The roster of a site that its checks found sound. Raises `CalendarError` or `ScheduleError`."""
        names = person_ids(site.persons)
        return cls(
            persons={person.id: person for person in site.persons},
            teams={team.id: team.members for team in site.teams},
            duties={rota.id: Duty.of(rota, site.site.time_zone, names) for rota in site.rotas},
            quiet_hours={
                person.id: WeeklyWindows.parse(person.quiet, site.site.time_zone)
                for person in site.persons
                if person.quiet
            },
        )

    def on_call(self, rota: str, at_us: int) -> tuple[str, ...]:
        """Ids of the persons who are on call in a rota at an instant; empty: nobody is."""
        duty = self.duties.get(rota)
        return () if duty is None else duty.at(at_us).persons

    def next_change_us(self, rota: str, after_us: int) -> int | None:
        """The first instant after `after_us` at which others are on call. None: never again, as far as is known.

        Every change within 400 days is found; later ones, if until then there is none, where the site file or the
        calendar names an instant (not in a recurrence of more than 400 days).
        """
        duty = self.duties.get(rota)
        if duty is None:
            return None
        now = duty.at(after_us).persons
        for stretch in duty.stretches(after_us, after_us + LOOK_AHEAD_US):
            if stretch.persons != now:
                return stretch.begin_us
        later = (at_us for at_us in duty.named_us() if at_us > after_us + LOOK_AHEAD_US)
        return next((at_us for at_us in later if duty.at(at_us).persons != now), None)

    def resolve(self, target: str, at_us: int) -> tuple[str, ...]:
        """The persons whom `person:ID`, `team:ID` or `rota:ID` names at an instant."""
        kind, _, id_ = target.partition(":")
        if kind == "person":
            return (id_,) if id_ in self.persons else ()
        if kind == "team":
            return self.teams.get(id_, ())
        return self.on_call(id_, at_us)

    def quiet(self, person: str, at_us: int) -> bool:
        """Is it in the person's quiet hours?"""
        windows = self.quiet_hours.get(person)
        return windows is not None and windows.is_operational(at_us)

    def quiet_until_us(self, person: str, at_us: int) -> int | None:
        """The end of the quiet hours that hold an instant; None: it lies in none. Quiet hours that never end are
        asked again a day later."""
        if not self.quiet(person, at_us):
            return None
        end_us = self.quiet_hours[person].next_change_us(at_us)
        return at_us + DAY_US if end_us is None else end_us

    def stretches(self, rota: str, from_us: int, to_us: int) -> list[Stretch]:
        """Who is on call in `[from_us, to_us)`, without holes. Raises KeyError: no such rota."""
        return list(self.duties[rota].stretches(from_us, to_us))

    def gaps(self, rota: str, from_us: int, to_us: int) -> list[Gap]:
        """When nobody is on call in `[from_us, to_us)`. Raises KeyError: no such rota."""
        return [
            Gap(rota, stretch.begin_us, stretch.end_us)
            for stretch in self.stretches(rota, from_us, to_us)
            if not stretch.persons
        ]


def person_ids(persons: Iterable[Person]) -> dict[str, str]:
    """The id of each person by `title_key` of id and name. An id goes before a name; a name that two have is left out,
    because it would call one of them by chance."""
    persons = tuple(persons)
    names = Counter(title_key(person.name) for person in persons)
    by_name = {title_key(person.name): person.id for person in persons if names[title_key(person.name)] == 1}
    return by_name | {title_key(person.id): person.id for person in persons}
