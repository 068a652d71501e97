"""The quick reader of count messages against the model: what it takes, the model takes, and to the same reading.

The other way round it may leave to the model what it does not know, but not the messages that come by the thousand.
"""

from __future__ import annotations

import json
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from motewatch.wire import examples
from motewatch.wire.incoming import CountMessage
from motewatch.wire.quick import quick_reading
from motewatch.wire.reading import RefusedError, reading_of
from motewatch.wire.records import Reading
from support.spoilt import NASTY, spoil

GOOD = examples.COUNTS[0]
LEVEL = GOOD["sensor"]
searched = settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def by_the_model(payload: bytes, level: str) -> Reading | None:
    try:
        return reading_of(CountMessage.model_validate_json(payload), level)
    except (ValidationError, RefusedError):
        return None


def compared(payload: bytes, level: str = LEVEL) -> Reading | None:
    """What the quick reader takes; the model must take it to the same, down to the types."""
    quick = quick_reading(payload, level)
    if quick is not None:
        full = by_the_model(payload, level)
        assert quick == full, payload
        assert repr(quick) == repr(full), payload
    return quick


def with_value(path: str, text: str) -> bytes:
    """The good message with this JSON text in place of a value, which the library that wrote the rest never saw."""
    message = json.loads(json.dumps(GOOD))
    *tables, key = path.split(".")
    part: Any = message
    for table in tables:
        part = part[table]
    part[key] = "@here@"
    return json.dumps(message).replace('"@here@"', text).encode(errors="surrogatepass")


@pytest.mark.parametrize("place", range(len(examples.COUNTS)))
def test_messages_as_sensors_write_them_are_taken(place: int) -> None:
    message = examples.COUNTS[place] | {"start": "2026-03-02T08:14:00.25Z"}
    for text in (json.dumps(message), json.dumps(message, indent=1), json.dumps(message, separators=(",", ":"))):
        assert compared(text.encode(), message["sensor"]) is not None


@pytest.mark.parametrize(
    "start",
    [
        pytest.param("2026-03-02T08:14:00Z", id="to the second"),
        pytest.param("2026-03-02T08:14:00.1Z", id="a tenth"),
        pytest.param("2026-03-02T08:14:00.000001Z", id="a microsecond"),
        pytest.param("1970-01-01T00:00:00Z", id="the first instant"),
        pytest.param("2199-12-31T23:59:59.999999Z", id="the last instant"),
        pytest.param("2028-02-29T00:00:00Z", id="a leap day"),
    ],
)
def test_starts_as_sensors_write_them_are_taken(start: str) -> None:
    assert compared(with_value("start", json.dumps(start))) is not None


@pytest.mark.parametrize(
    "start",
    [
        "2026-03-02T08:14:00",
        "2026-03-02T08:14:00.Z",
        "2026-03-02T08:14:00.1234567Z",
        "2026-03-02T08:14:00.1 Z",
        "2026-03-02T08:14:00.\u0661Z",
        "2026-03-02T08:14:00.1z",
        "2026-03-02T08:14:00+00:00",
        "2026-03-02T08:14:00ZZ",
        "2026-03-02T08:14:00.-1Z",
        "2026-03-02T08:14:00._1Z",
        "2026-03-02T08:14:60Z",
        "2026-03-02T24:00:00Z",
        "2026-02-30T00:00:00Z",
        "2026-03-02 08:14:00Z",
        "2026-03-02T08:14+01Z",
        "2026-03-02T08:14.50Z",
        "1969-12-31T23:59:59.999999Z",
        "2200-01-01T00:00:00Z",
        "20260302T081400.000Z",
        "Z",
        "",
        "1772439240.000000000Z",
    ],
)
def test_odd_starts_are_the_models(start: str) -> None:
    for text in (start, start + "Z", start[:-1], f" {start}", f"{start} "):
        compared(with_value("start", json.dumps(text)))


NUMBERS = ["seq", "v", "duration_s", "volume_l", "temperature_c", "humidity_pct", "pressure_difference_pa"]


@pytest.mark.parametrize("path", [*NUMBERS, "counts.values", "counts.sizes_um", "boot", "sensor", "location", "status"])
def test_nasty_values_are_the_models(path: str) -> None:
    for value in NASTY:
        text = json.dumps(value)
        compared(with_value(path, text))
        compared(with_value(path, f"[{text}]"))
    for text in (
        "-0",
        "-0.0",
        "1E0",
        "1e0",
        "01",
        "+1",
        "1.",
        ".5",
        "0x1",
        "1_0",
        "NaN",
        "Infinity",
        "nul",
        "true",
        "1 1",
    ):
        compared(with_value(path, text))
        compared(with_value(path, f"[0.3, {text}, 1.0, 5.0]"))
        compared(with_value(path, f"[9, 8, 7, {text}]"))


digits = st.text("0123456789", min_size=1, max_size=25)
lexemes = st.builds(
    lambda sign, whole, part, power: sign + whole + part + power,
    st.sampled_from(["", "-", "+"]),
    digits | st.sampled_from(["0", "1", "60", "45"]),
    st.just("") | digits.map(lambda text: "." + text),
    st.just("") | st.builds(lambda e, n: f"{e}{n}", st.sampled_from(["e", "E", "e+", "e-"]), st.integers(0, 330)),
)


@searched
@given(st.sampled_from(NUMBERS), lexemes)
@example("temperature_c", "20.049999999999997")
@example("volume_l", "9007199254740993e-10")
def test_numbers_however_written(path: str, text: str) -> None:
    compared(with_value(path, text))


@searched
@given(st.lists(st.integers(50, 100_000), min_size=1, max_size=70), st.data())
def test_channels(sizes: list[int], data: st.DataObject) -> None:
    values = data.draw(st.lists(st.integers(-1, 10**12 + 1), min_size=len(sizes), max_size=len(sizes) + 1))
    if data.draw(st.booleans()):
        sizes, values = sorted(set(sizes)), sorted(values, reverse=True)[: len(set(sizes))]
    kind = data.draw(st.sampled_from(["cumulative", "differential", "Cumulative"]))
    counts = {"kind": kind, "sizes_um": [size / 1000 for size in sizes], "values": values}
    compared(with_value("counts", json.dumps(counts)))


@searched
@given(st.text(max_size=70) | st.from_regex(r"[a-z0-9_-]{1,66}\Z"))
def test_texts(text: str) -> None:
    for path in ("boot", "location", "sensor", "status.flow", "counts.kind"):
        compared(with_value(path, json.dumps(text, ensure_ascii=False)))
        compared(with_value(path, json.dumps(text)))


def test_keys_written_twice_count_as_written_last() -> None:
    good = json.dumps(GOOD)
    for more in (
        '"seq": 7',
        '"counts": {"kind": "cumulative", "sizes_um": [1], "values": [5]}',
        '"temperature_c": null',
    ):
        compared((good[:-1] + ", " + more + "}").encode())
        compared(("{" + more + ", " + good[1:]).encode())


def _run(random: Random, number: int) -> int:
    taken = 0
    for _ in range(number):
        message = random.choice(examples.COUNTS)
        taken += compared(spoil(random, message), message["sensor"]) is not None
    return taken


def test_some_thousand_spoilt_messages() -> None:
    assert _run(Random(20260302), 8_000) > 400


@pytest.mark.long
def test_a_million_spoilt_messages() -> None:
    assert _run(Random(2), 1_000_000) > 50_000


@searched
@given(st.binary(max_size=300))
def test_any_bytes(payload: bytes) -> None:
    assert compared(payload) is None
