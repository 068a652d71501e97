"""Whatever arrives, `decode` answers with exactly one kind of result, and nothing in it can hurt what comes after.

Hypothesis looks for the odd payload; a fast seeded generator of spoilt messages does the mass: some thousands each
time, a million in the run marked `long`.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from fractions import Fraction
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from motewatch.site.models import IDENTIFIER_PATTERN
from motewatch.wire import examples
from motewatch.wire.decode import Decoded, decode
from motewatch.wire.messages import instant
from motewatch.wire.records import Command, Presence, Reading, Refusal, RefusalReason
from motewatch.wire.schemas import DOCUMENTS, schema_of
from motewatch.wire.topics import Topics
from support.spoilt import spoil

TOPICS = Topics("motewatch/v1", "demo")
IDENTIFIER = re.compile(IDENTIFIER_PATTERN)
LARGEST_INTEGER = 2**63 - 1
VALIDATORS = {document.name: Draft202012Validator(schema_of(document)) for document in DOCUMENTS}

KINDS: list[list[tuple[str, dict[str, Any]]]] = [
    [(TOPICS.counts(message["sensor"]), message) for message in examples.COUNTS],
    [(TOPICS.presence(message["sensor"]), message) for message in examples.PRESENCE],
    [(TOPICS.command, message) for message in examples.COMMAND],
]
SEEDS = [seed for kind in KINDS for seed in kind]


def check(topic: str, result: Decoded) -> str:
    """The kind of a result, after everything has been checked that those who get it rely on."""
    if result is None:
        return "nothing"
    if isinstance(result, Refusal):
        assert isinstance(result.reason, RefusalReason)
        assert result.reason is not RefusalReason.NOT_PROCESSABLE, result
        assert 0 < len(result.detail) < 800, result.detail
        assert result.detail.isprintable()
        place = TOPICS.read(topic)
        assert result.sensor == ((place[1] or None) if place else None)
        return f"refusal {result.reason.value}"
    if isinstance(result, Reading):
        assert topic == TOPICS.counts(result.sensor)
        assert IDENTIFIER.fullmatch(result.sensor)
        assert result.location is None or IDENTIFIER.fullmatch(result.location)
        assert 1 <= len(result.boot) <= 64
        assert result.boot.encode()
        assert 0 <= result.seq < 2**53
        assert 0 <= result.start_us < 7_258_118_400_000_000
        assert 0 < result.duration_us <= 86_400_000_000
        assert 0 < result.volume_ul <= 10**12
        assert 1 <= len(result.sizes_nm) == len(result.counts) <= 64
        assert list(result.sizes_nm) == sorted(set(result.sizes_nm))
        assert list(result.counts) == sorted(result.counts, reverse=True)
        assert result.counts[-1] >= 0
        numbers = (*result.sizes_nm, *result.counts, result.temperature_mc, result.humidity_mpct, result.pressure_mpa)
        assert all(number is None or (type(number) is int and abs(number) <= LARGEST_INTEGER) for number in numbers)
        return "reading"
    if isinstance(result, Presence):
        assert topic == TOPICS.presence(result.sensor)
        assert result.boot.encode()
        assert type(result.at_us) is int
        return "presence"
    assert isinstance(result, Command)
    assert topic == TOPICS.command
    assert IDENTIFIER.fullmatch(result.id)
    assert result.by.encode()
    assert "\x00" not in result.by + result.comment
    assert result.comment.encode() is not None
    return "command"


def run(random: Random, number: int) -> Counter[str]:
    kinds: Counter[str] = Counter()
    for _ in range(number):
        topic, message = random.choice(random.choice(KINDS))
        kinds[check(topic, decode(TOPICS, topic, spoil(random, message)))] += 1
    return kinds


def accounted(kinds: Counter[str], number: int) -> None:
    """Each payload has one kind, and every kind that spoiling can bring about has come about."""
    assert kinds.total() == number
    reasons = ("not-json", "not-valid", "unknown-version", "foreign-sensor", "counts-rise-with-size")
    expected = {"reading", "presence", "command", "nothing", *(f"refusal {reason}" for reason in reasons)}
    assert expected == set(kinds)


def test_some_thousand_spoilt_messages_are_accounted_for() -> None:
    accounted(run(Random(20260302), 8_000), 8_000)


@pytest.mark.long
def test_a_million_spoilt_messages_are_accounted_for() -> None:
    accounted(run(Random(1), 1_000_000), 1_000_000)


# No deadline: a busy machine is no defect of the decoder.
searched = settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
topics = st.sampled_from([topic for topic, _ in SEEDS])


@searched
@given(topics, st.binary(max_size=400))
def test_any_bytes(topic: str, payload: bytes) -> None:
    check(topic, decode(TOPICS, topic, payload))


@searched
@given(st.text(max_size=80), st.binary(max_size=40))
def test_any_topic(topic: str, payload: bytes) -> None:
    assert check(topic, decode(TOPICS, topic, payload)) == "refusal unknown-topic"


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(max_size=10), inner, max_size=5),
    max_leaves=20,
)


@searched
@given(topics, json_values)
def test_any_json(topic: str, value: Any) -> None:
    check(topic, decode(TOPICS, topic, json.dumps(value).encode()))


@searched
@given(st.sampled_from(SEEDS), st.data())
def test_any_value_at_any_key(seed: tuple[str, dict[str, Any]], data: st.DataObject) -> None:
    topic, message = seed
    key = data.draw(st.sampled_from(sorted(message)))
    payload = json.dumps({**message, key: data.draw(json_values)}).encode()
    check(topic, decode(TOPICS, topic, payload))


@searched
@given(st.randoms(use_true_random=False))
def test_what_is_decoded_holds_to_the_schema(random: Random) -> None:
    topic, message = random.choice(SEEDS)
    payload = spoil(random, message)
    kind = check(topic, decode(TOPICS, topic, payload))
    name = {"reading": "count", "presence": "presence", "command": "command"}.get(kind)
    if name is not None:
        assert list(VALIDATORS[name].iter_errors(json.loads(payload))) == []


@st.composite
def channels(draw: st.DrawFn) -> tuple[tuple[int, ...], list[int]]:
    sizes_nm = sorted(draw(st.sets(st.integers(50, 100_000), min_size=1, max_size=64)))
    values = draw(st.lists(st.integers(0, 10**12), min_size=len(sizes_nm), max_size=len(sizes_nm)))
    return tuple(sizes_nm), values


@searched
@given(
    channels(),
    st.sampled_from(["cumulative", "differential"]),
    st.integers(0, 7_258_118_399_999_999),
    st.integers(1, 86_400_000_000),
    st.integers(1, 10**12),
    st.integers(-90_000, 150_000),
    st.integers(0, 2**53 - 1),
)
def test_numbers_come_through_exactly(
    channel: tuple[tuple[int, ...], list[int]],
    kind: str,
    start_us: int,
    duration_us: int,
    volume_ul: int,
    temperature_mc: int,
    seq: int,
) -> None:
    sizes_nm, values = channel
    if kind == "cumulative":
        values = sorted(values, reverse=True)
    message = {
        "v": 1,
        "sensor": "counter-01",
        "boot": "b",
        "seq": seq,
        "start": instant(start_us).isoformat(),
        "duration_s": float(Fraction(duration_us, 10**6)),
        "volume_l": float(Fraction(volume_ul, 10**6)),
        "counts": {"kind": kind, "sizes_um": [float(Fraction(size, 1000)) for size in sizes_nm], "values": values},
        "temperature_c": float(Fraction(temperature_mc, 1000)),
    }
    # The definition, not the running sum of the decoder: cumulative(i) = sum of differential(j), j >= i.
    counts = [sum(values[place:]) for place in range(len(values))] if kind == "differential" else values
    assert decode(TOPICS, TOPICS.counts("counter-01"), json.dumps(message).encode()) == Reading(
        "counter-01", "b", seq, start_us, duration_us, volume_ul, sizes_nm, tuple(counts), temperature_mc
    )
