"""The yardstick: the smallest subscriber that the same client library allows. Run by `pipeline.py`, not by hand.

Takes COUNT messages from a kept session with manual acknowledgement and prints seconds from first to last, and the
processor time of that stretch.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

CLIENT_ID = "bench-bare"
RECEIVE_MAXIMUM = 1600
"""The daemon's."""


def client_of(port: int, topic: str, on_message: Any, ready: threading.Event) -> mqtt.Client:
    """A started client with a kept session."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=CLIENT_ID, protocol=mqtt.MQTTv5, manual_ack=True)

    def connected(made: mqtt.Client, _user: Any, _flags: Any, _reason: Any, _properties: Any) -> None:
        made.subscribe(topic, qos=1)

    client.on_connect = connected
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = on_message
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 3600
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    client.connect("127.0.0.1", port, 30, clean_start=False, properties=properties)
    client.loop_start()
    return client


def keep_session(port: int, topic: str) -> None:
    """Make the broker keep a session, so that messages queue up in it."""
    ready = threading.Event()
    client = client_of(port, topic, lambda *_: None, ready)
    if not ready.wait(10):
        raise RuntimeError("the broker did not confirm the subscription")
    client.disconnect()
    client.loop_stop()


def main() -> None:
    """See the module."""
    port, topic, count = int(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    seen = 0
    first = last = (0.0, 0.0)
    done = threading.Event()

    def take(client: mqtt.Client, _user: Any, message: mqtt.MQTTMessage) -> None:
        nonlocal seen, first, last
        if not seen:
            first = (time.perf_counter(), time.process_time())
        seen += 1
        client.ack(message.mid, message.qos)
        if seen == count:
            last = (time.perf_counter(), time.process_time())
            done.set()

    client = client_of(port, topic, take, threading.Event())
    if not done.wait(300):
        raise RuntimeError(f"only {seen} of {count} messages came")
    client.disconnect()
    client.loop_stop()
    print(json.dumps({"seconds": last[0] - first[0], "cpu_s": last[1] - first[1]}))


if __name__ == "__main__":
    main()
