"""The searchable columns of an output: what `samples`, `alarm_events`, `calls` and `audit` hold beside its text.

Used where they are written and where `verify` compares them with the text again. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from motewatch.engine.codec import output_from
from motewatch.engine.records import AlarmChanged, Audited, Delivered, SampleTaken, Told

Row = dict[str, Any]

UNREADABLE: Final = (ValueError, KeyError, TypeError, AttributeError, IndexError)
"""What a text raises that is none of ours."""


def sample_columns(output: SampleTaken) -> Row:
    """What the `samples` table holds of a sample, its place in the record aside."""
    sample = output.sample
    return {
        "location": sample.location,
        "end_us": sample.end_us,
        "revision": sample.revision,
        "start_us": sample.start_us,
        "sampled_us": sample.sampled_us,
        "readings": sample.readings,
        "quality": int(sample.quality),
    }


def sample_trouble(body: str, kept: Mapping[str, Any]) -> str:
    """What is wrong with a sample and the columns that are kept of it, as the end of a sentence; empty: nothing."""
    try:
        output = output_from("sample", body)
        assert isinstance(output, SampleTaken)
        wanted = sample_columns(output)
    except UNREADABLE as error:
        return f"cannot be read: {error}"
    differing = ", ".join(name for name, value in wanted.items() if kept[name] != value)
    return f"and its columns differ in {differing}" if differing else ""


def alarm_columns(output: AlarmChanged) -> Row:
    """What the `alarm_events` table holds of an alarm's step."""
    return {
        "alarm": output.alarm,
        "kind": output.kind,
        "priority": output.priority.value,
        "event": output.event.value,
        "state_before": output.before.value,
        "state_after": output.after.value,
        "at_us": output.at_us,
        "found_us": output.found_us,
        "location": output.location,
        "sensor": output.sensor,
        "room": output.room,
    }


def call_columns(output: Told) -> Row:
    """What the `calls` table holds of a call, its outcome aside."""
    return {
        "person": output.person,
        "channel": output.channel,
        "address": output.address,
        "cause": output.cause.value,
        "at_us": output.at_us,
    }


def call_alarms(output: Told) -> list[str]:
    """The alarms that a call is about, each once."""
    return list(dict.fromkeys(fact.alarm for fact in output.facts))


def outcome_columns(what: Delivered) -> Row:
    """What the `calls` table holds of what became of a call."""
    return {
        "outcome": what.outcome.value,
        "outcome_us": what.at_us,
        "attempts": what.attempts,
        "detail": what.detail,
    }


def audit_columns(output: Audited) -> Row:
    """What the `audit` table holds of a fact, its place in the chain aside."""
    return {
        "at_us": output.at_us,
        "who": output.by,
        "action": output.action,
        "subject": output.subject,
        "detail": output.detail,
    }
