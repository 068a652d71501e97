"""Packets out of bytes, however these are cut, and the same message as the MQTT library reads."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from motewatch.links.packets import Message, Packets

PINGRESP = b"\xd0\x00"
SUBACK = b"\x90\x05\x00\x07\x00\x01\x87"


def length(size: int) -> bytes:
    """A remaining length as MQTT 5.0, 1.5.5 writes it."""
    made = bytearray()
    while True:
        size, low = size >> 7, size & 127
        made.append(low | 128 if size else low)
        if not size:
            return bytes(made)


def publish(topic: bytes, payload: bytes, mid: int, *, flags: int = 2, properties: bytes = b"\x00") -> bytes:
    packet_id = struct.pack(">H", mid) if flags & 6 else b""
    body = struct.pack(">H", len(topic)) + topic + packet_id + properties + payload
    return bytes([0x30 | flags]) + length(len(body)) + body


def test_messages_and_other_packets_come_in_order() -> None:
    stream = PINGRESP + publish(b"a/b", b"one", 1) + SUBACK + publish(b"a/c", b"", 65_535, flags=3)
    assert Packets().take(stream) == [PINGRESP, ("a/b", b"one", 1, False), SUBACK, ("a/c", b"", 65_535, True)]


@pytest.mark.parametrize("size", [0, 100, 117, 118, 16_000, 16_377, 16_378, 200_000, 2_097_200])
def test_every_width_of_the_length_is_read(size: int) -> None:
    payload = b"x" * size
    stream = publish(b"a/b", payload, 5) + PINGRESP
    assert Packets().take(stream) == [("a/b", payload, 5, False), PINGRESP]
    packets, found = Packets(), []
    for first in range(0, len(stream), 30_011):
        found += packets.take(stream[first : first + 30_011])
    assert found == [("a/b", payload, 5, False), PINGRESP]


def test_a_packet_cut_between_all_its_bytes_is_whole_in_the_end() -> None:
    stream = SUBACK + publish(b"topic", b"p" * 130, 9) + publish(b"other", b"q", 10, properties=b"\x02\x01\x00")
    packets, found = Packets(), []
    for place in range(len(stream)):
        found += packets.take(stream[place : place + 1])
    assert found == Packets().take(stream)
    assert [type(each) for each in found] == [bytes, tuple, bytes]


@pytest.mark.parametrize(
    "packet",
    [
        pytest.param(publish(b"a", b"p", 0, flags=0), id="QoS 0"),
        pytest.param(publish(b"a", b"p", 3, flags=4), id="QoS 2"),
        pytest.param(publish(b"a", b"p", 3, flags=6), id="QoS 3"),
        pytest.param(publish(b"a", b"p", 3, properties=b"\x02\x01\x01"), id="properties"),
        pytest.param(publish(b"", b"p", 3), id="alias"),
        pytest.param(publish(b"\xff\xfe", b"p", 3), id="no UTF-8"),
        pytest.param(publish(b"a", b"p", 0), id="packet id 0"),
        pytest.param(b"\x32\x05\x00\x40abc", id="topic longer than the packet"),
        pytest.param(b"\x32\x00", id="nothing in it"),
        pytest.param(b"\x32\x05\x00\x01a\x00\x03", id="without the length of properties"),
    ],
)
def test_what_is_not_quite_a_plain_message_is_left_whole(packet: bytes) -> None:
    assert Packets().take(PINGRESP + packet + PINGRESP) == [PINGRESP, packet, PINGRESP]


def test_a_length_without_end_is_handed_on_for_the_library_to_refuse() -> None:
    rest = b"\x32\xff\xff\xff\xff\x01 and more"
    assert Packets().take(PINGRESP + rest) == [PINGRESP, rest]
    packets = Packets()
    assert packets.take(rest[:3]) == []
    assert packets.take(rest[3:]) == [rest]


def read_by_the_library(packet: bytes) -> list[MQTTMessage]:
    """What the library's own reader makes of a packet."""
    heard: list[MQTTMessage] = []
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5, manual_ack=True)
    client.on_message = lambda _client, _user, message: heard.append(message)
    client._sock_recv = _reader(packet)  # type: ignore[assignment, method-assign]
    client._packet_read()
    return heard


def _reader(packet: bytes) -> Callable[[int], bytes]:
    left = [packet]

    def take(size: int) -> bytes:
        given, left[0] = left[0][:size], left[0][size:]
        return given

    return take


@given(
    topic=st.text(min_size=1, max_size=20).filter(lambda text: text.encode("utf-8", "ignore").decode() == text),
    payload=st.binary(max_size=300),
    mid=st.integers(1, 65_535),
    flags=st.sampled_from([2, 3, 10, 11]),
    cuts=st.lists(st.integers(0, 400), max_size=6),
)
@example(topic="a", payload=b"", mid=1, flags=2, cuts=[1, 2])
def test_a_message_is_what_the_library_reads(topic: str, payload: bytes, mid: int, flags: int, cuts: list[int]) -> None:
    packet = publish(topic.encode(), payload, mid, flags=flags)
    packets, found, before = Packets(), [], 0
    for cut in [*sorted(min(cut, len(packet)) for cut in cuts), len(packet)]:
        found += packets.take(packet[before:cut])
        before = cut
    (message,) = read_by_the_library(packet)
    expected: Message = (message.topic, bytes(message.payload), message.mid, message.retain)
    assert found == [expected]


@given(
    sent=st.lists(st.sampled_from([PINGRESP, SUBACK, publish(b"t", b"p" * 200, 4), publish(b"", b"p", 3)]), max_size=9),
    cuts=st.lists(st.integers(0, 1_900), max_size=9),
)
def test_however_a_stream_is_cut_it_says_the_same(sent: list[bytes], cuts: list[int]) -> None:
    stream = b"".join(sent)
    packets, found, before = Packets(), [], 0
    for cut in [*sorted(min(cut, len(stream)) for cut in cuts), len(stream)]:
        found += packets.take(stream[before:cut])
        before = cut
    assert found == [("t", b"p" * 200, 4, False) if len(packet) > 100 else packet for packet in sent]


def test_a_message_with_properties_is_left_to_the_library() -> None:
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ResponseTopic = "answers/here"
    packet = publish(b"a/b", b"p", 7, properties=properties.pack())  # type: ignore[no-untyped-call]
    assert Packets().take(packet) == [packet]
    (message,) = read_by_the_library(packet)
    assert getattr(message.properties, "ResponseTopic", None) == "answers/here"
