"""One connection to the MQTT broker, from its CONNECT to its end, and the publications that travel on it.

Rules: an object serves one TCP connection and is never used again, so an acknowledgement or a publication that comes
late lands on a dead object and never on the next connection, where the broker uses the same packet ids for other
messages. All reading, writing and callbacks happen in the thread that calls `turn`; `acknowledge` and `publish` may
be called from any thread and only queue. Callbacks note what happened and hand over, nothing more, and let no
exception out. This module must not know topics, what is in a payload, or when to connect again.

The MQTT library is driven through its interface for an outside event loop instead of its own thread: an exception
in that thread ends it while the client still says "connected", and `loop_stop` waits for ever on a broker that does
not answer. Here a failure of any kind ends the connection, and the next one starts from nothing.
"""

from __future__ import annotations

import contextlib
import logging
import selectors
import socket
import ssl
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from motewatch.links.clock import TimeSource
from motewatch.links.errors import BrokerAwayError, BrokerError, PublicationRefusedError
from motewatch.links.take_overs import TAKEN_OVER

log = logging.getLogger(__name__)

READS_PER_TURN: Final = 64
"""Packets read for one `select`; more would let a flood of readings delay our own acknowledgements."""

CONNECT_TIMEOUT_S: Final = 3.0

NO_SUBSCRIBER: Final = 0x10
"""MQTT 5, PUBACK: taken, but no matching subscribers."""

FINAL_REFUSALS: Final = frozenset({0x87, 0x90, 0x99})
"""Not authorised, topic name invalid, payload format invalid (MQTT 5, 3.4.2.1): the same again gets the same answer."""


@dataclass(frozen=True, slots=True)
class Terms:
    """What a connection is made with. `secret` never shows."""

    host: str
    port: int
    client_id: str
    username: str | None
    secret: str | None
    tls: ssl.SSLContext | None
    keepalive_s: int
    session_expiry_s: int
    receive_maximum: int

    def __repr__(self) -> str:
        return f"Terms({self.host}:{self.port}, client_id={self.client_id!r}, username={self.username!r})"


class Publication:
    """A message on its way out. Settled once: acknowledged, refused, or lost with its connection."""

    __slots__ = ("_error", "_latch", "_settled", "heard", "topic")

    def __init__(self, topic: str) -> None:
        self.topic = topic
        self.heard = True
        """False: the broker took it and says that nobody subscribes to the topic."""
        self._error: BrokerError | None = None
        self._settled = False
        # A lock that is held until the outcome is known: an event costs ten times as much, and every sample makes one.
        self._latch = threading.Lock()
        self._latch.acquire()

    @property
    def settled(self) -> bool:
        """Whether the outcome is known."""
        return self._settled

    @property
    def error(self) -> BrokerError | None:
        """Why it failed; None while it is under way and when the broker has taken it."""
        return self._error

    def settle(self, error: BrokerError | None, *, heard: bool = True) -> None:
        """State the outcome. Only the first one counts."""
        if not self._settled:
            self.heard = heard
            self._error = error
            self._settled = True
            with contextlib.suppress(RuntimeError):  # two at once: the other one has released it
                self._latch.release()

    def settles_within(self, timeout_s: float) -> bool:
        """Wait for the outcome, at most `timeout_s`; whether it is known."""
        if not self._settled and self._latch.acquire(timeout=max(0.0, timeout_s)):
            self._latch.release()
        return self._settled

    def wait(self, timeout_s: float) -> None:
        """Return once the broker has taken it. Raises `PublicationRefusedError`, or `BrokerAwayError` (also when
        there is no answer within `timeout_s`: it may then still arrive)."""
        if not self.settles_within(timeout_s):
            raise BrokerAwayError(f"no acknowledgement of '{self.topic}' within {timeout_s:g} s")
        if self._error is not None:
            raise self._error


@dataclass(frozen=True, slots=True)
class Carried:
    """What a message may carry beside its payload and we look at."""

    response_topic: str | None
    correlation: bytes | None


OnMessage = Callable[["Connection", str, bytes, int, int, bool, Carried | None], None]
"""(connection, topic, payload, packet id, QoS, retain, properties) of a message, in the network thread"""


class Connection:
    """See the module. `on_connected` runs in the network thread before any message is handed over."""

    def __init__(
        self,
        terms: Terms,
        clock: TimeSource,
        on_connected: Callable[[Connection], None],
        on_message: OnMessage,
    ) -> None:
        self._clock = clock
        self._on_connected = on_connected
        self._handle_message = on_message
        self.generation = 0
        self.reason: ReasonCode | None = None
        """The broker's answer to CONNECT, once it has come."""
        self.session_present = False
        self.granted: dict[int, list[ReasonCode]] = {}
        """The broker's answers to SUBSCRIBE, by packet id."""
        self.end_detail: str | None = None
        """Why the connection ended; None while it lives."""
        self.last_seen_s = clock.monotonic_s()
        """When bytes last came from the broker (monotonic seconds)."""
        self.taken_over = False
        """Whether the broker ended it because somebody else connected under our client id, and said so."""
        self.closed = False
        """Whether the broker closed it in good order after it had taken it, without a word."""
        self.handler_errors = 0
        self._said = _Said()

        self._lock = threading.Lock()
        self._waiting: dict[int, Publication] = {}
        self._early: dict[int, ReasonCode] = {}
        self._packets = 0
        self._terms = terms
        self._client = self._make(terms)
        self._selector = selectors.DefaultSelector()
        self._bell, self._clapper = socket.socketpair()
        self._bell.setblocking(False)
        self._clapper.setblocking(False)
        self._selector.register(self._bell, selectors.EVENT_READ)
        self._registered: tuple[Any, int] | None = None

    def _make(self, terms: Terms) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=terms.client_id,
            protocol=mqtt.MQTTv5,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.connect_timeout = CONNECT_TIMEOUT_S
        if terms.username is not None:
            client.username_pw_set(terms.username, terms.secret)
        if terms.tls is not None:
            client.tls_set_context(terms.tls)
        client.on_connect = self._connected
        client.on_subscribe = self._subscribed
        client.on_message = self._message
        client.on_publish = self._published
        client.on_disconnect = self._disconnected
        # A logger of its own, and no `on_log`: for that one each packet would be put into words.
        errors = logging.Logger("mqtt", logging.ERROR)
        errors.addHandler(self._said)
        client.enable_logger(errors)
        # Its presence tells the library that an outside loop does the writing; without it the library would write
        # from whatever thread calls `ack` or `publish`. The waking up is done by `_wake`.
        client.on_socket_register_write = _nothing
        return client

    # ---- the network thread -----------------------------------------------------------------------------------------

    def open(self, will: tuple[str, bytes] | None) -> None:
        """Connect and send CONNECT, with a retained last will at QoS 1. Raises OSError or ValueError."""
        if will is not None:
            self._client.will_set(will[0], will[1], qos=1, retain=True)
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = self._terms.session_expiry_s
        properties.ReceiveMaximum = self._terms.receive_maximum
        self._client.connect(
            self._terms.host, self._terms.port, self._terms.keepalive_s, clean_start=False, properties=properties
        )
        self.last_seen_s = self._clock.monotonic_s()

    def turn(self, timeout_s: float) -> bool:
        """Wait for something to do, at most `timeout_s`, and do it. False when the connection has ended."""
        client = self._client
        sock = client.socket()
        if sock is None:
            return False
        self._watch(sock)
        events = self._selector.select(0.0 if _pending(sock) else timeout_s)
        # Readable only: that a socket can be written says nothing about the broker's health.
        ready = {key.fileobj for key, mask in events if mask & selectors.EVENT_READ}
        if self._bell in ready:
            with contextlib.suppress(BlockingIOError):
                self._bell.recv(4096)
        if sock in ready or _pending(sock):
            self._read()
        if client.want_write():
            client.loop_write()
        client.loop_misc()
        return client.socket() is not None

    def _read(self) -> None:
        """Read the packets that have come, as many as one turn may."""
        client = self._client
        for _ in range(READS_PER_TURN):
            before, alive = self._packets, self.alive
            if client.loop_read() or client.socket() is None:
                # Without an error, the other side closed it; a broker that gives a reason has sent a packet before.
                self.closed = alive and not self._said.text and self._packets == before
                return
            self.last_seen_s = self._clock.monotonic_s()
            if self._packets == before:
                return

    def _watch(self, sock: Any) -> None:
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._client.want_write() else 0)
        if self._registered is None:
            self._selector.register(sock, wanted)
        elif self._registered != (sock, wanted):
            self._selector.modify(sock, wanted)
        self._registered = (sock, wanted)

    def subscribe(self, filters: Sequence[str]) -> int:
        """Send SUBSCRIBE at QoS 1 for all filters; returns its packet id, under which `granted` gets the answer."""
        _, mid = self._client.subscribe([(name, SubscribeOptions(qos=1)) for name in filters])
        if mid is None:
            raise BrokerAwayError("the connection ended before SUBSCRIBE could be sent")
        return mid

    def disconnect(self) -> None:
        """Send DISCONNECT: the broker drops the last will and keeps the session."""
        self._client.disconnect()

    def close(self) -> None:
        """Close the socket and fail whatever is under way. The network thread's last act here."""
        with self._lock:
            self.end_detail = self.end_detail or "closed"
            lost, self._waiting = self._waiting, {}
        for publication in lost.values():
            publication.settle(BrokerAwayError(f"the connection ended before '{publication.topic}' was acknowledged"))
        client = self._client
        client.on_connect = client.on_subscribe = client.on_message = client.on_publish = client.on_disconnect = None
        sock = client.socket()
        if sock is not None:
            sock.close()
        self._selector.close()
        self._bell.close()
        self._clapper.close()

    # ---- any thread -------------------------------------------------------------------------------------------------

    @property
    def alive(self) -> bool:
        """Whether the broker accepted us and the connection has not ended."""
        return self.reason is not None and not self.reason.is_failure and self.end_detail is None

    @property
    def failure(self) -> str:
        """What the library said of a connection that ended before CONNACK, such as why TLS was refused."""
        return self._said.text if self.reason is None else ""

    @property
    def certificate_until_us(self) -> int | None:
        """When the certificate ends that the broker showed; None without TLS. In the network thread."""
        sock = self._client.socket()
        if not isinstance(sock, ssl.SSLSocket):
            return None
        until = (sock.getpeercert() or {}).get("notAfter")
        return round(ssl.cert_time_to_seconds(until)) * 1_000_000 if isinstance(until, str) else None

    def wake(self) -> None:
        """Make `turn` return soon."""
        with contextlib.suppress(OSError):  # full: it will wake anyway; closed: nobody to wake
            self._clapper.send(b"\0")

    def acknowledge(self, mids: Sequence[int]) -> None:
        """Queue PUBACKs for messages of this connection."""
        if mids:
            ack = self._client.ack
            for mid in mids:
                ack(mid, 1)
            self.wake()

    def publish(self, topic: str, payload: bytes, retain: bool, expiry_s: int | None) -> Publication:
        """Queue a QoS 1 PUBLISH. A topic no broker can take gives a publication already refused."""
        publication = Publication(topic)
        properties = None
        if expiry_s is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = expiry_s
        try:
            info = self._client.publish(topic, payload, qos=1, retain=retain, properties=properties)
        except ValueError as error:
            publication.settle(PublicationRefusedError(topic, 0x90, str(error), final=True))
            return publication
        if info.rc != mqtt.MQTT_ERR_SUCCESS:
            publication.settle(BrokerAwayError(f"'{topic}' was not sent: {mqtt.error_string(info.rc)}"))
            return publication
        # The acknowledgement may have come before this line: `_published` then left it in `_early`. One lock for both
        # tables, never held while calling the library, which holds its own lock when it calls `_published`.
        with self._lock:
            if info.mid in self._early:
                reason = self._early.pop(info.mid)
                publication.settle(_refusal(topic, reason), heard=reason.value != NO_SUBSCRIBER)
            elif self.end_detail is not None:
                publication.settle(BrokerAwayError(f"the connection ended before '{topic}' was acknowledged"))
            else:
                self._waiting[info.mid] = publication
        self.wake()
        return publication

    # ---- callbacks, in the network thread; none may raise -----------------------------------------------------------

    def _connected(
        self, client: mqtt.Client, userdata: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, properties: Any
    ) -> None:
        self._packets += 1
        self.session_present = flags.session_present
        self.reason = reason
        if not reason.is_failure:
            try:
                self._on_connected(self)
            except Exception:
                self._swallow("CONNACK")

    def _subscribed(
        self, client: mqtt.Client, userdata: Any, mid: int, reasons: list[ReasonCode], properties: Any
    ) -> None:
        self._packets += 1
        self.granted[mid] = reasons

    def _message(self, client: mqtt.Client, userdata: Any, message: mqtt.MQTTMessage) -> None:
        self._packets += 1
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "\ufffd"  # no topic we know: it will be kept as a dead letter
        carried = message.properties
        answer_to, correlation = getattr(carried, "ResponseTopic", None), getattr(carried, "CorrelationData", None)
        properties = None if answer_to is None and correlation is None else Carried(answer_to, correlation)
        payload = bytes(message.payload)
        try:
            self._handle_message(self, topic, payload, message.mid, message.qos, message.retain, properties)
        except Exception:
            self._swallow("message")  # not acknowledged: the broker sends it again on the next connection

    def _published(self, client: mqtt.Client, userdata: Any, mid: int, reason: ReasonCode, properties: Any) -> None:
        self._packets += 1
        with self._lock:
            publication = self._waiting.pop(mid, None)
            if publication is None:
                self._early[mid] = reason
                return
        publication.settle(_refusal(publication.topic, reason), heard=reason.value != NO_SUBSCRIBER)

    def _disconnected(
        self, client: mqtt.Client, userdata: Any, flags: mqtt.DisconnectFlags, reason: ReasonCode, properties: Any
    ) -> None:
        if self.end_detail is None:
            by = "the broker ended the connection" if flags.is_disconnect_packet_from_server else "the connection broke"
            self.end_detail = f"{by} ({reason.getName()})"
        self.taken_over = self.taken_over or (flags.is_disconnect_packet_from_server and reason.value == TAKEN_OVER)

    def _swallow(self, what: str) -> None:
        self.handler_errors += 1
        log.exception("handling a %s from the broker failed; the connection goes on", what)


class _Said(logging.Handler):
    """The last thing that the library called an error: what it tells nowhere else is why a connection ended."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.text = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.text = record.getMessage()


def _refusal(topic: str, reason: ReasonCode) -> BrokerError | None:
    if not reason.is_failure:
        return None
    return PublicationRefusedError(topic, reason.value, reason.getName(), final=reason.value in FINAL_REFUSALS)


def _pending(sock: Any) -> bool:
    """Whether TLS holds bytes already taken from the socket, which `select` cannot see."""
    return isinstance(sock, ssl.SSLSocket) and sock.pending() > 0


def _nothing(client: mqtt.Client, userdata: Any, sock: Any) -> None:
    return None
