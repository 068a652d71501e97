"""A call as JSON: what the broker carries and what a webhook receives. Pure."""

from __future__ import annotations

from math import isfinite

from motewatch.links.call_message import CallMessage
from motewatch.site.instants import instant
from motewatch.wire.outgoing import CalledAlarm, PersonCallMessage


def payload_of(message: CallMessage) -> bytes:
    """The bytes of a `PersonCallMessage`."""
    return PersonCallMessage(
        id=message.id,
        site=message.site,
        at=instant(message.at_us),
        cause=message.cause,
        person=message.person,
        name=message.name,
        address=message.address,
        urgent=message.urgent,
        maybe_repeat=message.maybe_repeat,
        subject=message.subject,
        text=message.text,
        short=message.short,
        note=message.note,
        link=message.link,
        alarms=[
            CalledAlarm(
                alarm=fact.alarm,
                priority=fact.priority,
                state=fact.state,
                what=fact.what,
                where=fact.where,
                since=instant(fact.since_us),
                value=_number(fact.value),
                limit=_number(fact.limit),
                unit=fact.unit,
                action=fact.action,
            )
            for fact in message.facts
        ],
    ).to_payload()


def _number(value: float | None) -> float | None:
    """JSON has no infinity: such a value is not known there, and must not keep a call from going out."""
    return value if value is not None and isfinite(value) else None
