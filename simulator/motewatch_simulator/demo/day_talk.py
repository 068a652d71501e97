"""Tells the demo day as it goes: what happens in the rooms, and what the daemon says of it on MQTT, each at its hour.

It hears what any other client would hear (alarm events, calls and presence), and knows the incidents from the scenario.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Final, Self

from pydantic import ValidationError

from motewatch.alarms.lifecycle import Event
from motewatch.site.models import Site
from motewatch.wire.messages import AlarmEventMessage, PersonCallMessage, PresenceMessage
from motewatch.wire.topics import Topics
from motewatch_simulator.clock import micros
from motewatch_simulator.demo.hearing import Hearing
from motewatch_simulator.timeline import SECOND_US
from motewatch_simulator.truth import Truth

DAY_BEGINS_MIN: Final = 6 * 60
"""The demo day begins at six in the morning (its scenario)."""

HAPPENINGS: Final = {
    "gowning-burst": "people change or move abruptly: {where}",
    "intervention": "hands reach into the zone: {where}",
    "filter-leak": "a filter leaks at its seal: {where}",
    "door-open": "a door is wedged open: {where}",
    "humidity-drift": "the moisture wanders off: {where}",
    "temperature-drift": "the temperature wanders off: {where}",
    "supply-drop": "the supply fan runs slow: {where}",
    "fan-trip": "the supply fan fails: {where}",
    "sensor-unplugged": "counter {where} is unplugged",
    "network-lost": "counter {where} loses its network, counts on and sends late",
    "repeats": "counter {where} sends each message twice",
    "stuck": "counter {where} hangs: the same counts again and again",
    "all-zero": "counter {where} counts nothing any more",
    "laser-ageing": "the laser of counter {where} fades",
    "electronic-noise": "counter {where} counts noise of its own",
}
"""How an incident is told; others by their own word."""


@dataclass(frozen=True, slots=True)
class DayClock:
    """The hour of the day that an instant of the stream stands for."""

    start_us: int
    speed: float

    def hour(self, at_us: int) -> str:
        """As 07:20."""
        minutes = DAY_BEGINS_MIN + int((at_us - self.start_us) * self.speed / SECOND_US / 60)
        return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"


class Talk:
    """A context manager; `turn` tells what has come since. `say` shows a line."""

    def __init__(self, site: Site, planned: Callable[[int], list[Truth]], speed: float, say: Callable[[str], None]):
        """`planned` gives the incidents of a stream that starts at an instant."""
        self._names = {room.id: room.name for room in site.rooms} | {place.id: place.name for place in site.locations}
        self._planned = planned
        self._speed = speed
        self._say = say
        self._coming: list[Truth] | None = None
        self._start_us = 0
        self._hearing = Hearing("motewatch-demo-talk", self._hear)

    def open(self, port: int, topics: Topics) -> None:
        """Begin to listen."""
        self._topics = topics
        self._hearing.open(port, [topics.event, topics.call("+"), topics.presence("+")])

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._hearing.close()

    def turn(self, now_us: int) -> None:
        """Tell what has come and what has begun until this instant."""
        self._hearing.turn(0.02)
        while self._coming and self._coming[0].start_us <= now_us:
            truth = self._coming.pop(0)
            self._say(f"  {self._hour(truth.start_us)}  {happening(truth, self._names)}")

    def _hour(self, at_us: int) -> str:
        return DayClock(self._start_us, self._speed).hour(at_us)

    def _hear(self, topic: str, payload: bytes) -> None:
        try:
            if topic == self._topics.event:
                self._heard_alarm(AlarmEventMessage.model_validate_json(payload))
            elif topic.startswith(self._topics.call("")):
                self._heard_call(PersonCallMessage.model_validate_json(payload))
            elif self._coming is None:
                # The stream begins with its sensors coming.
                self._start_us = micros(PresenceMessage.model_validate_json(payload).at)
                self._coming = self._planned(self._start_us)
        except ValidationError as error:
            self._say(f"         a message that cannot be read, on {topic}: {error.error_count()} mistakes")

    def _heard_alarm(self, heard: AlarmEventMessage) -> None:
        if self._coming is None:
            return
        at = self._hour(micros(heard.found))
        if heard.event == Event.STARTS.value:
            self._say(f"  {at}      ALARM  {heard.text}")
        elif heard.event in (Event.RETURNS.value, Event.RETURNS_LATCHED.value):
            self._say(f"  {at}      over   {heard.text}")

    def _heard_call(self, heard: PersonCallMessage) -> None:
        if self._coming is not None and not heard.maybe_repeat:
            self._say(f"  {self._hour(micros(heard.at))}      CALL   {called(heard)}")


CALLED: Final = {
    "raised": "is called",
    "climbed": "is called, because nobody has answered",
    "many": "is called, for all of it at once",
    "returned": "is told that it is over",
    "taken": "is told that somebody has it",
}
"""How a call is told, by its cause; others as a call."""


def called(call: PersonCallMessage) -> str:
    """Who is called and for what, in words."""
    places = list(dict.fromkeys(alarm.where for alarm in call.alarms))
    what = CALLED.get(call.cause, "is called")
    return f"{call.name}: {what} ({len(call.alarms)} alarm{'s' if len(call.alarms) > 1 else ''}, {places[0]})"


def happening(truth: Truth, names: dict[str, str]) -> str:
    """An incident in words, with the names of its places."""
    places = list(truth.subject.values())
    places += [str(truth.detail[key]) for key in ("higher", "lower") if key in truth.detail]
    where = " and ".join(dict.fromkeys(names.get(place, place) for place in places))
    return HAPPENINGS.get(truth.what, truth.what + " ({where})").format(where=where)
