"""What is refused, for which reason, and in which sentence."""

from __future__ import annotations

import json
from typing import Any, cast

import pytest

from motewatch.wire import examples
from motewatch.wire.decode import MAX_PAYLOAD, decode
from motewatch.wire.records import Reading, Refusal, RefusalReason
from motewatch.wire.topics import Topics

TOPICS = Topics("motewatch/v1", "demo")
COUNTS = TOPICS.counts("counter-01")


def refused(payload: bytes, topic: str = COUNTS) -> Refusal:
    found = decode(TOPICS, topic, payload)
    assert isinstance(found, Refusal), found
    return found


def spoiled(**changes: Any) -> bytes:
    """The first count example with these keys changed."""
    return json.dumps({**examples.COUNTS[0], **changes}).encode()


def without(key: str) -> bytes:
    return json.dumps({k: v for k, v in examples.COUNTS[0].items() if k != key}).encode()


def counts(kind: Any = "cumulative", sizes_um: Any = (0.3, 0.5), values: Any = (2, 1)) -> bytes:
    return spoiled(counts={"kind": kind, "sizes_um": sizes_um, "values": values})


def command(**changes: Any) -> bytes:
    return json.dumps({**examples.COMMAND[0], **changes}).encode()


def test_cumulative_counts_cannot_rise_with_size() -> None:
    # Source: cumulative counts (at or above a size) never increase with size; the pair 120, 130 at 0.3, 0.5 rises.
    assert refused(counts(values=[120, 130])) == Refusal(
        RefusalReason.COUNTS_RISE_WITH_SIZE,
        "counts.values[1]: 130 is more than the 120 before it: cumulative counts (at or above a size) cannot rise with "
        'size; write "kind": "differential" if each value counts only up to the next size',
        "counter-01",
    )


def test_a_rise_further_up_is_found_too() -> None:
    found = refused(counts(sizes_um=[0.3, 0.5, 1, 5], values=[412, 137, 2, 29]))
    assert found.reason is RefusalReason.COUNTS_RISE_WITH_SIZE
    assert found.detail.startswith("counts.values[3]: 29 is more than the 2 before it")


@pytest.mark.parametrize(
    ("payload", "detail"),
    [
        (counts(sizes_um=[0.5, 0.3]), "counts.sizes_um[1]: 0.3 must be greater than the size before it, 0.5"),
        (counts(sizes_um=[0.5, 0.5]), "counts.sizes_um[1]: 0.5 must be greater than the size before it, 0.5"),
        (counts(sizes_um=[0.3, 0.5001]), "counts.sizes_um[1]: 0.5001 must be whole nanometres: at most three decimals"),
        (counts(sizes_um=[0.04, 0.5]), "counts.sizes_um[0]: 0.04 must not be less than 0.05"),
        (counts(sizes_um=[0.5, 101]), "counts.sizes_um[1]: 101 must not be greater than 100.0"),
        (counts(values=[2]), "counts.values: an array of 1 must have as many entries as counts.sizes_um, which has 2"),
        (counts(values=[2, -1]), "counts.values[1]: -1 must not be less than 0"),
        (counts(values=[10**12 + 1, 1]), "counts.values[0]: 1000000000001 must not be greater than 1000000000000"),
        (
            counts(values=[2.0, 1]),
            "counts.values[0]: 2.0 must be a whole number, without quotes, decimal point or exponent",
        ),
        (
            counts(values=[True, 1]),
            "counts.values[0]: true must be a whole number, without quotes, decimal point or exponent",
        ),
        (counts(kind="other"), "counts.kind: \"other\" must be 'cumulative' or 'differential'"),
        (
            counts(sizes_um=[0.5] * 65, values=[0] * 65),
            "counts.sizes_um: an array of 65 must have at most 64 entries; "
            "counts.values: an array of 65 must have at most 64 entries",
        ),
        (counts(sizes_um="0.5"), 'counts.sizes_um: "0.5" must be an array'),
        (without("seq"), "seq: this key is missing"),
        (without("v"), "v: this key is missing"),
        (spoiled(seq=-1), "seq: -1 must not be less than 0"),
        (spoiled(seq=2**53), "seq: 9007199254740992 must not be greater than 9007199254740991"),
        (spoiled(seq=10**100), "seq: a number of more than 38 digits must not be greater than 9007199254740991"),
        (spoiled(duration_s=0), "duration_s: 0 must not be less than 1e-06"),
        (spoiled(duration_s=86_401), "duration_s: 86401 must not be greater than 86400.0"),
        (spoiled(volume_l=0), "volume_l: 0 must not be less than 1e-06"),
        (spoiled(volume_l=1_000_001), "volume_l: 1000001 must not be greater than 1000000.0"),
        (spoiled(volume_l="28.3"), 'volume_l: "28.3" must be a number, without quotes'),
        (spoiled(temperature_c=-91), "temperature_c: -91 must not be less than -90.0"),
        (spoiled(temperature_c=151), "temperature_c: 151 must not be greater than 150.0"),
        (spoiled(humidity_pct=100.1), "humidity_pct: 100.1 must not be greater than 100.0"),
        (spoiled(humidity_pct=-0.1), "humidity_pct: -0.1 must not be less than 0.0"),
        (spoiled(pressure_difference_pa=2001), "pressure_difference_pa: 2001 must not be greater than 2000.0"),
        (spoiled(pressure_difference_pa=-2001), "pressure_difference_pa: -2001 must not be less than -2000.0"),
        (
            spoiled(temperature_c=float("nan")),
            "temperature_c: NaN must be a finite number; leave the key out where nothing was measured",
        ),
        (
            spoiled(humidity_pct=float("inf")),
            "humidity_pct: Infinity must be a finite number; leave the key out where nothing was measured",
        ),
        (spoiled(boot=""), 'boot: "" must have at least 1 character'),
        (spoiled(boot=7), "boot: 7 must be a text"),
        (spoiled(boot="a\x00b"), 'boot: "a\\u0000b" must be text without control characters'),
        (
            spoiled(boot="b" * 65),
            f'boot: "{"b" * 40}..." (65 characters) must have at most 64 characters',
        ),
        (spoiled(status={"flow": "bad"}), "status.flow: \"bad\" must be 'ok', 'fault' or 'unknown'"),
        (spoiled(status=None), "status: null must be an object"),
        (spoiled(status={"fan": "ok"}), "status.fan: no such key here; there are flow, laser, calibration"),
        (
            spoiled(start="2026-03-02T08:14:00"),
            'start: "2026-03-02T08:14:00" must have a time zone: end it with Z for UTC, or with an offset such as '
            "+01:00",
        ),
        (
            spoiled(start=1_772_439_240),
            "start: 1772439240 must be an ISO 8601 time in quotes, such as 2026-03-02T08:14:00Z",
        ),
        (
            spoiled(start="1772439240"),
            'start: "1772439240" must be an ISO 8601 time in quotes, such as 2026-03-02T08:14:00Z',
        ),
        (
            spoiled(start="1772439240000"),
            'start: "1772439240000" must be an ISO 8601 time in quotes, such as 2026-03-02T08:14:00Z',
        ),
        (
            spoiled(start="2026-02-30T08:14:00Z"),
            'start: "2026-02-30T08:14:00Z" must be an ISO 8601 time such as 2026-03-02T08:14:00Z: '
            "day value is outside expected range",
        ),
        (spoiled(start="1969-12-31T23:59:59Z"), 'start: "1969-12-31T23:59:59Z" must not be less than 1970-01-01'),
        (spoiled(start="2200-01-01T00:00:00Z"), 'start: "2200-01-01T00:00:00Z" must be less than 2200-01-01'),
        (
            spoiled(location="Line 1"),
            "location: \"Line 1\" must be an id: 1 to 64 lower case letters, digits, '-' and '_', no sign at the ends",
        ),
    ],
)
def test_not_valid(payload: bytes, detail: str) -> None:
    found = refused(payload)
    assert (found.reason, found.sensor) == (RefusalReason.NOT_VALID, "counter-01")
    assert found.detail.startswith(detail)
    assert len(found.detail) < len(detail) + 25


def test_a_misspelt_key_is_told_with_those_that_exist() -> None:
    found = refused(spoiled(tempreature_c=20))
    assert found.reason is RefusalReason.NOT_VALID
    assert found.detail == (
        "tempreature_c: no such key here; there are v, sensor, boot, seq, start, duration_s, volume_l, counts, "
        "temperature_c, humidity_pct, pressure_difference_pa, status, location"
    )


def test_many_mistakes_are_told_at_once_and_the_rest_counted() -> None:
    found = refused(spoiled(seq=-1, duration_s=0, volume_l=0, boot="", humidity_pct=-1))
    assert found.detail == (
        'boot: "" must have at least 1 character; seq: -1 must not be less than 0; '
        "duration_s: 0 must not be less than 1e-06; and 2 more"
    )


def test_a_sensor_may_only_speak_for_itself() -> None:
    assert refused(spoiled(sensor="counter-02")) == Refusal(
        RefusalReason.FOREIGN_SENSOR,
        'sensor: "counter-02" must be the sensor that the topic names, "counter-01": '
        "a sensor may only speak for itself",
        "counter-01",
    )
    presence = json.dumps({**examples.PRESENCE[0], "sensor": "counter-02"}).encode()
    assert refused(presence, TOPICS.presence("counter-01")).reason is RefusalReason.FOREIGN_SENSOR


@pytest.mark.parametrize("version", [0, 2, -1, 10**30, "1", 1.0, True, None, [], {}])
def test_another_version_is_named_before_all_other_mistakes(version: Any) -> None:
    found = refused(spoiled(v=version, seq=None, more=1))
    assert (found.reason, found.sensor) == (RefusalReason.UNKNOWN_VERSION, "counter-01")
    assert found.detail.startswith("v: ")
    assert found.detail.endswith(" is not a version that this service knows; it reads 1")


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"", "EOF while parsing a value"),
        (b" ", "EOF while parsing a value"),
        (b'{"v":1', "EOF while parsing an object"),
        (b'{"v":1}{', "trailing characters"),
        (b"\xef\xbb\xbf{}", "expected value"),
        (b'{"boot":"\xff"}', "invalid unicode code point"),
        (b'{"boot":"\xed\xa0\x80"}', "invalid unicode code point"),
        (b'{"boot":"\\ud800"}', "hex escape"),
        (b'{"boot":"\\ud800x"}', "hex escape"),
        (b'{"boot":"\\udc00"}', "lone leading surrogate"),
        (b'{"boot":"a\x00b"}', "control character"),
        (b"[" * 60_000, "recursion limit exceeded"),
        (b'{"a":' * 10_000, "recursion limit exceeded"),
        (b'{"seq":' + b"9" * 5_000 + b"}", "number out of range"),
        (b"\x00\x01\x02", "expected value"),
        (b"temperature=20.4", "expected"),
    ],
)
def test_not_json(payload: bytes, why: str) -> None:
    found = refused(payload)
    assert (found.reason, found.sensor) == (RefusalReason.NOT_JSON, "counter-01")
    assert found.detail.startswith("message: Invalid JSON: ")
    assert why in found.detail


@pytest.mark.parametrize("payload", [b"null", b"1", b'"text"', b"[]", b"NaN", b"true"])
def test_json_that_is_no_object(payload: bytes) -> None:
    found = refused(payload)
    assert found.reason is RefusalReason.NOT_VALID
    assert found.detail.startswith("message: ")
    assert found.detail.endswith(" must be an object")


def test_too_large() -> None:
    whole = json.dumps(examples.COUNTS[0]).encode()
    most = whole + b" " * (MAX_PAYLOAD - len(whole))
    assert isinstance(decode(TOPICS, COUNTS, most), Reading)
    assert refused(most + b" ") == Refusal(
        RefusalReason.TOO_LARGE, "message: 65537 bytes; at most 65536 are read", "counter-01"
    )


def test_unknown_topic() -> None:
    found = refused(b"{}", "motewatch/v1/demo/counts/Counter 1")
    assert (found.reason, found.sensor) == (RefusalReason.UNKNOWN_TOPIC, None)
    assert found.detail == (
        'topic: "motewatch/v1/demo/counts/Counter 1" is none that this service reads; it reads '
        "motewatch/v1/demo/counts/+, motewatch/v1/demo/presence/+, motewatch/v1/demo/command, where + is a sensor's id "
        "of lower case letters, digits, '-' and '_'"
    )


def test_an_unknown_topic_cannot_spoil_the_sentence() -> None:
    found = refused(b"{}", "x\n\x1b[31m\ud800\u202e" + "y" * 10_000)
    assert found.reason is RefusalReason.UNKNOWN_TOPIC
    assert found.detail.isprintable()
    assert found.detail.startswith('topic: "x\\n\\u001b[31m\\ud800\\u202eyyy')
    assert len(found.detail) < 400


def test_a_hostile_key_cannot_spoil_the_sentence() -> None:
    payload = b'{"v":1,"\\u001b[31m\\u202e\\n' + b"k" * 5_000 + b'":1}'
    found = refused(payload)
    assert found.reason is RefusalReason.NOT_VALID
    assert found.detail.isprintable()
    assert len(found.detail) < 500


@pytest.mark.parametrize(
    ("payload", "detail"),
    [
        (command(alarm=None), "alarm: this key is missing; give the id of the alarm, as in the alarm messages"),
        (command(room="filling"), 'room: "filling" does not belong to the command "acknowledge"; leave the key out'),
        (
            command(occupancy="at-rest"),
            'occupancy: "at-rest" does not belong to the command "acknowledge"; leave the key out',
        ),
        (
            command(command="set-occupancy"),
            'alarm: "location/filling-line-1/0.5um/action" does not belong to the command "set-occupancy"; '
            "leave the key out",
        ),
        (command(command="set-occupancy", alarm=None), "room: this key is missing; give the id of the room"),
        (
            command(command="set-occupancy", alarm=None, room="filling"),
            "occupancy: this key is missing; give as-built, at-rest or operational, or null to give the room back to "
            "its schedule",
        ),
        (
            command(command="set-occupancy", alarm=None, room="filling", occupancy="busy"),
            "occupancy: \"busy\" must be 'as-built', 'at-rest' or 'operational'",
        ),
        (
            command(command="delete"),
            "command: \"delete\" must be 'acknowledge', 'shelve', 'unshelve', 'reset', 'remove-from-service', "
            "'return-to-service', 'set-occupancy', 'check-in', 'check-out' or 'confirm-test'",
        ),
        (
            command(command="shelve"),
            "until: this key is missing; give the instant at which the alarm comes back by itself",
        ),
        (
            command(command="shelve", until="2026-03-02T10:00:00Z", comment=""),
            "comment: this key is missing; give the reason for which the alarm is shelved",
        ),
        (
            command(command="remove-from-service"),
            "permit: this key is missing; give the permit under which the alarm is taken out of service",
        ),
        (
            command(command="reset", until="2026-03-02T10:00:00Z"),
            'until: a datetime does not belong to the command "reset"; leave the key out',
        ),
        (
            command(permit="WP-1"),
            'permit: "WP-1" does not belong to the command "acknowledge"; leave the key out',
        ),
        (
            command(command="confirm-test", alarm=None),
            "test: this key is missing; give the id of the test call, as the call says it",
        ),
        (
            command(test="k7m2qx4c"),
            'test: "k7m2qx4c" does not belong to the command "acknowledge"; leave the key out',
        ),
        (command(by=""), 'by: "" must have at least 1 character'),
        (command(by="j\n"), 'by: "j\\n" must be text without control characters'),
        (command(comment="\x1b[2J"), 'comment: "\\u001b[2J" must be text without control characters'),
        (
            command(id="a/b"),
            "id: \"a/b\" must be an id: 1 to 64 lower case letters, digits, '-' and '_', no sign at the ends",
        ),
    ],
)
def test_wrong_commands(payload: bytes, detail: str) -> None:
    found = refused(payload, TOPICS.command)
    assert (found.reason, found.detail, found.sensor) == (RefusalReason.NOT_VALID, detail, None)


def test_a_wrong_presence() -> None:
    presence = json.dumps({**examples.PRESENCE[0], "online": "yes"}).encode()
    assert refused(presence, TOPICS.presence("counter-01")) == Refusal(
        RefusalReason.NOT_VALID, 'online: "yes" must be true or false, without quotes', "counter-01"
    )


def test_a_defect_costs_one_message_only() -> None:
    found = decode(TOPICS, COUNTS, cast(bytes, 12))
    assert found == Refusal(
        RefusalReason.NOT_PROCESSABLE,
        "message: could not be processed (TypeError); this is a defect of the service",
    )
