"""The link to the MQTT broker: one thread that connects, subscribes, hands messages over, and connects again.

Rules:
- A message becomes a `Delivery` and goes to the inbox; the one who commits it calls `acknowledge`. Each delivery
  carries the generation of its connection, and an acknowledgement of an older generation is dropped: packet ids are
  reused, and a late one would acknowledge another message that nobody has kept yet.
- The end of the broker's backlog is found by a marker: published to ourselves once the subscription stands, it queues
  behind all that was waiting, and its arrival is the event `drained`.
- Only bytes from the broker prove that it lives. In silence it is asked (SUBSCRIBE to the marker again, which leaves
  nothing behind and is answered even when it is denied); no answer within `patience_s` ends the connection.
- While the connection is away `publish` fails at once; keeping and retrying is the outbox' work.
- Nothing here decides anything about readings, periods or alarms, or opens a payload other than its own marker.

Events, in the inbox, in order with the deliveries: `session-lost` (the broker kept nothing for us, so messages of the
time away may be missing; also on the first connection ever), `up` (subscriptions confirmed), `drained` (behind it
`marker-lost`, where that had to be taken for granted although messages went on coming), `down` (with what to mend;
repeated only when the reason changes). Beside them `SessionTaken`, where another client took our session.
"""

from __future__ import annotations

import logging
import secrets
import ssl
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final, Literal, Protocol

from motewatch.engine.records import SessionTaken
from motewatch.links.broker_tls import BrokerTls
from motewatch.links.clock import TimeSource
from motewatch.links.connection import Carried, Connection, Publication, Terms
from motewatch.links.errors import BrokerAwayError, BrokerError, LinkSettingsError
from motewatch.links.take_overs import TakeOvers
from motewatch.site.models import Broker
from motewatch.wire.topics import Topics

log = logging.getLogger(__name__)

RECEIVE_MAXIMUM: Final = 1600
"""Messages the broker may have under way to us: a few commit groups, and the back-pressure."""

MIN_DELAY_S: Final = 0.2
MAX_DELAY_S: Final = 5.0
STEADY_S: Final = 10.0
"""A connection that lived this long starts the delays from the beginning. Not every CONNACK does: two services with
one client id throw each other out after each, and would do so five times a second."""

MARKER_EXPIRY_S: Final = 600
_OUT_OF_TIME: Final = (9, 10)
"""OpenSSL's X509_V_ERR_CERT_NOT_YET_VALID and X509_V_ERR_CERT_HAS_EXPIRED."""
RESUBSCRIBE_S: Final = 30.0
_WARNED: Final = ("down", "marker-lost", "session-lost")


Kind = Literal["up", "down", "drained", "marker-lost", "session-lost"]


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message as it arrived, with what is needed to acknowledge it."""

    topic: str
    payload: bytes
    received_us: int
    retain: bool
    generation: int
    mid: int
    qos: int
    response_topic: str | None = None
    correlation: bytes | None = None


@dataclass(frozen=True, slots=True)
class BrokerEvent:
    """Something happened to the link. `at_us` is when (for a broker that fell silent: when it was last heard)."""

    kind: Kind
    at_us: int
    generation: int
    detail: str


class Inbox(Protocol):
    """Where deliveries and events go; a `queue.SimpleQueue` is one. Must not block."""

    def put(self, item: Delivery | BrokerEvent | SessionTaken, /) -> None:
        """Take the item."""
        ...


class BrokerLink:
    """See the module. `presence(online, at_us)` gives the payload of our retained presence and last will."""

    def __init__(
        self,
        settings: Broker,
        topics: Topics,
        inbox: Inbox,
        clock: TimeSource,
        secret: str | None = None,
        base_dir: Path = Path(),
        *,
        presence: Callable[[bool, int], bytes] | None = None,
        receive_maximum: int = RECEIVE_MAXIMUM,
        patience_s: float | None = None,
        marker_life_s: float = MARKER_EXPIRY_S,
    ) -> None:
        self._topics = topics
        self._inbox = inbox
        self._clock = clock
        self._presence = presence
        self._patience_s = patience_s if patience_s is not None else settings.keepalive_s / 2
        self._marker_life_s = marker_life_s
        self._tls = BrokerTls(settings, base_dir)
        self._own_certificate = settings.cert_file is not None
        self.certificate_until_us: int | None = None
        """When the certificate ends that the broker showed last; None: none was seen, or without TLS."""
        self._terms = Terms(
            host=settings.host,
            port=settings.port,
            client_id=settings.client_id or f"motewatch-{topics.site}",
            username=settings.username,
            secret=secret,
            tls=None,
            keepalive_s=settings.keepalive_s,
            session_expiry_s=settings.session_expiry_s,
            receive_maximum=receive_maximum,
        )
        self._marker_topic = topics.marker(self._terms.client_id)
        self._filters = [*topics.subscriptions(), self._marker_topic]
        self._take_overs = TakeOvers(self._terms.client_id)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._visit: _Visit | None = None
        self._generation = 0
        self._down_detail: str | None = None
        self._farewell_s = 0.0

    # ---- any thread -------------------------------------------------------------------------------------------------

    @property
    def client_id(self) -> str:
        """The client id under which the broker keeps our session."""
        return self._terms.client_id

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us and the connection is not known to have ended."""
        visit = self._visit
        return visit is not None and visit.connection.alive

    @property
    def generation(self) -> int:
        """Number of the present (or the last) connection, from 1."""
        return self._generation

    def start(self) -> None:
        """Begin to connect, in a thread of its own; what comes of it is told by events."""
        if self._thread is not None:
            raise RuntimeError("a BrokerLink is started once")
        self._thread = threading.Thread(target=self._run, name="broker-link", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> bool:
        """Say goodbye (presence offline, DISCONNECT) and end the thread. False if it did not end in time, as when it
        hangs in a name look-up; it ends by itself later and touches nothing."""
        self._farewell_s = timeout_s * 0.6
        self._stop.set()
        visit = self._visit
        if visit is not None:
            visit.connection.wake()
        if self._thread is None:
            return True
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def acknowledge(self, deliveries: Iterable[Delivery]) -> int:
        """Acknowledge what has been committed; returns how many were sent. Those of older generations are dropped:
        the broker sends such messages again, and they are recognised as repeats. To be called from one thread."""
        visit = self._visit
        if visit is None:
            return 0
        connection = visit.connection
        mids = [each.mid for each in deliveries if each.generation == connection.generation and each.qos]
        if mids:
            connection.acknowledge(mids)
            visit.acknowledged += len(mids)
        return len(mids)

    def find_end_again(self) -> None:
        """Send the marker once more: `drained` comes when all that the broker holds for us until now has come. Nothing
        happens while the end is still looked for, or there is no connection: then that event comes anyway."""
        visit = self._visit
        if visit is None or not visit.connection.alive or not visit.drained:
            return
        visit.settled_s = None
        visit.marker = None
        visit.drained = False
        visit.marker = visit.connection.publish(self._marker_topic, visit.nonce, False, MARKER_EXPIRY_S)

    def publish(self, topic: str, payload: bytes, retain: bool, expiry_s: int | None = None) -> Publication:
        """Publish at QoS 1. While the broker is away the result is already failed, and worth another try."""
        visit = self._visit
        if visit is None or not visit.connection.alive:
            publication = Publication(topic)
            publication.settle(BrokerAwayError(f"'{topic}' was not sent: the broker is away"))
            return publication
        return visit.connection.publish(topic, payload, retain, expiry_s)

    # ---- the network thread -----------------------------------------------------------------------------------------

    def _run(self) -> None:
        delay_s = MIN_DELAY_S
        while not self._stop.is_set():
            began_s = self._clock.monotonic_s()
            try:
                self._one_connection()
            except Exception as error:  # a defect, or a library that met bytes it cannot read: the next one is fresh
                log.exception("the connection to the broker failed unexpectedly")
                self._tell_down(f"the connection failed: {type(error).__name__}: {error}")
            lived_s = self._clock.monotonic_s() - began_s
            if self._stop.wait(MIN_DELAY_S if lived_s >= STEADY_S else delay_s):
                return
            delay_s = MIN_DELAY_S if lived_s >= STEADY_S else min(delay_s * 2, MAX_DELAY_S)

    def _one_connection(self) -> None:
        try:
            terms = replace(self._terms, tls=self._tls.context())
        except LinkSettingsError as error:  # a renewed file that cannot be used: told, and looked at again
            self._tell_down(str(error))
            return
        connection = Connection(terms, self._clock, self._on_connected, self._on_message)
        visit = self._visit = _Visit(connection, self._clock.monotonic_s())
        try:
            try:
                connection.open(self._will())
            except (OSError, ValueError) as error:
                self._take_overs.refused()
                self._tell_down(self._why_not_open(error))
                return
            self._serve(visit)
        finally:
            self._visit = None
            connection.close()

    def _serve(self, visit: _Visit) -> None:
        connection = visit.connection
        visit.turned_s = self._clock.monotonic_s()
        tick_s = min(0.5, self._patience_s / 8)
        while connection.turn(tick_s):
            now_s = self._clock.monotonic_s()
            if self._stop.is_set():
                if connection.alive:
                    self._farewell(connection)
                return
            if connection.reason is not None and not connection.reason.is_failure:
                self._subscribe(visit, now_s)
                self._find_end_of_backlog(visit, now_s)
            if self._silent(visit, now_s, tick_s):
                connection.end_detail = f"{self._where()} does not answer (waited {self._patience_s:g} s)"
                silent_us = round((now_s - connection.last_seen_s) * 1_000_000)
                self._tell_down(connection.end_detail, self._clock.now_us() - silent_us)
                return
        if not self._stop.is_set():
            self._tell_down(self._why_ended(visit))
            self._tell_taken_over(connection)

    def _subscribe(self, visit: _Visit, now_s: float) -> None:
        """Subscribe, judge the answer, and tell `up`; a denied subscription is tried again now and then."""
        connection = visit.connection
        if visit.subscription is None:
            if now_s >= visit.subscribe_at_s:
                visit.subscription = connection.subscribe(self._filters)
            return
        reasons = connection.granted.pop(visit.subscription, None)
        if reasons is None:
            return
        denied = [name for name, reason in zip(self._filters, reasons, strict=False) if reason.is_failure]
        if denied:
            visit.subscription, visit.subscribe_at_s = None, now_s + RESUBSCRIBE_S
            self._tell_down(
                f"{self._where()} denies the subscription to {', '.join(denied)}; allow {self._who()} "
                "to read these topics in the broker's ACL"
            )
        elif visit.marker is None:
            self._down_detail = None
            self._tell("up", self._where())
            if self._presence is not None:
                now_us = self._clock.now_us()
                connection.publish(self._topics.service, self._presence(True, now_us), True, None)
            visit.marker = connection.publish(self._marker_topic, visit.nonce, False, MARKER_EXPIRY_S)

    def _find_end_of_backlog(self, visit: _Visit, now_s: float) -> None:
        """The way out when the marker cannot come (an ACL that forbids it): nothing under way and nothing new for a
        while, or the marker's life is over."""
        if visit.drained or visit.marker is None or not visit.marker.settled:
            return
        if visit.settled_s is None:
            visit.settled_s = now_s
        quiet_s = now_s - max(visit.last_message_s, visit.settled_s)
        idle = visit.heard == visit.acknowledged and quiet_s > self._patience_s / 2
        over = now_s - visit.settled_s > self._marker_life_s
        if idle or over:
            reason = visit.marker.error or f"the marker did not come back on '{self._marker_topic}'"
            self._tell_drained(visit, f"taken for granted: {reason}")
            if over or visit.marker.error is not None:
                # Where all is quiet and nothing was refused, the broker may only be slow, and nothing was held up.
                mend = f"allow {self._who()} to write and read it"
                if visit.marker.error is None:
                    mend += (
                        f", unless more waited than is read in {self._marker_life_s:g} s: the marker lives no longer"
                    )
                self._tell("marker-lost", f"{reason}; {mend}")

    def _silent(self, visit: _Visit, now_s: float, tick_s: float) -> bool:
        connection = visit.connection
        if now_s - visit.turned_s > tick_s + 1.0:
            visit.asked_s = None  # we ourselves were held up: the answer may be waiting in the socket
        visit.turned_s = now_s
        quiet_s = now_s - connection.last_seen_s
        if not connection.alive:  # CONNACK is still to come
            return quiet_s > self._patience_s
        if quiet_s < self._patience_s / 2:
            visit.asked_s = None
        elif visit.asked_s is None:
            visit.asked_s = now_s
            connection.subscribe([self._marker_topic])
        return visit.asked_s is not None and now_s - visit.asked_s > self._patience_s / 2

    def _farewell(self, connection: Connection) -> None:
        deadline_s = self._clock.monotonic_s() + self._farewell_s
        if self._presence is not None:
            payload = self._presence(False, self._clock.now_us())
            goodbye = connection.publish(self._topics.service, payload, True, None)
            while not goodbye.settled and self._clock.monotonic_s() < deadline_s and connection.turn(0.05):
                pass
        connection.disconnect()
        while self._clock.monotonic_s() < deadline_s and connection.turn(0.05):
            pass

    # ---- callbacks of the connection, in the network thread ---------------------------------------------------------

    def _on_connected(self, connection: Connection) -> None:
        self._generation += 1
        connection.generation = self._generation
        self.certificate_until_us = connection.certificate_until_us
        if not connection.session_present:
            first = "first connection of this process" if self._generation == 1 else "it lost or dropped our session"
            self._tell("session-lost", f"{self._where()} kept no session for '{self.client_id}' ({first})")

    def _on_message(
        self,
        connection: Connection,
        topic: str,
        payload: bytes,
        mid: int,
        qos: int,
        retain: bool,
        carried: Carried | None,
    ) -> None:
        visit = self._visit
        if visit is None:
            return
        if topic == self._marker_topic:
            if qos:
                connection.acknowledge((mid,))
            if payload == visit.nonce:
                self._tell_drained(visit, "")
            return
        answer_to, correlation = (None, None) if carried is None else (carried.response_topic, carried.correlation)
        now_us = self._clock.now_us()
        generation = connection.generation
        self._inbox.put(Delivery(topic, payload, now_us, retain, generation, mid, qos, answer_to, correlation))
        visit.last_message_s = connection.last_seen_s
        visit.heard += qos

    # ---- telling ----------------------------------------------------------------------------------------------------

    def _tell(self, kind: Kind, detail: str, at_us: int | None = None) -> None:
        event = BrokerEvent(kind, self._clock.now_us() if at_us is None else at_us, self._generation, detail)
        log.log(logging.WARNING if kind in _WARNED else logging.INFO, "broker %s: %s", kind, detail)
        self._inbox.put(event)

    def _tell_down(self, detail: str, at_us: int | None = None) -> None:
        if detail != self._down_detail:
            self._down_detail = detail
            self._tell("down", detail, at_us)

    def _tell_taken_over(self, connection: Connection) -> None:
        now_us, told = self._clock.now_us(), None
        if connection.taken_over:
            told = self._take_overs.said(now_us)
        elif connection.closed:
            told = self._take_overs.closed(now_us)
        elif connection.reason is None or connection.reason.is_failure:
            self._take_overs.refused()
        if told is not None:
            log.warning("another client took our session: '%s', %d more", told.client_id, told.count)
            self._inbox.put(told)

    def _tell_drained(self, visit: _Visit, detail: str) -> None:
        if not visit.drained:
            visit.drained = True
            self._tell("drained", detail)

    def _will(self) -> tuple[str, bytes] | None:
        if self._presence is None:
            return None
        return self._topics.service, self._presence(False, self._clock.now_us())

    def _where(self) -> str:
        return f"the broker at {self._terms.host}:{self._terms.port}"

    def _who(self) -> str:
        if self._terms.username is not None:
            return f"user '{self._terms.username}'"
        return "the account of our certificate" if self._own_certificate else "clients that give no user name"

    def _why_not_open(self, error: Exception) -> str:
        if isinstance(error, ssl.SSLCertVerificationError) and error.verify_code in _OUT_OF_TIME:
            return (
                f"{self._where()} shows a certificate that is out of its time ({error.verify_message}); put a new one "
                "in place at the broker, or set this machine's clock right; it is tried again and again"
            )
        if isinstance(error, ssl.SSLCertVerificationError):
            return (
                f"{self._where()} shows a certificate that does not hold ({error.verify_message}); check "
                "service.broker.ca_file, and that service.broker.host is a name the certificate is for"
            )
        if isinstance(error, ssl.SSLError):
            return f"{self._where()} does not speak TLS as we do ({error}); check service.broker.port and tls"
        return f"{self._where()} cannot be reached ({error}); check service.broker.host and port, and that it runs"

    def _why_ended(self, visit: _Visit) -> str:
        connection = visit.connection
        if connection.reason is None:
            why = f" ({connection.failure})" if connection.failure else ""
            if "certificate" in why:
                given = "" if self._own_certificate else ", which is not given"
                return (
                    f"{self._where()} does not take our certificate{why}; check service.broker.cert_file{given}; a new "
                    "file is taken by the next try"
                )
            return (
                f"{self._where()} ended the connection before accepting it{why}; check service.broker.port and tls "
                "(a TLS port needs tls = true)"
            )
        if connection.reason.is_failure:
            name = connection.reason.getName()
            return (
                f"{self._where()} refuses {self._who()}: {name} (0x{connection.reason.value:02X}); "
                "check service.broker.username and password_file, and the broker's own password file and ACL"
            )
        if connection.taken_over:
            return (
                f"{self._where()}: another client connected under our client id '{self.client_id}', and the broker "
                "threw us off; look for a second service, and in the broker's log for the account; the id is "
                "service.broker.client_id"
            )
        detail = f"{self._where()}: {connection.end_detail or 'the connection ended'}"
        if self._clock.monotonic_s() - visit.began_s < 2 * MAX_DELAY_S:
            detail += (
                f"; if this repeats, look for a second service with the client id '{self.client_id}' "
                "(service.broker.client_id)"
            )
        return detail


@dataclass(slots=True)
class _Visit:
    """How far the talk on one connection has come. Only the network thread writes it, but for `acknowledged`."""

    connection: Connection
    began_s: float
    nonce: bytes = field(default_factory=lambda: secrets.token_hex(8).encode())
    subscribe_at_s: float = 0.0
    subscription: int | None = None
    marker: Publication | None = None
    settled_s: float | None = None
    drained: bool = False
    heard: int = 0
    acknowledged: int = 0
    last_message_s: float = 0.0
    turned_s: float = 0.0
    asked_s: float | None = None


__all__: Sequence[str] = [
    "BrokerAwayError", "BrokerError", "BrokerEvent", "BrokerLink", "Delivery", "Inbox", "Publication",
]  # fmt: skip
