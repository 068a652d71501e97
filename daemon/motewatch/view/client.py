"""A person's connection to the broker: to listen, or to give one command and hear its answer.

Rules: a clean session under a client id of its own, nothing kept on the broker when we go. Callbacks run in the
library's network thread; they only put into a queue. Whoever listens uses his own broker user, which may only read.
"""

from __future__ import annotations

import contextlib
import queue
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions
from pydantic import ValidationError

from motewatch.links.broker_tls import tls_context
from motewatch.links.clock import TimeSource
from motewatch.site.models import Broker
from motewatch.view.errors import BrokerNotReachedError, NoAnswerError, NotAllowedError, ViewError
from motewatch.wire.incoming import CommandMessage
from motewatch.wire.outgoing import ReplyMessage
from motewatch.wire.topics import Topics

CONNECT_TIMEOUT_S = 3.0
NO_LISTENER = 0x10
"""MQTT 5, PUBACK: no matching subscribers."""


@dataclass(frozen=True, slots=True)
class Access:
    """Where the broker is and who we are there. `secret` never shows."""

    broker: Broker
    user: str | None
    secret: str | None
    base_dir: Path

    @property
    def where(self) -> str:
        """`127.0.0.1:1883`, with the user where there is one."""
        user = f" as user '{self.user}'" if self.user else ""
        return f"{self.broker.host}:{self.broker.port}{user}"

    def __repr__(self) -> str:
        return f"Access({self.where})"


@dataclass(frozen=True, slots=True)
class Up:
    """Connected; what is retained comes after this."""


@dataclass(frozen=True, slots=True)
class Listening:
    """The broker has granted all subscriptions."""


@dataclass(frozen=True, slots=True)
class Down:
    """Not connected, and why; it is tried again."""

    detail: str


@dataclass(frozen=True, slots=True)
class Forbidden:
    """The broker refused a subscription."""

    topic: str


@dataclass(frozen=True, slots=True)
class Taken:
    """The broker's answer to our publication."""

    reason: int
    name: str


@dataclass(frozen=True, slots=True)
class Message:
    """Something published."""

    topic: str
    payload: bytes


News = Up | Listening | Down | Forbidden | Taken | Message


class Listener:
    """Subscribes to filters and puts all news into a queue, until stopped. Connects again by itself."""

    def __init__(self, access: Access, filters: Sequence[str], news: queue.SimpleQueue[News]) -> None:
        self._access = access
        self._filters = list(filters)
        self._news = news
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=f"motewatch-view-{secrets.token_hex(6)}", protocol=mqtt.MQTTv5
        )
        client.connect_timeout = CONNECT_TIMEOUT_S
        client.reconnect_delay_set(1, 5)
        if access.user is not None:
            client.username_pw_set(access.user, access.secret)
        context = tls_context(access.broker, access.base_dir)
        if context is not None:
            client.tls_set_context(context)
        client.on_connect = self._connected
        client.on_connect_fail = self._failed
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_message = self._message
        client.on_publish = self._published
        self._client = client

    def start(self) -> None:
        """Begin to connect; returns at once."""
        broker = self._access.broker
        self._client.connect_async(broker.host, broker.port, broker.keepalive_s)
        self._client.loop_start()

    def stop(self) -> None:
        """Leave the broker and end the network thread."""
        self._client.disconnect()
        self._client.loop_stop()

    def publish(self, topic: str, payload: bytes, expiry_s: int) -> None:
        """Publish at QoS 1; the answer comes as `Taken`. Undelivered, it is dropped after `expiry_s`."""
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.MessageExpiryInterval = expiry_s
        self._client.publish(topic, payload, qos=1, properties=properties)

    def _connected(
        self, client: mqtt.Client, userdata: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, properties: Any
    ) -> None:
        if reason.is_failure:
            self._news.put(Down(f"{self._access.where} refused us: {reason.getName()}"))
            return
        self._news.put(Up())
        client.subscribe([(name, SubscribeOptions(qos=1)) for name in self._filters])

    def _failed(self, client: mqtt.Client, userdata: Any) -> None:
        self._news.put(Down(f"no connection to {self._access.where}"))

    def _disconnected(
        self, client: mqtt.Client, userdata: Any, flags: mqtt.DisconnectFlags, reason: ReasonCode, properties: Any
    ) -> None:
        # The library's name for a connection that just broke would tell nobody anything.
        why = "" if reason.getName() == "Unspecified error" else f" ({reason.getName()})"
        self._news.put(Down(f"the connection to {self._access.where} ended{why}"))

    def _subscribed(
        self, client: mqtt.Client, userdata: Any, mid: int, reasons: list[ReasonCode], properties: Any
    ) -> None:
        refused = [name for name, reason in zip(self._filters, reasons, strict=False) if reason.is_failure]
        self._news.put(Forbidden(refused[0]) if refused else Listening())

    def _message(self, client: mqtt.Client, userdata: Any, message: mqtt.MQTTMessage) -> None:
        # `topic` raises on bytes that are no UTF-8; such a message is none of ours.
        with contextlib.suppress(UnicodeDecodeError):
            self._news.put(Message(message.topic, bytes(message.payload)))

    def _published(self, client: mqtt.Client, userdata: Any, mid: int, reason: ReasonCode, properties: Any) -> None:
        self._news.put(Taken(reason.value, reason.getName()))


def forbidden(access: Access, topic: str, verb: str) -> NotAllowedError:
    """The sentence for a topic that the broker's access list keeps from us."""
    return NotAllowedError(
        f"the broker does not let {access.where} {verb} '{topic}'; give --user and --password-file of a user who may"
    )


def ask(access: Access, topics: Topics, command: CommandMessage, timeout_s: float, clock: TimeSource) -> ReplyMessage:
    """Give a command and wait for its answer. Raises a `ViewError`."""
    news: queue.SimpleQueue[News] = queue.SimpleQueue()
    listener = Listener(access, [topics.reply(command.id)], news)
    deadline_s = clock.monotonic_s() + timeout_s
    down = f"no connection to {access.where}"
    sent = False
    listener.start()
    try:
        while True:
            left_s = deadline_s - clock.monotonic_s()
            try:
                item = news.get(timeout=max(left_s, 0.0) or 0.001)
            except queue.Empty:
                if left_s > 0:
                    continue
                raise _gave_up(access, down, timeout_s, sent) from None
            match item:
                case Listening():
                    # Dropped by the broker when we stop waiting: a command must not take effect hours later.
                    listener.publish(topics.command, command.to_payload(), expiry_s=max(1, round(timeout_s)))
                    sent = True
                case Forbidden(topic):
                    raise forbidden(access, topic, "read")
                case Down(detail):
                    down = detail
                    if "refused" in detail:
                        raise BrokerNotReachedError(detail)
                case Taken(reason, name):
                    _check_taken(access, topics, reason, name)
                case Message(_, payload):
                    return _reply(payload)
    finally:
        listener.stop()


def _check_taken(access: Access, topics: Topics, reason: int, name: str) -> None:
    if reason == NO_LISTENER:
        raise NoAnswerError("nobody listens to commands on this broker: start the service, and give the command again")
    if reason == 0x87:
        raise forbidden(access, topics.command, "write")
    if reason >= 0x80:
        raise NotAllowedError(f"the broker did not take the command: {name}")


def _gave_up(access: Access, down: str, timeout_s: float, sent: bool) -> ViewError:
    if not sent:
        return BrokerNotReachedError(f"the broker is not reached: {down}")
    return NoAnswerError(
        f"no answer within {timeout_s:g} s: the service is not running, or very busy, or this user may not read the "
        "answer; look with 'motewatch audit' whether the command was taken before giving it again"
    )


def _reply(payload: bytes) -> ReplyMessage:
    try:
        return ReplyMessage.model_validate_json(payload, extra="ignore")
    except ValidationError as error:
        raise NoAnswerError(f"the answer cannot be read: {error.errors()[0]['msg']}") from None
