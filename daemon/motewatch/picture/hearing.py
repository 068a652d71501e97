"""From a topic and its bytes to what the board takes in.

Rules: never raises; what cannot be read is told as `Unreadable`, so that it can be counted and shown. Keys that we do
not know are passed over, as the contract on outgoing messages promises that more may come. Must not know the board.
"""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import ValidationError

from motewatch.wire.outgoing import AlarmEventMessage, AlarmMessage, Outgoing, SampleMessage, ServiceMessage
from motewatch.wire.topics import Topics
from motewatch.wire.wording import plain

MAX_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Cleared:
    """The retained state of an alarm was taken off the broker."""

    alarm: str


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A message on one of our topics that makes no sense to us."""

    topic: str
    why: str


Heard = SampleMessage | AlarmMessage | AlarmEventMessage | ServiceMessage | Cleared | Unreadable


def filters(topics: Topics) -> list[str]:
    """The topic filters of a view. The service comes last: when it is heard, what was retained of the alarms is too."""
    return [topics.alarm("#"), topics.event, topics.sample("+"), topics.service]


def hear(topics: Topics, topic: str, payload: bytes) -> Heard | None:
    """What a message says; None for one that says nothing (an emptied topic)."""
    alarms = topics.alarm("")
    if not payload:
        return Cleared(topic.removeprefix(alarms)) if topic.startswith(alarms) else None
    model: type[Outgoing]
    if topic.startswith(alarms):
        model = AlarmMessage
    elif topic.startswith(topics.sample("")):
        model = SampleMessage
    elif topic == topics.event:
        model = AlarmEventMessage
    elif topic == topics.service:
        model = ServiceMessage
    else:
        return Unreadable(plain(topic), "this is none of the topics that a view reads")
    if len(payload) > MAX_BYTES:
        return Unreadable(plain(topic), f"the message has {len(payload)} bytes")
    try:
        message = model.model_validate_json(payload, extra="ignore")
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        return Unreadable(plain(topic), plain(f"{where}: {first['msg']}" if where else first["msg"]))
    if isinstance(message, AlarmMessage) and topic != topics.alarm(message.alarm):
        return Unreadable(plain(topic), f"it speaks of another alarm: {plain(message.alarm)}")
    if isinstance(message, SampleMessage) and topic != topics.sample(message.location):
        return Unreadable(plain(topic), f"it speaks of another location: {plain(message.location)}")
    assert isinstance(message, SampleMessage | AlarmMessage | AlarmEventMessage | ServiceMessage)
    return message
