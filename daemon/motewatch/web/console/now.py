"""The model of the page `Right now`: rooms worst first, alarms, what changed.

Rules: three answers to `is this room fine`: fine, not fine, cannot tell; and rooms without a limit in their present
state, of which nothing is claimed. No data is never fine. Every answer has a word and a shape. The words of figures,
places and reasons are those of the live view. Reads no clock.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.picture import words
from motewatch.picture.board import Board, RoomLine, weight_of
from motewatch.picture.verdicts import ACTIVE_WORDS, UNITS, ClimateValue, LocationLine, SizeLine
from motewatch.picture.words import Holding
from motewatch.site.models import Site
from motewatch.web.words import ago, at, at_on, local
from motewatch.wire.outgoing import AlarmMessage
from motewatch.wire.records import HOUR_US

CHANGES_SHOWN: Final = 12
COMMENT_MAX: Final = 500
MARK: Final = 75.0
"""Where on a bar of 100 the limit stands: what is beyond it has a quarter of the bar."""

_FIGURE_BLANK: Final = re.compile(r"(?<=\d) (?=\d{3})")
"""Figures are not broken between their thousands."""

ANSWERS: Final[dict[Holding, tuple[str, str, str]]] = {
    Holding.OUT: ("bad", "✖", "Not fine"),
    Holding.UNKNOWN: ("unknown", "?", "Cannot tell"),
    Holding.ALERT: ("watch", "▲", "Not fine: alert level"),
    Holding.HOLDS: ("fine", "✓", "Fine"),
    Holding.NOT_JUDGED: ("none", "–", "No limit now"),
    Holding.UNATTENDED: ("unknown", "?", "Cannot tell"),
}
"""Of each holding: its class, its shape, its word."""


@dataclass(frozen=True, slots=True)
class Measure:
    """One value against its limit. `share`: 1 is the limit; `bar`: from 0 to 100, `MARK` is the limit."""

    name: str
    value: str
    limit: str
    share: float | None
    share_words: str
    bar: float
    beyond: bool
    size_um: float
    per_m3: float | None
    limit_per_m3: int


@dataclass(frozen=True, slots=True)
class Place:
    """One location."""

    id: str
    name: str
    css: str
    sign: str
    word: str
    why: str
    when: str
    measures: tuple[Measure, ...]


@dataclass(frozen=True, slots=True)
class RoomNow:
    """One room. `worst`: the value nearest to its limit, or beyond it."""

    id: str
    name: str
    kind: str
    occupancy: str
    css: str
    sign: str
    word: str
    why: str
    worst: Measure | None
    places: tuple[Place, ...]
    climate: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AlarmNow:
    """One standing alarm."""

    id: str
    css: str
    sign: str
    priority: str
    text: str
    where: str
    state: str
    since: str
    active: bool
    open: bool
    """It can be acknowledged."""
    by: str


@dataclass(frozen=True, slots=True)
class Change:
    """Something that happened in the last hour."""

    when: str
    sign: str
    css: str
    text: str


@dataclass(frozen=True, slots=True)
class Now:
    """The whole page. `trouble`: why nothing on it can be trusted, or empty."""

    title: str
    clock: str
    zone: str
    trouble: str
    tally: tuple[tuple[str, str, int, str], ...]
    rooms: tuple[RoomNow, ...]
    alarms: tuple[AlarmNow, ...]
    hidden: int
    changes: tuple[Change, ...]
    more_changes: int


class Painter:
    """Says what a board says in the words of the page, of one configuration.

    Rooms and places that the board tells as before are kept as they were: of a large site little changes between two
    looks.
    """

    def __init__(self, site: Site) -> None:
        self._zone_name = site.site.time_zone
        self._names = {location.id: location.name for location in site.locations}
        self._room_names = {room.id: room.name for room in site.rooms}
        self._day: date | None = None
        self._rooms: dict[str, tuple[RoomLine, RoomNow]] = {}
        self._places: dict[str, tuple[LocationLine, Place]] = {}

    def paint(self, board: Board, now_us: int, *, well: bool, connected: bool) -> Now:
        """What the board says at this instant."""
        rooms, today = self._all_rooms(board, now_us)
        alarms = tuple(
            alarm_now(alarm, self._names, self._room_names, board.zone, now_us) for alarm in board.standing()
        )
        recent = [each for each in reversed(board.happenings()) if now_us - each.at_us < HOUR_US]
        changes = tuple(
            Change(at_on(each.at_us, board.zone, today), ANSWERS[each.weight][1], ANSWERS[each.weight][0], each.text)
            for each in recent[:CHANGES_SHOWN]
        )
        trouble = ""
        if not well:
            trouble = "The daemon takes nothing in. What is below is what it knew last."
        elif not connected:
            trouble = "The daemon does not reach its broker. What is below is what it knew last."
        return Now(
            board.title,
            words.clock(now_us, board.zone),
            self._zone_name,
            trouble,
            _tally(rooms),
            rooms,
            alarms,
            len(board.hidden()),
            changes,
            len(recent) - len(changes),
        )

    def prepare(self, board: Board, now_us: int) -> None:
        """Paint what changed of the rooms, for a later picture to be quick."""
        self._all_rooms(board, now_us)

    def _all_rooms(self, board: Board, now_us: int) -> tuple[tuple[RoomNow, ...], date]:
        today = local(now_us, board.zone).date()
        if today != self._day:
            # How the time of a sample is said depends on the day.
            self._day = today
            self._rooms.clear()
            self._places.clear()
        return tuple([self._room(line, board.zone, today) for line in board.rooms(now_us)]), today

    def _room(self, line: RoomLine, zone: ZoneInfo, today: date) -> RoomNow:
        known = self._rooms.get(line.id)
        if known is not None and known[0] is line:
            return known[1]
        places = tuple(
            self._place(each, zone, today) for each in sorted(line.locations, key=lambda each: each.holding.rank)
        )
        room = _room(line, places)
        self._rooms[line.id] = (line, room)
        return room

    def _place(self, line: LocationLine, zone: ZoneInfo, today: date) -> Place:
        known = self._places.get(line.id)
        if known is not None and known[0] is line:
            return known[1]
        place = _place(line, zone, today)
        self._places[line.id] = (line, place)
        return place


def _tally(rooms: tuple[RoomNow, ...]) -> tuple[tuple[str, str, int, str], ...]:
    """(class, shape, how many, word) for each answer that there is, worst first."""
    groups = (
        ("bad", "✖", "not fine", ("bad", "watch")),
        ("unknown", "?", "cannot tell", ("unknown",)),
        ("fine", "✓", "fine", ("fine",)),
        ("none", "–", "without a limit now", ("none",)),
    )
    counted = [(css, sign, sum(room.css in which for room in rooms), word) for css, sign, word, which in groups]
    return tuple(each for each in counted if each[2] or each[0] == "bad")


def _room(line: RoomLine, places: tuple[Place, ...]) -> RoomNow:
    measures = [(place, measure) for place in places for measure in place.measures if measure.share is not None]
    found = max(measures, key=lambda each: each[1].share or 0.0, default=None)
    worst = None if found is None else replace(found[1], name=f"{found[0].name}, {found[1].name}")
    css, sign, word = ANSWERS[line.holding]
    why = next((each.why for each in places if each.css == css and each.why), "")
    climate = tuple(_climate(value) for value in line.climate)
    return RoomNow(line.id, line.name, line.kind, line.occupancy, css, sign, word, why, worst, places, climate)


def _place(line: LocationLine, zone: ZoneInfo, today: date) -> Place:
    css, sign, word = ANSWERS[line.holding]
    when = "" if line.since_us is None else f"sample of {at_on(line.since_us, zone, today)}"
    return Place(line.id, line.name, css, sign, word, line.why, when, tuple(_measure(each) for each in line.sizes))


def _measure(size: SizeLine) -> Measure:
    name = words.size(size.size_nm, words.UNICODE)
    grade = size.grade.value
    limit = f"{grade} {_whole(words.limit_figure(size.limit))}/m³"
    if size.per_m3 is None or size.share is None:
        return Measure(
            name, "not counted", limit, None, "not counted", 0.0, False, size.size_nm / 1000, None, size.limit
        )
    least = words.UNICODE.at_least if size.at_least else ""
    return Measure(
        name,
        f"{least}{_whole(words.figure(size.per_m3))}/m³",
        limit,
        size.share,
        f"{least}{words.share(size.share)} of the {grade} level",
        round(max(0.5, min(100.0, MARK * size.share)), 1) if size.share else 0.0,
        size.beyond is not None,
        size.size_nm / 1000,
        size.per_m3,
        size.limit,
    )


def _whole(figure: str) -> str:
    """A figure that is not broken between its thousands."""
    return figure.replace(" ", "\N{NO-BREAK SPACE}")


def _climate(value: ClimateValue) -> str:
    unit = {"C": "°C", "%": "%", "Pa": "Pa"}[UNITS[value.quantity]]
    outside = "" if value.outside is None else f" ({value.outside[1].value}: too {value.outside[0].value})"
    return f"{value.quantity.replace('-', ' ')} {value.mean:.1f} {unit}{outside}"


def alarm_now(
    alarm: AlarmMessage, names: dict[str, str], rooms: dict[str, str], zone: ZoneInfo, now_us: int
) -> AlarmNow:
    """One alarm as a line of a list. `names` and `rooms`: what people call the locations and the rooms."""
    since_us = words.microseconds(alarm.since)
    css, sign, _ = ANSWERS[weight_of(alarm)]
    return AlarmNow(
        alarm.alarm,
        css,
        sign,
        alarm.priority,
        _FIGURE_BLANK.sub("\N{NO-BREAK SPACE}", words.about(alarm, names, words.UNICODE)),
        "" if alarm.room is None else rooms.get(alarm.room, alarm.room),
        words.STATES[alarm.state],
        f"since {at(since_us, zone, now_us)}, {ago(since_us, now_us)}",
        alarm.state in ACTIVE_WORDS,
        "unacknowledged" in alarm.state,
        alarm.by or "",
    )
