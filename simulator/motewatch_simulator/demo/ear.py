"""Hears on MQTT whether the daemon is there: its retained presence, as any other client would.

Without a thread: it is turned by whoever waits, so that processes can be started while it listens.
"""

from __future__ import annotations

from types import TracebackType
from typing import Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from pydantic import ValidationError

from motewatch.wire.messages import ServiceMessage


class Ear:
    """A context manager; `online()` says whether the daemon says that it is there."""

    def __init__(self, port: int, topic: str) -> None:
        self._port = port
        self._topic = topic
        self._online = False
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="motewatch-demo", protocol=mqtt.MQTTv5, reconnect_on_failure=False
        )
        self._client.on_connect = self._subscribe
        self._client.on_message = self._hear

    def __enter__(self) -> Self:
        self._client.connect("127.0.0.1", self._port, keepalive=60)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop(0.1)

    def online(self) -> bool:
        """Work off what the broker sent, waiting up to 0.1 s for it."""
        self._client.loop(0.1)
        return self._online

    def _subscribe(
        self,
        client: mqtt.Client,
        userdata: object,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        client.subscribe(self._topic, qos=1)

    def _hear(self, client: mqtt.Client, userdata: object, message: mqtt.MQTTMessage) -> None:
        try:
            self._online = ServiceMessage.model_validate_json(message.payload).online
        except ValidationError:
            self._online = False
