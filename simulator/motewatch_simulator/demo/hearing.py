"""Hears on the demo's broker, as any other client would: what `Ear` and `Talk` share.

Without a thread: whoever waits turns it, so that processes can be started while it listens. Knows no message.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

GOODBYE_S = 0.1


class Hearing:
    """Hands over topic and payload of each message; quality of service 1."""

    def __init__(self, client_id: str, hear: Callable[[str, bytes], None]) -> None:
        self._take = hear
        self._topics: list[tuple[str, int]] = []
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5, reconnect_on_failure=False
        )
        self._client.on_connect = self._subscribe
        self._client.on_message = self._hear

    def open(self, port: int, topics: Sequence[str]) -> None:
        """Begin to listen to these topics."""
        self._topics = [(topic, 1) for topic in topics]
        self._client.connect("127.0.0.1", port, keepalive=60)

    def turn(self, wait_s: float) -> None:
        """Work off what the broker sent, waiting so long for it at most."""
        self._client.loop(wait_s)

    def close(self) -> None:
        """Say goodbye."""
        self._client.disconnect()
        self._client.loop(GOODBYE_S)

    def _subscribe(
        self,
        client: mqtt.Client,
        userdata: object,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        client.subscribe(self._topics)

    def _hear(self, client: mqtt.Client, userdata: object, message: mqtt.MQTTMessage) -> None:
        self._take(message.topic, bytes(message.payload))
