"""The messages of the wire, both ways, under one name: `incoming` is what is read, `outgoing` what is sent."""

from __future__ import annotations

from motewatch.site.instants import instant
from motewatch.wire.incoming import CommandMessage, CountMessage, Counts, Incoming, PresenceMessage, Status
from motewatch.wire.outgoing import (
    AlarmEventMessage,
    AlarmMessage,
    AnchorMessage,
    CalledAlarm,
    FiguresMessage,
    FiguresWindow,
    Outgoing,
    PersonCallMessage,
    ReplyMessage,
    SampleChannel,
    SampleMessage,
    ServiceMessage,
    Span,
)

__all__ = [
    "AlarmEventMessage",
    "AlarmMessage",
    "AnchorMessage",
    "CalledAlarm",
    "CommandMessage",
    "CountMessage",
    "Counts",
    "FiguresMessage",
    "FiguresWindow",
    "Incoming",
    "Outgoing",
    "PersonCallMessage",
    "PresenceMessage",
    "ReplyMessage",
    "SampleChannel",
    "SampleMessage",
    "ServiceMessage",
    "Span",
    "Status",
    "instant",
]
