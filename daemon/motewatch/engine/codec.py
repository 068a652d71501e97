"""Engine records as canonical JSON and back: what the journal stores and what a replay is compared by.

Rules: one text for one value (fixed key order, no blanks, integers stay integers), and the way back gives an equal
record. By hand for the two records that come by the thousand, by the dataclass' own fields for the rest. This module
knows nothing of tables or messages.
"""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any, Final

import msgspec

from motewatch.alarms.lifecycle import Event, State
from motewatch.callout.records import Cause, Delivered, Fact, Outcome, Told
from motewatch.engine.records import (
    Accessed,
    Act,
    AlarmChanged,
    Answered,
    Audited,
    ClockStepped,
    Configured,
    Entered,
    Link,
    LinkChanged,
    LinksGuessed,
    Ordered,
    OrderedAct,
    Output,
    PartChanged,
    Placed,
    PlaceOrdered,
    Pressed,
    Priority,
    RecordHeldUp,
    Repeated,
    ReplayDiffered,
    Replied,
    Resumed,
    SampleTaken,
    SessionLost,
    SessionTaken,
    SignInsFailed,
    Turned,
)
from motewatch.measure.samples import Channel, Quality, Sample, Spread
from motewatch.wire.records import Refusal, RefusalReason

OUTPUT_KINDS: Final[dict[type[Any], str]] = {
    SampleTaken: "sample",
    AlarmChanged: "alarm",
    Replied: "reply",
    Turned: "turned",
    Repeated: "repeated",
    Audited: "audit",
    Told: "told",
}
_OUTPUTS: Final = {kind: cls for cls, kind in OUTPUT_KINDS.items()}

Internal = (
    LinkChanged
    | PartChanged
    | SessionLost
    | Resumed
    | ClockStepped
    | ReplayDiffered
    | Configured
    | Answered
    | LinksGuessed
    | RecordHeldUp
    | SessionTaken
    | SignInsFailed
    | Accessed
    | Pressed
    | Ordered
    | Placed
    | PlaceOrdered
    | Entered
    | Delivered
)
"""Inputs that the service makes itself; the others are kept as the bytes that arrived."""

INTERNAL_KINDS: Final[dict[type[Any], str]] = {
    LinkChanged: "link-changed",
    PartChanged: "part-changed",
    SessionLost: "session-lost",
    Resumed: "resumed",
    ClockStepped: "clock-stepped",
    ReplayDiffered: "replay-differed",
    Configured: "configured",
    Answered: "answered",
    LinksGuessed: "links-guessed",
    RecordHeldUp: "record-held-up",
    SessionTaken: "session-taken",
    SignInsFailed: "sign-ins-failed",
    Accessed: "accessed",
    Pressed: "pressed",
    Ordered: "ordered",
    Placed: "placed",
    PlaceOrdered: "place-ordered",
    Entered: "entered",
    Delivered: "delivered",
}
_INTERNALS: Final = {kind: cls for cls, kind in INTERNAL_KINDS.items()}

_ENUMS: Final[dict[str, Any]] = {
    "priority": Priority,
    "event": Event,
    "before": State,
    "after": State,
    "link": Link,
    "reason": RefusalReason,
    "act": Act,
    "ordered": OrderedAct,
    "cause": Cause,
    "outcome": Outcome,
}

_ONLY_WHERE_SAID: Final = ("active", "until_us", "hidden_because", "permit", "hidden_by")

_encode_quickly = msgspec.json.Encoder().encode
_encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode


def kind_of(output: Output) -> str:
    """The word that names this kind of output in the journal."""
    return OUTPUT_KINDS[type(output)]


def canonical(output: Output) -> str:
    """Canonical JSON text of an output."""
    if isinstance(output, SampleTaken):
        return _sample_text(output.sample)
    if isinstance(output, Turned):
        return _encode(_plain(output.refusal))
    if isinstance(output, Told):
        return _encode(_plain(output) | {"facts": [_plain(fact) for fact in output.facts]})
    return _encode(_plain(output))


def output_from(kind: str, text: str) -> Output:
    """The output that `canonical` wrote. Raises ValueError on a kind or a text that it never wrote."""
    cls = _OUTPUTS.get(kind)
    if cls is None:
        raise ValueError(f"no output is called '{kind}'; known: {', '.join(sorted(_OUTPUTS))}")
    plain = json.loads(text)
    if cls is SampleTaken:
        return SampleTaken(sample_from_plain(plain))
    if cls is Turned:
        return Turned(Refusal(**_enums(plain)))
    if cls is Told:
        # A fact's priority and state are words that a message shows, not the engine's own.
        plain["facts"] = tuple(Fact(**fact) for fact in plain["facts"])
    output: Output = cls(**_enums(plain))
    return output


def _sample_text(sample: Sample) -> str:
    """As `_encode` writes it, in a fifth of the time. Samples hold whole numbers and texts: of these both encoders make
    the same, but for numbers beyond 64 bits and texts that are no UTF-8, which only the other one writes."""
    plain = sample_to_plain(sample)
    try:
        return _encode_quickly(plain).decode()
    except (OverflowError, UnicodeEncodeError):
        return _encode(plain)


def sample_to_plain(sample: Sample) -> list[Any]:
    """A sample as a list: names would triple its size, and the record holds millions."""
    return [
        sample.location,
        sample.start_us,
        sample.end_us,
        sample.revision,
        [[channel.size_nm, channel.count, channel.volume_ul] for channel in sample.channels],
        sample.sampled_us,
        sample.readings,
        list(sample.sensors),
        int(sample.quality),
        sample.occupancy,
        _spread(sample.temperature),
        _spread(sample.humidity),
        _spread(sample.pressure),
    ]


def sample_from_plain(plain: list[Any]) -> Sample:
    """The sample that `sample_to_plain` took apart."""
    location, start, end, revision, channels, sampled, readings, sensors, quality, occupancy, *climate = plain
    temperature, humidity, pressure = (None if item is None else Spread(*item) for item in climate)
    return Sample(
        location=location,
        start_us=start,
        end_us=end,
        revision=revision,
        channels=tuple(Channel(*channel) for channel in channels),
        sampled_us=sampled,
        readings=readings,
        sensors=tuple(sensors),
        quality=Quality(quality),
        occupancy=occupancy,
        temperature=temperature,
        humidity=humidity,
        pressure=pressure,
    )


def internal_kind(what: Internal) -> str:
    """The word that names this kind of internal input in the journal."""
    return INTERNAL_KINDS[type(what)]


def encode_internal(what: Internal) -> bytes:
    """An internal input as canonical JSON bytes."""
    return _encode(_plain(what)).encode()


def decode_internal(kind: str, payload: bytes) -> Internal:
    """The internal input that `encode_internal` wrote. Raises ValueError on a kind it never wrote."""
    cls = _INTERNALS.get(kind)
    if cls is None:
        raise ValueError(f"no internal input is called '{kind}'; known: {', '.join(sorted(_INTERNALS))}")
    plain = json.loads(payload)
    if cls is Answered:
        plain["others"] = tuple(plain.get("others", ()))
    what: Internal = cls(**_enums(plain))
    return what


def _plain(record: Any) -> dict[str, Any]:
    plain = {item.name: getattr(record, item.name) for item in fields(record)}
    if isinstance(record, AlarmChanged):
        # Fields of a later day are left out where they are empty: what was recorded before them must compare equal.
        for name in _ONLY_WHERE_SAID:
            if plain[name] in (None, ""):
                del plain[name]
    return plain


def _enums(plain: dict[str, Any]) -> dict[str, Any]:
    return {key: _ENUMS[key](value) if key in _ENUMS else value for key, value in plain.items()}


def _spread(spread: Spread | None) -> list[int] | None:
    return None if spread is None else [spread.n, spread.total, spread.low, spread.high]
