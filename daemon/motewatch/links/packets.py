"""MQTT packets out of the bytes of a connection. The message that comes by the thousand is read here; all else is left.

What is read: PUBLISH at QoS 1 without properties, as sensors send it. Any other packet, and any PUBLISH that is not
quite like that (properties, another QoS, an alias instead of a topic, a topic that is no UTF-8), is handed on whole, so
that there is one reader of the rest of the protocol: the MQTT library, which also finds what is wrong with a packet.

Why at all: the library asks the socket three times for each packet and makes a table of all properties there could be.
That is 37 us a message, more than all else that happens to it; this is 1 us.

Rules: pure; a packet that has not come whole is kept until the rest is there. Source: MQTT 5.0, 2.1 and 3.3.
"""

from __future__ import annotations

from typing import Final

Message = tuple[str, bytes, int, bool]
"""(topic, payload, packet id, retain)"""

_PUBLISH: Final = 0x30
_DUP_AND_RETAIN: Final = 0x09
_QOS_1: Final = 0x02
_LENGTH_BYTES: Final = 4


class Packets:
    """The packets of one connection, in order."""

    __slots__ = ("_held", "_size", "_wanted")

    def __init__(self) -> None:
        self._held: list[bytes] = []
        """The beginning of a packet, in pieces: put together once, when it is whole."""
        self._size = 0
        self._wanted = 0

    def take(self, data: bytes) -> list[Message | bytes]:
        """What has become whole with these bytes: messages, and other packets as they came.

        Where no packet can begin (its length does not end), all the rest is handed on as one packet.
        """
        if self._held:
            self._held.append(data)
            self._size += len(data)
            if self._size < self._wanted:
                return []
            data = b"".join(self._held)
            self._held = []
        found: list[Message | bytes] = []
        at, end, wanted = 0, len(data), 0
        while end - at > 1:
            body = at + 2
            length = data[at + 1]
            if length > 127:
                length &= 127
                shift = 7
                while body < end and shift < 7 * _LENGTH_BYTES:
                    byte = data[body]
                    body += 1
                    length |= (byte & 127) << shift
                    shift += 7
                    if byte < 128:
                        break
                else:
                    if shift < 7 * _LENGTH_BYTES:
                        break
                    found.append(data[at:])
                    at = end
                    break
            after = body + length
            if after > end:
                wanted = after - at
                break
            message = _message(data, at, body, after)
            found.append(data[at:after] if message is None else message)
            at = after
        if at < end:
            self._held, self._size, self._wanted = [data[at:]], end - at, wanted
        return found


def _message(data: bytes, at: int, body: int, after: int) -> Message | None:
    """The message in the packet that begins at `at`, if it is one of those that are read here."""
    first = data[at]
    if first & ~_DUP_AND_RETAIN != _PUBLISH | _QOS_1 or after - body < 6:
        return None
    topic_at = body + 2
    topic_end = topic_at + (data[body] << 8 | data[body + 1])
    # Behind the topic: the packet id, and a 0 for "no properties".
    payload_at = topic_end + 3
    if topic_end == topic_at or payload_at > after or data[topic_end + 2]:
        return None
    mid = data[topic_end] << 8 | data[topic_end + 1]
    try:
        topic = data[topic_at:topic_end].decode()
    except UnicodeDecodeError:
        return None
    return (topic, data[payload_at:after], mid, bool(first & 1)) if mid else None
