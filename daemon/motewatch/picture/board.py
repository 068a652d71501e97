"""The board: everything the view has heard, and what follows from it at an instant.

Feed it messages and the link's ups and downs, each with the instant; ask it for rooms (worst first), standing alarms,
what happened, and its headline. Pure state: it reads no clock and knows no MQTT and no screen, so a night can be
played to it in a test. Messages may come twice, late and in any order.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from dataclasses import dataclass
from typing import Generic, TypeVar
from zoneinfo import ZoneInfo

from motewatch.alarms.lifecycle import HIDDEN, STANDING
from motewatch.engine.plan import LocationPlan, RoomPlan, compile_plan
from motewatch.picture import words
from motewatch.picture.hearing import Cleared, Heard, Unreadable
from motewatch.picture.verdicts import (
    ACTIVE_WORDS,
    NEVER_US,
    Circumstances,
    ClimateValue,
    Latest,
    LocationLine,
    climate_of_room,
    holding_of_room,
    holds_until_us,
    judge_location,
)
from motewatch.picture.words import Holding, Signs
from motewatch.site.models import Site, standard_text
from motewatch.wire.outgoing import AlarmEventMessage, AlarmMessage, SampleMessage, ServiceMessage
from motewatch.wire.records import SECOND_US

HAPPENINGS_KEPT = 200
EVENTS_REMEMBERED = 4096
"""Ids of alarm events: a fault may bring one twice."""

QUIET_US = 35 * SECOND_US
"""The service greets every ten seconds; three missed greetings and it is not there, whatever it said last."""

GREETING_US = 3 * SECOND_US
"""The service's presence is retained: where there is one, it comes at once."""

NEVER_HEARD = "The service has not been heard: never started, or this user may not listen."
"""A broker may take a subscription and yet hand nothing over, where its access list forbids the topic."""

LAST_WORD = "Below is its last word."

STANDING_WORDS = frozenset(state.value for state in STANDING)
HIDDEN_WORDS = frozenset(state.value for state in HIDDEN)
PRIORITY_RANK = {"high": 0, "medium": 1, "low": 2}


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that happened, as a sentence. `number` counts from 1 and only rises; `weight` picks the sign."""

    number: int
    at_us: int
    weight: Holding
    text: str


@dataclass(frozen=True, slots=True)
class RoomLine:
    """One room as it stands."""

    id: str
    name: str
    kind: str
    """`grade B`, `ISO 7`, or empty."""
    occupancy: str
    """Empty before the first sample."""
    holding: Holding
    locations: tuple[LocationLine, ...]
    climate: tuple[ClimateValue, ...]


_Line = TypeVar("_Line")


@dataclass(frozen=True, slots=True)
class _Said(Generic[_Line]):
    """What was said, and from when until when the same is said again unless something is heard."""

    line: _Line
    from_us: int
    until_us: int


@dataclass(frozen=True, slots=True)
class Headline:
    """How far the view can be trusted: a sentence, and whether it is an alarm in itself."""

    text: str
    grave: bool


class Board:
    """See the module."""

    def __init__(self, site: Site, started_us: int, signs: Signs = words.UNICODE) -> None:
        plan = compile_plan(site, "")
        self.title = site.site.name
        self.zone = ZoneInfo(site.site.time_zone)
        self.signs = signs
        self.started_us = started_us
        self.names = {location.id: location.name for location in site.locations}
        self.samples_heard = 0
        self.events_heard = 0
        self.unreadable = 0
        self._site = site
        self._rooms: list[tuple[RoomPlan, str, list[LocationPlan]]] = [
            (
                plan.rooms[room.id],
                standard_text(room),
                [plan.locations[item.id] for item in site.locations if item.room == room.id],
            )
            for room in site.rooms
        ]
        self._intervals = {
            location.id: location.period_us
            or (plan.sensors[location.sensor].interval_us if location.sensor else _portable_us(site))
            for location in plan.locations.values()
        }
        self._latest: dict[str, Latest] = {}
        self._alarms: dict[str, AlarmMessage] = {}
        self._about: dict[str | None, dict[str, AlarmMessage]] = {}
        """The alarms by their location."""
        self._room_of = {location.id: location.room for location in plan.locations.values()}
        self._judged: dict[str, _Said[LocationLine]] = {}
        self._lines: dict[str, _Said[RoomLine]] = {}
        """By location and by room what was said last: of a large site little changes between two looks."""
        self._circumstances: tuple[int, str] = (0, "")
        self._event_ids: OrderedDict[str, None] = OrderedDict()
        self._happenings: deque[Happening] = deque(maxlen=HAPPENINGS_KEPT)
        self._count = 0
        self._link_up = False
        self._link_since_us = started_us
        self._link_detail = ""
        self._listening_us = started_us
        self._service: ServiceMessage | None = None
        self._service_heard_us = started_us
        self._service_since_us = started_us

    # What comes in

    def hear(self, heard: Heard, now_us: int) -> None:
        """Take in one message."""
        match heard:
            case SampleMessage():
                self._sample(heard, now_us)
            case AlarmEventMessage():
                self._event(heard)
            case AlarmMessage():
                self._forget(heard.alarm)
                self._keep(heard)
            case ServiceMessage():
                self._presence(heard, now_us)
            case Cleared(alarm):
                self._forget(alarm)
                self._alarms.pop(alarm, None)
            case Unreadable(topic, why):
                self.unreadable += 1
                if self.unreadable == 1:
                    self._say(now_us, Holding.ALERT, f"a message on {topic} cannot be read: {why}")

    def link(self, up: bool, now_us: int, detail: str = "") -> None:
        """The connection to the broker came or went. `detail` says why it went."""
        if up and not self._link_up:
            # What was retained comes again now; what is no longer there must not stay.
            self._alarms.clear()
            self._about.clear()
            self._say_all_anew()
            self._service = None
            self._listening_us = now_us
            self._service_heard_us = now_us
            if self._count:
                self._say(now_us, Holding.HOLDS, "the broker is reached again")
        elif not up and (self._link_up or not self._link_detail):
            self._say(now_us, Holding.UNKNOWN, f"the broker is not reached: {detail}")
        if up != self._link_up:
            self._link_since_us = now_us
        self._link_up = up
        self._link_detail = "" if up else detail or "no connection"

    def _sample(self, sample: SampleMessage, now_us: int) -> None:
        self.samples_heard += 1
        end_us = words.microseconds(sample.end)
        before = self._latest.get(sample.location)
        if before is None or (end_us, sample.revision) >= (before.end_us, before.sample.revision):
            # An amendment of the newest period is no news of the present.
            heard_us = now_us if before is None or end_us > before.end_us else before.heard_us
            self._latest[sample.location] = Latest(sample, end_us, heard_us)
            self._news_of(sample.location)

    def _event(self, event: AlarmEventMessage) -> None:
        if event.id in self._event_ids:
            return
        self._event_ids[event.id] = None
        if len(self._event_ids) > EVENTS_REMEMBERED:
            self._event_ids.popitem(last=False)
        self.events_heard += 1
        if event.event == "starts":
            weight = _weight(event)
        else:
            weight = Holding.HOLDS if event.event.startswith("returns") else Holding.NOT_JUDGED
        self._say(words.microseconds(event.since), weight, words.happened(event, self.names, self.signs))

    def _keep(self, alarm: AlarmMessage) -> None:
        self._alarms[alarm.alarm] = alarm
        self._about.setdefault(alarm.location, {})[alarm.alarm] = alarm
        self._news_of(alarm.location)

    def _forget(self, alarm: str) -> None:
        """It no longer speaks of its location."""
        before = self._alarms.get(alarm)
        if before is not None:
            self._about[before.location].pop(alarm, None)
            self._news_of(before.location)

    def _presence(self, service: ServiceMessage, now_us: int) -> None:
        if service.trouble is not None:
            # It lives, and says nothing of the rooms: for who looks at them that is the same as gone.
            service = service.model_copy(update={"online": False})
        before, self._service = self._service, service
        self._service_heard_us = now_us
        if before is None or before.online != service.online:
            # A last will carries the time of connecting, so that going is dated by when it was heard of.
            self._service_since_us = now_us
            if before is not None:
                text = "the service is back" if service.online else service.trouble or "the service went offline"
                self._say(now_us, Holding.HOLDS if service.online else Holding.UNKNOWN, text)

    def _say(self, at_us: int, weight: Holding, text: str) -> None:
        self._count += 1
        self._happenings.append(Happening(self._count, at_us, weight, text))

    # What follows from it

    @property
    def connected(self) -> bool:
        """Is the broker reached now?"""
        return self._link_up

    def happenings(self, after: int = 0) -> list[Happening]:
        """What happened, oldest first; only those with a number above `after`."""
        return [happening for happening in self._happenings if happening.number > after]

    def standing(self) -> list[AlarmMessage]:
        """Standing alarms: what holds and is not acknowledged first, then by priority, the newest first."""
        found = [alarm for alarm in self._alarms.values() if alarm.state in STANDING_WORDS]
        found.sort(key=lambda alarm: (alarm.since, alarm.alarm), reverse=True)
        found.sort(key=lambda alarm: (_urgency(alarm), PRIORITY_RANK[alarm.priority]))
        return found

    def hidden(self) -> list[AlarmMessage]:
        """Alarms that are shelved, suppressed by design or out of service: the active ones first, then by id."""
        found = [alarm for alarm in self._alarms.values() if alarm.state in HIDDEN_WORDS]
        return sorted(found, key=lambda alarm: (not alarm.active, alarm.alarm))

    def rooms(self, now_us: int) -> list[RoomLine]:
        """All rooms, worst first, otherwise in the order of the site file."""
        now = Circumstances(now_us, self._listening_us, self._blind(now_us))
        if self._circumstances != (now.listening_us, now.blind):
            self._circumstances = (now.listening_us, now.blind)
            self._say_all_anew()
        lines = [self._room(room, kind, locations, now) for room, kind, locations in self._rooms]
        return sorted(lines, key=lambda line: line.holding.rank)

    def headline(self, now_us: int) -> Headline:
        """Whether the view shows the present, in words."""
        since = words.clock(self._link_since_us, self.zone, now_us)
        if not self._link_up:
            last = f" since {since}" if self._latest or self._count > 1 else ""
            return Headline(f"The broker is not reached{last}: {self._link_detail or 'connecting'}.", True)
        if self._service is None:
            waited = now_us - self._listening_us > GREETING_US
            text = NEVER_HEARD if waited else "Listening."
            return Headline(text, waited)
        since = words.clock(self._service_since_us, self.zone, now_us)
        if self._service.trouble is not None:
            return Headline(f"The service lives, but {self._service.trouble}, since {since}. {LAST_WORD}", True)
        if not self._service.online:
            return Headline(f"The service is offline since {since}. {LAST_WORD}", True)
        if self._quiet_us(now_us) > QUIET_US:
            quiet = words.lasting(self._quiet_us(now_us))
            return Headline(f"Nothing heard from the service for {quiet}. {LAST_WORD}", True)
        newest = self._newest_us()
        if newest is None:
            return Headline("Service online, no sample heard yet.", False)
        return Headline(f"Service online, newest sample {words.lasting(now_us - newest)} ago.", False)

    def _room(self, room: RoomPlan, kind: str, plans: list[LocationPlan], now: Circumstances) -> RoomLine:
        known = self._lines.get(room.id)
        if known is not None and known.from_us <= now.now_us <= known.until_us:
            return known.line
        judged = [self._location(plan, room, now) for plan in plans]
        lines = tuple([each.line for each in judged])
        states = [self._latest[plan.id] for plan in plans if plan.id in self._latest]
        newest = max(states, key=lambda latest: latest.end_us, default=None)
        occupancy = "" if newest is None else newest.sample.occupancy.value
        line = RoomLine(room.id, room.name, kind, occupancy, holding_of_room(lines), lines, climate_of_room(lines))
        from_us, until_us = (each.from_us for each in judged), (each.until_us for each in judged)
        self._lines[room.id] = _Said(line, max(from_us, default=now.now_us), min(until_us, default=NEVER_US))
        return line

    def _location(self, plan: LocationPlan, room: RoomPlan, now: Circumstances) -> _Said[LocationLine]:
        known = self._judged.get(plan.id)
        if known is None or not known.from_us <= now.now_us <= known.until_us:
            interval_us, latest = self._intervals[plan.id], self._latest.get(plan.id)
            line = judge_location(plan, room, interval_us, latest, self._about.get(plan.id, {}).values(), now)
            known = _Said(line, now.now_us, holds_until_us(plan, interval_us, latest, now))
            self._judged[plan.id] = known
        return known

    def _news_of(self, location: str | None) -> None:
        """What was said of it, and of its room, is to be said anew."""
        if location is not None:
            self._judged.pop(location, None)
            self._lines.pop(self._room_of.get(location, ""), None)

    def _say_all_anew(self) -> None:
        self._judged.clear()
        self._lines.clear()

    def _blind(self, now_us: int) -> str:
        """Why nothing can be told of any room, or an empty text."""
        if not self._link_up:
            return "the broker is not reached"
        if self._service is None:
            waited = now_us - self._listening_us > GREETING_US
            return "the service has not been heard" if waited else "listening"
        if not self._service.online:
            return self._service.trouble or "the service is offline"
        return "nothing heard from the service" if self._quiet_us(now_us) > QUIET_US else ""

    def _quiet_us(self, now_us: int) -> int:
        last = max((latest.heard_us for latest in self._latest.values()), default=0)
        return now_us - max(last, self._service_heard_us)

    def _newest_us(self) -> int | None:
        return max((latest.end_us for latest in self._latest.values()), default=None)


def _portable_us(site: Site) -> int:
    intervals = [sensor.interval_s for sensor in site.sensors if sensor.kind == "portable"]
    return round(max(intervals, default=60.0) * SECOND_US)


def _weight(alarm: AlarmMessage | AlarmEventMessage) -> Holding:
    """How heavy an alarm is: its sign in lists."""
    if alarm.priority == "high":
        return Holding.OUT
    if alarm.kind.startswith("sensor-") or alarm.kind == "insufficient-sampling":
        return Holding.UNKNOWN
    return Holding.ALERT


def _urgency(alarm: AlarmMessage) -> int:
    if alarm.state in ACTIVE_WORDS:
        return 0 if alarm.state == "unacknowledged" else 1
    return 2


def weight_of(alarm: AlarmMessage) -> Holding:
    """The sign of an alarm in the list: what it is while it holds, a lighter one when it is over."""
    return _weight(alarm) if alarm.state in ACTIVE_WORDS else Holding.NOT_JUDGED
