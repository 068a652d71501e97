"""Scenarios on a real broker by the command line: faster than time, with the truth, and ended while one is cut."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from motewatch.wire.decode import decode
from motewatch.wire.records import Reading
from motewatch.wire.topics import Topics
from motewatch_simulator.clock import micros
from motewatch_simulator.truth import from_line
from support.servers import Mosquitto, running, wait_until

pytestmark = pytest.mark.broker

CONFIG = Path(__file__).parents[2] / "config"
PATIENCE_S = 120.0


class Heard:
    """The readings of a site, as the daemon reads them."""

    def __init__(self, topics: Topics) -> None:
        self.topics = topics
        self.subscribed = threading.Event()
        self.readings: list[Reading] = []

    def take(self, _client: Client, _user: object, message: MQTTMessage) -> None:
        read = decode(self.topics, message.topic, bytes(message.payload))
        if isinstance(read, Reading):
            self.readings.append(read)


@contextmanager
def listening(port: int, topics: Topics) -> Iterator[Heard]:
    heard = Heard(topics)
    client = Client(CallbackAPIVersion.VERSION2, "listener", protocol=MQTTv5)
    client.on_connect = lambda c, *_: c.subscribe([(one, 1) for one in topics.subscriptions()])
    client.on_subscribe = lambda *_: heard.subscribed.set()
    client.on_message = heard.take
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert heard.subscribed.wait(30)
        yield heard
    finally:
        client.disconnect()
        client.loop_stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with running(Mosquitto(tmp_path)) as server:
        yield server


def ran(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "motewatch_simulator", "run", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S)


def test_a_scenario_faster_than_time_lies_in_the_past_and_arrives_whole(broker: Mosquitto, tmp_path: Path) -> None:
    truth = tmp_path / "truth.jsonl"
    with listening(broker.port, Topics("motewatch/v1", "mirrenfeld-suite")) as heard:
        before_us = micros(datetime.now(UTC))
        ended = ran(
            str(CONFIG / "scenarios" / "gowning-burst.toml"),
            *("--port", str(broker.port), "--speed", "900", "--truth", str(truth)),
        )
        assert ended.returncode == 0, ended.stderr
        # Two hours of six one-minute counters; the first minute is seldom whole.
        wait_until(lambda: len(heard.readings) >= 6 * 119, "every reading")
    ends = [reading.start_us + reading.duration_us for reading in heard.readings]
    assert max(ends) <= micros(datetime.now(UTC))
    assert before_us - min(ends) > 7000 * 1_000_000
    sent = {(reading.sensor, reading.seq) for reading in heard.readings}
    assert {sensor: sum(one == sensor for one, _ in sent) for sensor, _ in sent} == {
        f"pc-0{i}": len(sent) // 6 for i in range(1, 7)
    }
    assert "of 7200 s" in ended.stderr
    assert "[gowning-burst]" in ended.stderr
    truths = [from_line(line) for line in truth.read_text().splitlines()]
    (burst,) = [one for one in truths if one.what == "gowning-burst"]
    assert burst.end_us is not None
    assert burst.end_us - burst.start_us == 600 * 1_000_000


def test_a_run_that_ends_while_a_sensor_has_no_network_has_lost_nothing(broker: Mosquitto, tmp_path: Path) -> None:
    story = tmp_path / "story.toml"
    text = (CONFIG / "day-scenario.toml").read_text().replace("day-site.toml", str(CONFIG / "day-site.toml"))
    cut = '\n[[incidents]]\nkind = "network-lost"\nsensor = "pc-02"\nat_s = 2\nduration_s = 100\n'
    story.write_text(text + cut)
    log = tmp_path / "log.jsonl"
    with listening(broker.port, Topics("motewatch/v1", "mirrenfeld-day")) as heard:
        ended = ran(str(story), "--port", str(broker.port), "--seconds", "5", "--log", str(log))
        assert ended.returncode == 0, ended.stderr
        acknowledged = {(one["sensor"], one["seq"]) for one in map(json.loads, log.read_text().splitlines())}
        wait_until(lambda: acknowledged <= {(r.sensor, r.seq) for r in heard.readings}, "what was acknowledged")
    assert max(seq for sensor, seq in acknowledged if sensor == "pc-02") <= 2
    assert max(seq for sensor, seq in acknowledged if sensor == "pc-03") >= 3
