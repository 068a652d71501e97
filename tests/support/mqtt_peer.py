"""Someone else on the broker: publishes what it is told and collects what it hears, on the plain library client."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from support.servers import wait_until


class Peer:
    """A connected client; leave the `with` block to disconnect it."""

    def __init__(
        self,
        port: int,
        *filters: str,
        username: str | None = None,
        password: str | None = None,
        ca_file: Path | None = None,
    ) -> None:
        self._lock = threading.Lock()
        self._heard: list[mqtt.MQTTMessage] = []
        self._subscribed = threading.Event()
        self._filters = filters
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.max_inflight_messages = 500
        if username is not None:
            self._client.username_pw_set(username, password)
        if ca_file is not None:
            self._client.tls_set(str(ca_file))
        self._client.on_message = self._on_message
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.connect("127.0.0.1", port)

    def __enter__(self) -> Peer:
        self._client.loop_start()
        if not self._subscribed.wait(20):
            raise AssertionError("the peer did not get connected")
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        self._client.on_message = self._client.on_connect = self._client.on_subscribe = None

    def publish(self, topic: str, payload: str | bytes, *, retain: bool = False, **properties: Any) -> None:
        """Publish at QoS 1 and wait for the acknowledgement. Keywords are MQTT 5 properties, such as ResponseTopic."""
        self.publish_all([(topic, payload)], retain=retain, **properties)

    def publish_all(self, messages: list[tuple[str, str | bytes]], *, retain: bool = False, **properties: Any) -> None:
        """Publish in order, pipelined, and wait for all acknowledgements."""
        extra = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        for name, value in properties.items():
            setattr(extra, name, value)
        infos = [self._client.publish(topic, body, 1, retain, extra) for topic, body in messages]
        for info in infos:
            info.wait_for_publish(30)
            assert info.is_published()

    def heard(self, topic: str | None = None) -> list[mqtt.MQTTMessage]:
        """What came so far, of one topic or of all."""
        with self._lock:
            return [each for each in self._heard if topic in (None, each.topic)]

    def wait_for(self, count: int, topic: str | None = None, timeout_s: float = 20.0) -> list[mqtt.MQTTMessage]:
        """At least `count` messages."""
        wait_until(lambda: len(self.heard(topic)) >= count, f"{count} messages on {topic or 'any topic'}", timeout_s)
        return self.heard(topic)

    def _on_connect(self, client: mqtt.Client, *_: Any) -> None:
        if self._filters:
            client.subscribe([(name, 1) for name in self._filters])
        else:
            self._subscribed.set()

    def _on_message(self, client: mqtt.Client, userdata: Any, message: mqtt.MQTTMessage) -> None:
        with self._lock:
            self._heard.append(message)
