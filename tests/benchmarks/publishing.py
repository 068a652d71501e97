"""How evenly the simulator publishes: 2,000 messages a second from 2,000 counters, with a subscriber, on mosquitto.

    .venv/bin/python tests/benchmarks/publishing.py [--rate 2000] [--seconds 30]

For each message the time from the instant at which it was due (its interval ended) until the broker had acknowledged
it: that is jitter of the publisher, travel and broker together, so an upper bound of the jitter alone. Prints figures
and asserts nothing.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
from pathlib import Path
from threading import Event

import numpy as np
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[1]))

from motewatch_simulator import load
from motewatch_simulator.clock import Clock
from motewatch_simulator.lean import LeanPublisher, Parcel
from motewatch_simulator.simulation import boot_id
from support.servers import Mosquitto, running

SENSORS = 2_000
WARM_UP_S = 2.0
"""Left out: the first connection and the filling of caches."""


def measured(port: int, rate: float, seconds: float) -> tuple[load.LoadResult, np.ndarray]:
    """What was published, and milliseconds from due to acknowledged for each message after the warm-up."""
    clock = Clock()
    interval_us = round(SENSORS / rate * 1e6)
    now_us = clock.now_us()
    plan = load.LoadPlan(SENSORS, interval_us, now_us - interval_us, boot_id(now_us))
    late_ms: list[float] = []

    def note(parcel: Parcel) -> None:
        tag = parcel.tag
        assert isinstance(tag, load.Tag)
        if tag.end_us - now_us >= WARM_UP_S * 1e6:
            late_ms.append((clock.now_us() - tag.end_us) / 1000.0)

    publisher = LeanPublisher("127.0.0.1", port, "bench-publishing", clock, acknowledged=note)
    result = load.publish(plan, publisher, clock, Event(), rate=rate, messages=round(rate * seconds))
    return result, np.array(late_ms)


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rate", type=float, default=2_000.0)
    parser.add_argument("--seconds", type=float, default=30.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, running(Mosquitto(Path(folder))) as broker:
        subscribed = threading.Event()
        listener = Client(CallbackAPIVersion.VERSION2, "bench-listener", protocol=MQTTv5)
        listener.on_subscribe = lambda *_: subscribed.set()
        listener.connect("127.0.0.1", broker.port)
        listener.loop_start()
        # At most once: the listener is there so that the broker has somebody to send to, and is no load of its own.
        listener.subscribe("#", 0)
        subscribed.wait(10)
        try:
            result, late_ms = measured(broker.port, given.rate, given.seconds)
        finally:
            listener.disconnect()
            listener.loop_stop()
    p50, p95, p99 = np.percentile(late_ms, [50, 95, 99])
    print(
        f"{result.made} made, {result.acknowledged} acknowledged, {result.acknowledged / result.seconds:.0f}/s; due to "
        f"acknowledged: median {p50:.1f} ms, p95 {p95:.1f} ms, p99 {p99:.1f} ms, worst {late_ms.max():.1f} ms"
    )


if __name__ == "__main__":
    main()
