"""A QoS 1 publisher of MQTT 5 as lean as the protocol allows, for load tests only.

A general client costs tens of microseconds per message, which would measure the client. This one speaks just CONNECT,
PUBLISH, PUBACK, PINGREQ and DISCONNECT over one plain socket, writes a window of packets at once, and obeys the
broker's Receive Maximum. Sensors in a scenario use `link`, never this.

What is not acknowledged is kept and sent again after a reconnection, in order, and so is everything younger than
`resend_s`, because a broker's acknowledgement means 'in the broker's memory'. What nobody was there to hear (the broker
says so) is sent again as soon as another message has found a listener. No TLS. One thread uses it.
"""

from __future__ import annotations

import contextlib
import select
import socket
import struct
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice

from motewatch_simulator.clock import Clock
from motewatch_simulator.errors import BrokerError

KEEPALIVE_S = 30
CONNECT_TIMEOUT_S = 5.0
LAST_PACKET_ID = 65_535
_PUBLISH_QOS_1 = b"\x32"
_FAILURE = 0x80
_NOBODY = 0x10
_PROPERTY_WIDTHS = {0x11: 4, 0x13: 2, 0x21: 2, 0x22: 2, 0x24: 1, 0x25: 1, 0x27: 4, 0x28: 1, 0x29: 1, 0x2A: 1}
"""Properties of CONNACK with a fixed width (MQTT 5.0, table 2-4); the others are texts."""


@dataclass(slots=True)
class Parcel:
    """One message: `topic_part` is the topic with its length before it, `tag` is the caller's own."""

    topic_part: bytes
    payload: bytes
    tag: object
    sent_s: float = 0.0
    done: bool = False


def topic_part(topic: str) -> bytes:
    """A topic as it stands in a packet."""
    raw = topic.encode()
    return struct.pack(">H", len(raw)) + raw


class LeanPublisher:
    """Publishes parcels in order. `pump` does all the work and returns after at most its timeout."""

    def __init__(
        self,
        host: str,
        port: int,
        client_id: str,
        clock: Clock,
        *,
        acknowledged: Callable[[Parcel], None],
        resend_s: float = 30.0,
        username: str | None = None,
        password: str | None = None,
    ) -> None:
        self.acknowledged_count = 0
        self.refused_count = 0
        self.resent_count = 0
        self.connections = 0
        self._address = (host, port)
        self._client_id = client_id
        self._login = (username, password)
        self._clock = clock
        self._acknowledged = acknowledged
        self._resend_s = resend_s
        self._socket: socket.socket | None = None
        self._window = LAST_PACKET_ID
        self._next_id = 1
        self._queue: deque[Parcel] = deque()
        self._flying: dict[int, Parcel] = {}
        self._kept: deque[Parcel] = deque()
        self._unheard: deque[Parcel] = deque()
        self._out = bytearray()
        self._in = bytearray()
        self._retry_s = 0.0
        self._heard_s = self._spoke_s = 0.0

    def put(self, parcel: Parcel) -> None:
        """Publish this after all earlier ones."""
        self._queue.append(parcel)

    @property
    def waiting(self) -> int:
        """Parcels that no broker has acknowledged yet."""
        return len(self._queue) + len(self._flying)

    @property
    def unheard(self) -> int:
        """Parcels that the broker has taken and nobody was there to hear."""
        return len(self._unheard)

    def say_unheard_again(self) -> None:
        """Put what nobody heard to the front of the queue."""
        self.resent_count += len(self._unheard)
        self._queue.extendleft(reversed(self._unheard))
        self._unheard.clear()

    def pump(self, timeout_s: float) -> None:
        """Send what the window allows and take in acknowledgements; returns early when some came."""
        now_s = self._clock.monotonic_s()
        if self._socket is None:
            if now_s < self._retry_s:
                select.select([], [], [], min(timeout_s, self._retry_s - now_s))
                return
            self._connect(now_s)
        try:
            self._fill()
            self._exchange(timeout_s)
        except OSError:
            self._lose()

    def close(self) -> None:
        """Say goodbye and let go of the socket."""
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.settimeout(1.0)
                self._socket.sendall(bytes(self._out) + b"\xe0\x00")
            self._socket.close()
            self._socket = None

    def _fill(self) -> None:
        room = self._window - len(self._flying)
        if room <= 0 or not self._queue:
            return
        now_s = self._clock.monotonic_s()
        out = self._out
        for _ in range(min(room, len(self._queue))):
            parcel = self._queue.popleft()
            packet_id = self._next_id
            self._next_id = packet_id + 1 if packet_id < LAST_PACKET_ID else 1
            if packet_id in self._flying:
                # An old packet is still unanswered after 65,535 others: wait for it.
                self._queue.appendleft(parcel)
                break
            parcel.sent_s = now_s
            self._flying[packet_id] = parcel
            out += _PUBLISH_QOS_1
            out += _length(len(parcel.topic_part) + 3 + len(parcel.payload))
            out += parcel.topic_part
            out += packet_id.to_bytes(2, "big")
            out += b"\x00"
            out += parcel.payload

    def _exchange(self, timeout_s: float) -> None:
        sock = self._socket
        if sock is None:
            return
        readable, writable, _ = select.select([sock], [sock] if self._out else [], [], timeout_s)
        now_s = self._clock.monotonic_s()
        if writable:
            sent = sock.send(self._out)
            del self._out[:sent]
            self._spoke_s = now_s
        if readable:
            data = sock.recv(65_536)
            if not data:
                raise ConnectionResetError("the broker closed the connection")
            self._in += data
            self._heard_s = now_s
            self._take_in()
        if now_s - max(self._spoke_s, self._heard_s) > KEEPALIVE_S / 2 and not self._out:
            self._out += b"\xc0\x00"
        if now_s - self._heard_s > 1.5 * KEEPALIVE_S and (self._flying or self._out):
            raise TimeoutError("the broker does not answer")
        while self._kept and now_s - self._kept[0].sent_s > self._resend_s:
            self._kept.popleft()

    def _take_in(self) -> None:
        """Handle every whole packet that has arrived."""
        data, at = self._in, 0
        while True:
            header = _packet_at(data, at)
            if header is None:
                break
            kind, body, end = header
            if kind == 0x40:
                reason = data[body + 2] if end - body > 2 else 0
                self._settle(int.from_bytes(data[body : body + 2], "big"), reason)
            elif kind == 0xE0:
                raise ConnectionResetError("the broker said goodbye")
            at = end
        del data[:at]

    def _settle(self, packet_id: int, reason: int) -> None:
        parcel = self._flying.pop(packet_id, None)
        if parcel is None:
            return
        if reason >= _FAILURE:
            self.refused_count += not parcel.done
            return
        if reason == _NOBODY:
            self._unheard.append(parcel)
            return
        if self._unheard:
            self.say_unheard_again()
        self._kept.append(parcel)
        if not parcel.done:
            parcel.done = True
            self.acknowledged_count += 1
            self._acknowledged(parcel)

    def _lose(self) -> None:
        """The connection is gone: everything that may be missing goes to the front of the queue again."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        self._out.clear()
        self._in.clear()
        now_s = self._clock.monotonic_s()
        recent = [parcel for parcel in self._kept if now_s - parcel.sent_s <= self._resend_s]
        again = [*self._unheard, *recent, *self._flying.values()]
        self.resent_count += len(again)
        self._kept.clear()
        self._unheard.clear()
        self._flying.clear()
        self._queue.extendleft(reversed(again))
        self._retry_s = now_s + 0.1

    def _connect(self, now_s: float) -> None:
        """Connect, or plan the next attempt. Raises `BrokerError` when the broker refuses us."""
        try:
            sock = socket.create_connection(self._address, CONNECT_TIMEOUT_S)
        except OSError:
            self._retry_s = now_s + 0.1
            return
        try:
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            sock.sendall(self._hello())
            answer = bytearray()
            while (header := _packet_at(answer, 0)) is None:
                data = sock.recv(4096)
                if not data:
                    raise ConnectionResetError("closed while connecting")
                answer += data
            _, body, end = header
            reason = answer[body + 1]
            if reason >= _FAILURE:
                raise BrokerError(f"the broker refuses the connection with reason 0x{reason:02x}")
            self._window = _receive_maximum(answer, body + 2, end)
            self._in = answer[end:]
        except OSError:
            sock.close()
            self._retry_s = now_s + 0.1
            return
        except BrokerError:
            sock.close()
            raise
        sock.setblocking(False)
        self._socket = sock
        self._next_id = 1
        self._heard_s = self._spoke_s = self._clock.monotonic_s()
        self.connections += 1

    def _hello(self) -> bytes:
        username, password = self._login
        flags = 0x02 | (0x80 if username is not None else 0) | (0x40 if password is not None else 0)
        body = topic_part("MQTT") + bytes([5, flags]) + struct.pack(">H", KEEPALIVE_S) + b"\x00"
        body += topic_part(self._client_id)
        body += b"".join(topic_part(text) for text in self._login if text is not None)
        return b"\x10" + _length(len(body)) + body


def _length(value: int) -> bytes:
    """A variable byte integer."""
    if value < 128:
        return bytes((value,))
    out = bytearray()
    while True:
        value, low = divmod(value, 128)
        out.append(low | 0x80 if value else low)
        if not value:
            return bytes(out)


def _packet_at(data: bytearray, at: int) -> tuple[int, int, int] | None:
    """Kind, start of the body and end of the packet that begins here; None while it is incomplete."""
    length = shift = 0
    for i, byte in enumerate(islice(data, at + 1, at + 5)):
        length |= (byte & 0x7F) << shift
        shift += 7
        if not byte & 0x80:
            body = at + 2 + i
            end = body + length
            return (data[at] & 0xF0, body, end) if end <= len(data) else None
    return None


def _receive_maximum(data: bytearray, at: int, end: int) -> int:
    """The broker's Receive Maximum among the properties of its CONNACK."""
    length = shift = 0
    while at < end:
        byte = data[at]
        at += 1
        length |= (byte & 0x7F) << shift
        shift += 7
        if not byte & 0x80:
            break
    stop = min(end, at + length)
    while at < stop:
        name = data[at]
        at += 1
        width = _PROPERTY_WIDTHS.get(name)
        if name == 0x21:
            return int.from_bytes(data[at : at + 2], "big")
        if width is None:
            for _ in range(2 if name == 0x26 else 1):
                at += 2 + int.from_bytes(data[at : at + 2], "big")
        else:
            at += width
    return LAST_PACKET_ID
