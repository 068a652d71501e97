"""One MQTT connection as a sensor has it: what is not acknowledged is kept and sent again, in order.

paho's callbacks run on its own thread and only hand over to a queue; everything else happens on the caller's thread, in
`send`, `tend` and `close`. Every connection is a new paho client with a generation: an acknowledgement counts only for
the connection on which its message was sent, because packet ids are reused.

A broker's acknowledgement means 'in the broker's memory'. So after each reconnection the messages of the last
`resend_s` seconds are sent again too, acknowledged or not; the receiver knows repeats by sensor, boot and sequence. And
where the broker says that nobody has subscribed (a broker that lost its sessions does, until its subscribers are back),
the message is kept, and sent again as soon as another one has found a listener.
"""

from __future__ import annotations

import contextlib
import queue
import socket
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from motewatch_simulator.clock import Clock
from motewatch_simulator.encode import Outgoing

KEEPALIVE_S = 20
GOODBYE_S = 1.0
"""How long a goodbye may take."""

FAILURE = 0x80
"""Reason codes of MQTT 5 from here on are failures."""

NOBODY = 0x10
"""Reason code of MQTT 5: taken, but there are no matching subscribers."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where the broker is and how to be let in."""

    host: str
    port: int
    username: str | None = None
    password: str | None = None
    tls: bool = False
    ca_file: str | None = None


class Phase(StrEnum):
    """Where a link stands."""

    CLOSED = "closed"
    CONNECTING = "connecting"
    UP = "up"


@dataclass(slots=True)
class Tally:
    """What became of the count messages of one link."""

    acknowledged: int = 0
    refused: int = 0
    """The broker answered with a failure, such as not authorised."""
    forgotten: int = 0
    """Never acknowledged, and pushed out of the sensor's memory."""
    resent: int = 0
    connections: int = 0


@dataclass(slots=True)
class _Kept:
    message: Outgoing
    sent_s: float
    done: bool = False
    """Acknowledged with a listener, or refused."""
    unheard: bool = False
    """Its last publication found no listener."""
    forgotten: bool = False
    """Pushed out of the sensor's memory; its acknowledgement may still come."""


@dataclass(frozen=True, slots=True)
class _Event:
    generation: int
    kind: str
    mid: int = 0
    reason: int = 0
    text: str = ""


class Link:
    """A connection that comes back by itself while it is open. Not thread-safe: one thread uses it."""

    def __init__(
        self,
        address: Address,
        client_id: str,
        clock: Clock,
        *,
        resend_s: float,
        memory: int,
        births: Callable[[], list[Outgoing]],
        will: Callable[[], Outgoing | None],
        acknowledged: Callable[[Outgoing], None],
    ) -> None:
        """`births` is asked at every connection for what to say first, `will` for what the broker is to say last."""
        self.tally = Tally()
        self.phase = Phase.CLOSED
        self.trouble = ""
        """Why the last attempt or connection ended, for people."""
        self.refused_connection = False
        """The broker answered the last attempt with a refusal, such as a wrong password."""
        self._address = address
        self._client_id = client_id
        self._clock = clock
        self._resend_s = resend_s
        self._memory = memory
        self._births = births
        self._will = will
        self._acknowledged = acknowledged
        self._events: queue.SimpleQueue[_Event] = queue.SimpleQueue()
        self._generation = 0
        self._client: Client | None = None
        self._retry_s = 0.0
        self._open = False
        self._kept: deque[_Kept] = deque()
        self._unheard: deque[_Kept] = deque(maxlen=memory)
        self._by_mid: dict[int, _Kept] = {}

    def open(self) -> None:
        """Connect, and stay connected."""
        if not self._open:
            self._open = True
            self._connect()

    def send(self, message: Outgoing) -> None:
        """Publish now if connected, and keep it until it is acknowledged and old enough."""
        kept = _Kept(message, self._clock.monotonic_s())
        self._kept.append(kept)
        while len(self._kept) > self._memory:
            oldest = self._kept.popleft()
            oldest.forgotten = not oldest.done
            self.tally.forgotten += oldest.forgotten
        if self.phase is Phase.UP:
            self._publish(kept)

    def say(self, message: Outgoing) -> None:
        """Publish now if connected, and do not keep it: presence, which every connection states anew."""
        if self.phase is Phase.UP and self._client is not None:
            self._client.publish(message.topic, message.payload, qos=1, retain=message.retain)

    def tend(self) -> None:
        """Take in what the network thread reported, reconnect, forget what is old. Call it often."""
        while True:
            try:
                event = self._events.get_nowait()
            except queue.Empty:
                break
            if event.generation == self._generation:
                self._take(event)
        now_s = self._clock.monotonic_s()
        if self._open and self.phase is Phase.CLOSED and now_s >= self._retry_s:
            self._connect()
        while self._kept and self._spent(self._kept[0], now_s):
            self._kept.popleft()

    def _spent(self, kept: _Kept, now_s: float) -> bool:
        return kept.done and not kept.unheard and kept.sent_s < now_s - self._resend_s

    @property
    def waiting(self) -> int:
        """Messages that are not yet acknowledged."""
        return sum(not kept.done and not kept.unheard for kept in self._kept)

    @property
    def unheard(self) -> int:
        """Messages that the broker has taken and nobody was there to hear."""
        return sum(not kept.done and kept.unheard for kept in self._kept)

    def say_unheard_again(self) -> None:
        """Send what nobody heard once more, in order."""
        while self._unheard and self.phase is Phase.UP:
            self.tally.resent += 1
            self._publish(self._unheard.popleft())

    def cut(self) -> None:
        """Break the connection without a word, as when a plug is pulled: the broker will speak the last will."""
        self._open = False
        self._drop(polite=False, patient=self.phase is Phase.UP)

    def close(self) -> None:
        """Disconnect as MQTT wants it: the broker forgets the last will."""
        self._open = False
        self._drop(polite=True, patient=self.phase is Phase.UP)

    def _connect(self) -> None:
        self._generation += 1
        generation, events = self._generation, self._events
        client = Client(
            CallbackAPIVersion.VERSION2, self._client_id, protocol=MQTTv5, reconnect_on_failure=False
        )  # fmt: skip
        if self._address.username is not None:
            client.username_pw_set(self._address.username, self._address.password)
        if self._address.tls:
            client.tls_set(self._address.ca_file)
        will = self._will()
        if will is not None:
            client.will_set(will.topic, will.payload, qos=1, retain=will.retain)

        # These run on paho's thread.
        def on_connect(_c: Client, _u: object, _f: ConnectFlags, reason: ReasonCode, _p: Properties | None) -> None:
            events.put(_Event(generation, "refused" if reason.is_failure else "up", text=str(reason)))

        def on_connect_fail(_c: Client, _u: object) -> None:
            events.put(_Event(generation, "unreachable"))

        def on_disconnect(
            _c: Client, _u: object, _f: DisconnectFlags, reason: ReasonCode, _p: Properties | None
        ) -> None:
            events.put(_Event(generation, "down", text=str(reason)))

        def on_publish(_c: Client, _u: object, mid: int, reason: ReasonCode, _p: Properties) -> None:
            events.put(_Event(generation, "acknowledged", mid=mid, reason=reason.value))

        client.on_connect = on_connect
        client.on_connect_fail = on_connect_fail
        client.on_disconnect = on_disconnect
        client.on_publish = on_publish
        client.connect_async(self._address.host, self._address.port, keepalive=KEEPALIVE_S)
        client.loop_start()
        self._client = client
        self.phase = Phase.CONNECTING

    def _take(self, event: _Event) -> None:
        match event.kind:
            case "up":
                self.phase, self.trouble, self.refused_connection = Phase.UP, "", False
                self.tally.connections += 1
                self._send_again()
            case "refused":
                self.trouble, self.refused_connection = event.text, True
            case "unreachable":
                self.trouble = f"nobody answers at {self._address.host}:{self._address.port}"
                # paho would try again by itself, and then end without a word.
                self._drop(polite=False, patient=False)
                self._retry_s = self._clock.monotonic_s() + 0.5
            case "down":
                self.trouble = self.trouble or event.text
                self._drop(polite=False)
                # A broker that takes and drops connections must not be stormed.
                self._retry_s = self._clock.monotonic_s() + (2.0 if self.refused_connection else 0.2)
            case "acknowledged":
                self._settle(event)

    def _send_again(self) -> None:
        for birth in self._births():
            self.say(birth)
        self._unheard.clear()
        now_s = self._clock.monotonic_s()
        for kept in self._kept:
            if not self._spent(kept, now_s):
                self.tally.resent += self.tally.connections > 1
                self._publish(kept)

    def _publish(self, kept: _Kept) -> None:
        assert self._client is not None
        message = kept.message
        kept.unheard = False
        info = self._client.publish(message.topic, message.payload, qos=1, retain=message.retain)
        self._by_mid[info.mid] = kept

    def _settle(self, event: _Event) -> None:
        kept = self._by_mid.pop(event.mid, None)
        if kept is None:
            return
        kept.unheard = event.reason == NOBODY
        if kept.unheard:
            self._unheard.append(kept)
            return
        first, kept.done = not kept.done, True
        self.tally.forgotten -= kept.forgotten
        kept.forgotten = False
        if event.reason >= FAILURE:
            self.tally.refused += first
            return
        if first:
            self.tally.acknowledged += 1
            self._acknowledged(kept.message)
        # Somebody listens now.
        self.say_unheard_again()

    def _drop(self, *, polite: bool, patient: bool = True) -> None:
        """End the present connection, if any, and its thread; wait for the thread if `patient`."""
        client, self._client = self._client, None
        was_up, self.phase = self.phase is Phase.UP, Phase.CLOSED
        if client is not None and polite and was_up:
            client.disconnect()
            self._await_end()
        self._by_mid.clear()
        self._generation += 1
        if client is None:
            return
        sock = client.socket()
        if isinstance(sock, socket.socket):
            with contextlib.suppress(OSError):
                # The plain shutdown, also under TLS: nothing more goes out.
                socket.socket.shutdown(sock, socket.SHUT_RDWR)
        if patient:
            client.loop_stop()
        else:
            # A thread that is still waiting for a silent host would hold up fifty others.
            threading.Thread(target=client.loop_stop, daemon=True).start()

    def _await_end(self) -> None:
        """Let the goodbye leave before the socket is shut, or the broker would speak the will after all."""
        deadline_s = self._clock.monotonic_s() + GOODBYE_S
        while (left_s := deadline_s - self._clock.monotonic_s()) > 0:
            try:
                event = self._events.get(timeout=left_s)
            except queue.Empty:
                return
            if event.generation != self._generation:
                continue
            if event.kind == "down":
                return
            if event.kind == "acknowledged":
                self._settle(event)
