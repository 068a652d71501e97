"""The simulator on a real broker: sensors that come, go, break off and send again; and the load generator."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np
import pytest
from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from motewatch.wire.decode import decode
from motewatch.wire.records import Presence, Reading
from motewatch.wire.topics import Topics
from motewatch_simulator import load
from motewatch_simulator.clock import Clock
from motewatch_simulator.errors import BrokerError
from motewatch_simulator.fleet import Fleet
from motewatch_simulator.lean import LeanPublisher
from motewatch_simulator.link import Address
from motewatch_simulator.run import Progress, play
from motewatch_simulator.scenario import Keeping, Scenario
from motewatch_simulator.simulation import Simulation, boot_id
from support.servers import Account, Mosquitto, running, wait_until
from support.simulated import a_scenario, a_site

pytestmark = pytest.mark.broker

TOPICS = Topics("motewatch/v1", "testing")
LOAD_TOPICS = Topics(load.TOPIC_ROOT, load.SITE_ID)


class Collector:
    """Subscribes to a site and remembers every message, also across a restart of the broker."""

    def __init__(self, port: int, topics: Topics, account: tuple[str, str] | None = None) -> None:
        self.messages: list[tuple[str, bytes, bool]] = []
        self.subscriptions = 0
        self._topics = topics
        client = Client(CallbackAPIVersion.VERSION2, "collector", protocol=MQTTv5)
        client.reconnect_delay_set(1, 1)
        if account is not None:
            client.username_pw_set(*account)
        client.on_connect = lambda c, *_: c.subscribe([(f, 1) for f in topics.subscriptions()])
        client.on_subscribe = self._subscribed
        client.on_message = self._heard
        client.connect_async("127.0.0.1", port)
        self._client = client

    def __enter__(self) -> Collector:
        self._client.loop_start()
        wait_until(lambda: self.subscriptions, "a subscription")
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _subscribed(self, *_: object) -> None:
        self.subscriptions += 1

    def _heard(self, _client: Client, _user: object, message: MQTTMessage) -> None:
        self.messages.append((message.topic, bytes(message.payload), message.retain))

    def more(self, number: int) -> None:
        """Wait for so many further messages."""
        before = len(self.messages)
        wait_until(lambda: len(self.messages) >= before + number, f"{number} messages")

    def read(self) -> list[Reading | Presence]:
        """Every message as the daemon reads it."""
        found = []
        for topic, payload, _ in list(self.messages):
            read = decode(self._topics, topic, payload)
            assert isinstance(read, Reading | Presence), read
            found.append(read)
        return found

    def readings(self, sensor: str | None = None) -> list[Reading]:
        """The count messages, of one sensor or of all."""
        return [r for r in self.read() if isinstance(r, Reading) and sensor in (None, r.sensor)]

    def presence(self, sensor: str) -> list[bool]:
        """What was said of a sensor's presence, in order."""
        return [p.online for p in self.read() if isinstance(p, Presence) and p.sensor == sensor]


def kill_and_restart(broker: Mosquitto, heard: Collector) -> None:
    """kill -9 without a saved store: sessions and messages are gone. Returns when the collector has subscribed anew."""
    broker.kill()
    subscribed = heard.subscriptions
    broker.start()
    wait_until(lambda: heard.subscriptions > subscribed, "the collector's return")


@dataclass
class Playing:
    """A run in a thread of its own."""

    fleet: Fleet
    stop: Event
    log: StringIO
    outcome: list[Progress | Exception] = field(default_factory=list)
    thread: threading.Thread | None = None

    def end(self) -> Progress:
        """Stop it and return its last standing."""
        self.stop.set()
        assert self.thread is not None
        self.thread.join(20)
        assert not self.thread.is_alive()
        (outcome,) = self.outcome
        assert isinstance(outcome, Progress), outcome
        return outcome

    def logged(self) -> set[tuple[str, str, int]]:
        """What the log says was acknowledged; each message once."""
        lines = [json.loads(line) for line in self.log.getvalue().splitlines()]
        keys = [(line["sensor"], line["boot"], line["seq"]) for line in lines]
        assert len(keys) == len(set(keys))
        return set(keys)


@contextmanager
def playing(
    port: int,
    scenario: Scenario | None = None,
    *,
    own_connections: int = 50,
    address: Address | None = None,
    passwords: dict[str, str] | None = None,
    **keeping: Any,
) -> Iterator[Playing]:
    """Two sensors that send ten readings a second each."""
    site = a_site(interval_s=0.1)
    site = site.model_copy(update={"sensors": tuple(x.model_copy(update={"interval_s": 0.1}) for x in site.sensors)})
    clock = Clock()
    start_us = clock.now_us()
    simulation = Simulation(site, scenario or a_scenario(), rng=np.random.default_rng(1), start_us=start_us)
    log = StringIO()
    fleet = Fleet(
        address or Address("127.0.0.1", port),
        TOPICS,
        [sensor.id for sensor in site.sensors],
        Keeping(**keeping),
        clock,
        run_id=boot_id(start_us),
        log=log,
        own_connections=own_connections,
        passwords=passwords,
    )
    run = Playing(fleet, Event(), log)

    def target() -> None:
        try:
            run.outcome.append(play(simulation.emissions(), fleet, clock, run.stop, start_us=start_us))
        except Exception as error:  # handed to the test
            run.outcome.append(error)

    run.thread = threading.Thread(target=target)
    run.thread.start()
    try:
        yield run
    finally:
        run.stop.set()
        run.thread.join(20)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with running(Mosquitto(tmp_path)) as server:
        yield server


def whole(readings: list[Reading]) -> bool:
    """Whether every boot's sequence is there from 0 on without a gap."""
    seqs: dict[str, set[int]] = {}
    for reading in readings:
        seqs.setdefault(reading.boot, set()).add(reading.seq)
    return all(numbers == set(range(max(numbers) + 1)) for numbers in seqs.values())


@pytest.mark.parametrize("own_connections", [50, 0])
def test_sensors_say_hello_count_and_say_goodbye(broker: Mosquitto, own_connections: int) -> None:
    with Collector(broker.port, TOPICS) as heard, playing(broker.port, own_connections=own_connections) as run:
        wait_until(lambda: min(len(heard.readings(s)) for s in ("pc-1", "pc-2")) >= 5, "five readings of each")
        end = run.end()
        assert end.sent == end.acknowledged >= 10
        assert (end.waiting, end.refused, end.forgotten, end.trouble) == (0, 0, 0, "")
        wait_until(lambda: len(heard.readings()) == end.sent, "every reading")
        wait_until(lambda: heard.presence("pc-1")[-1:] == [False], "the goodbye")
        assert {(r.sensor, r.boot, r.seq) for r in heard.readings()} == run.logged()
        assert heard.presence("pc-1")[0] is True
        for sensor in ("pc-1", "pc-2"):
            own = heard.readings(sensor)
            assert [r.seq for r in own] == list(range(len(own)))
    with Collector(broker.port, TOPICS) as later:
        wait_until(lambda: later.presence("pc-1") == [False], "the retained presence")
        assert later.messages[0][2], "retained"


def test_an_unplugged_sensor_is_told_offline_by_the_broker_and_comes_back(broker: Mosquitto) -> None:
    scenario = a_scenario(
        incidents=[{"kind": "sensor-unplugged", "sensor": "pc-1", "at_s": 0.5, "duration_s": 0.5, "presence": "will"}]
    )
    with Collector(broker.port, TOPICS) as heard, playing(broker.port, scenario) as run:
        wait_until(lambda: heard.presence("pc-1")[-3:] == [True, False, True], "gone and back")
        wait_until(lambda: len({r.boot for r in heard.readings("pc-1")}) == 2, "readings of another boot")
        run.end()
        wait_until(lambda: run.logged() <= {(r.sensor, r.boot, r.seq) for r in heard.readings()}, "every reading")
        assert whole(heard.readings())
        # Only the sensor itself fell silent.
        wait_until(lambda: heard.presence("pc-2") == [True, False], "the goodbye of the other one")


def test_nothing_is_missing_after_the_broker_was_killed(broker: Mosquitto) -> None:
    with Collector(broker.port, TOPICS) as heard, playing(broker.port) as run:
        for _ in range(2):
            heard.more(20)
            kill_and_restart(broker, heard)
        heard.more(20)
        end = run.end()
        assert end.acknowledged == end.sent
        wait_until(lambda: run.logged() <= {(r.sensor, r.boot, r.seq) for r in heard.readings()}, "all that was sent")
        assert whole(heard.readings())
        assert run.fleet.tally.resent > 0
        # Sent again means the very same message.
        bodies: dict[tuple[str, str, int], Reading] = {}
        for reading in heard.readings():
            assert bodies.setdefault((reading.sensor, reading.boot, reading.seq), reading) == reading


def test_what_is_old_is_not_sent_again(broker: Mosquitto) -> None:
    with Collector(broker.port, TOPICS) as heard, playing(broker.port, resend_s=0.0) as run:
        heard.more(20)
        kill_and_restart(broker, heard)
        heard.more(20)
        run.end()
        seqs = [r.seq for r in heard.readings("pc-1")]
        assert seqs.count(0) == 1, "acknowledged long ago, and not to be said again"


def test_sensors_wait_for_a_broker_that_is_away_and_forget_the_oldest(broker: Mosquitto) -> None:
    with Collector(broker.port, TOPICS) as heard:
        broker.stop()
        with playing(broker.port, readings=5) as run:
            wait_until(lambda: run.fleet.tally.forgotten > 4, "more readings than fit")
            broker.start()
            wait_until(lambda: run.fleet.tally.acknowledged > 10, "acknowledgements")
            wait_until(lambda: heard.readings(), "readings")
            end = run.end()
        assert end.sent == end.acknowledged + end.forgotten + end.unheard


def test_what_nobody_heard_is_said_again_when_somebody_listens(broker: Mosquitto) -> None:
    with playing(broker.port) as run:
        wait_until(lambda: run.fleet.unheard > 10, "readings that nobody hears")
        assert run.fleet.tally.acknowledged == 0
        assert run.log.getvalue() == ""
        with Collector(broker.port, TOPICS) as heard:
            wait_until(lambda: run.fleet.unheard == 0, "listeners")
            end = run.end()
            assert (end.acknowledged, end.unheard) == (end.sent, 0)
            wait_until(lambda: len(heard.readings()) == end.sent, "every reading")
            assert whole(heard.readings())


def test_a_wrong_password_ends_the_run_with_a_sentence(tmp_path: Path) -> None:
    with running(Mosquitto(tmp_path, accounts={"sensor": Account("right")})) as server:
        with playing(server.port, address=Address("127.0.0.1", server.port, "sensor", "wrong")) as run:
            wait_until(lambda: run.outcome, "the end")
        (outcome,) = run.outcome
        assert isinstance(outcome, BrokerError)
        assert "refuses the connection" in str(outcome)


def test_a_refused_publication_is_not_taken_for_an_acknowledgement(tmp_path: Path) -> None:
    accounts = {"sensor": Account("x", ("topic write motewatch/v1/testing/presence/#",))}
    with running(Mosquitto(tmp_path, accounts=accounts)) as server:
        with playing(server.port, address=Address("127.0.0.1", server.port, "sensor", "x")) as run:
            wait_until(lambda: run.fleet.tally.refused > 3, "refusals")
            end = run.end()
        assert end.acknowledged == 0
        assert end.refused == end.sent
        assert run.log.getvalue() == ""


def test_each_sensor_may_come_under_an_account_of_its_own(tmp_path: Path) -> None:
    sensors = [sensor.id for sensor in a_site().sensors]
    accounts = {each: Account(f"of {each}", (f"topic write motewatch/v1/testing/+/{each}",)) for each in sensors}
    with running(Mosquitto(tmp_path, accounts=accounts)) as server:
        passwords = {each: f"of {each}" for each in sensors}
        # Also where as many would share a few connections.
        with playing(server.port, own_connections=1, passwords=passwords) as run:
            wait_until(lambda: run.fleet.connected == len(sensors), "a connection of each")
            wait_until(lambda: run.fleet.unheard > 10, "readings that the broker takes")
            end = run.end()
        assert end.refused == 0
        assert end.connections == len(sensors)


def a_plan(sensors: int, rate: float) -> load.LoadPlan:
    now_us = Clock().now_us()
    return load.LoadPlan(sensors, round(sensors / rate * 1e6), now_us, boot_id(now_us))


def test_the_load_reaches_its_rate_and_every_message_arrives(broker: Mosquitto) -> None:
    plan, clock, log = a_plan(50, 2_000), Clock(), StringIO()
    with Collector(broker.port, LOAD_TOPICS) as heard:
        note = load.log_to(log, plan, clock)
        publisher = LeanPublisher("127.0.0.1", broker.port, "load", clock, acknowledged=note)
        result = load.publish(plan, publisher, clock, Event(), rate=2_000, messages=2_000)
        assert (result.made, result.acknowledged, result.waiting, result.refused) == (2_000, 2_000, 0, 0)
        wait_until(lambda: len(heard.messages) == 2_000, "every message")
        received = {(r.sensor, r.boot, r.seq) for r in heard.readings()}
    lines = [json.loads(line) for line in log.getvalue().splitlines()]
    assert {(x["sensor"], x["boot"], x["seq"]) for x in lines} == received
    assert len(received) == len(lines) == 2_000


def test_the_load_survives_a_killed_broker(broker: Mosquitto) -> None:
    plan, clock, stop = a_plan(20, 1_000), Clock(), Event()
    publisher = LeanPublisher("127.0.0.1", broker.port, "load", clock, acknowledged=lambda _: None)
    results: list[load.LoadResult] = []

    def target() -> None:
        results.append(load.publish(plan, publisher, clock, stop, rate=1_000, messages=1_000_000))

    with Collector(broker.port, LOAD_TOPICS) as heard:
        thread = threading.Thread(target=target)
        thread.start()
        try:
            for _ in range(2):
                heard.more(200)
                kill_and_restart(broker, heard)
            heard.more(200)
        finally:
            stop.set()
            thread.join(60)
        (result,) = results
        assert result.acknowledged == result.made
        assert result.connections == 3
        assert result.resent > 0
        made = {(f"s{i + 1:04d}", seq) for n in range(result.made) for seq, i in [divmod(n, 20)]}
        wait_until(lambda: {(r.sensor, r.seq) for r in heard.readings()} == made, "every message that was made")


def test_the_load_is_told_of_a_refused_connection(tmp_path: Path) -> None:
    with running(Mosquitto(tmp_path, accounts={"sensor": Account("right")})) as server:
        publisher = LeanPublisher(
            "127.0.0.1", server.port, "load", Clock(), acknowledged=lambda _: None, username="sensor", password="no"
        )
        with pytest.raises(BrokerError, match="refuses the connection"):
            publisher.pump(0.1)


def test_the_command_line_stops_on_a_signal_with_everything_acknowledged(broker: Mosquitto, tmp_path: Path) -> None:
    config = Path(__file__).parents[2] / "config"
    log = tmp_path / "sent.jsonl"
    command = [sys.executable, "-m", "motewatch_simulator", "run", str(config / "demo-site.toml")]
    command += [str(config / "demo-scenario.toml"), "--port", str(broker.port), "--log", str(log)]
    with Collector(broker.port, Topics("motewatch/v1", "mirrenfeld")) as heard:
        process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
        try:
            wait_until(lambda: len(heard.readings()) > 10, "readings")
            process.send_signal(signal.SIGTERM)
            _, said = process.communicate(timeout=20)
        finally:
            process.kill()
            process.wait()
        assert process.returncode == 0, said
        assert "8/8 connected" in said
        lines = [json.loads(line) for line in log.read_text().splitlines()]
        keys = {(line["sensor"], line["boot"], line["seq"]) for line in lines}
        wait_until(lambda: {(r.sensor, r.boot, r.seq) for r in heard.readings()} == keys, "what the log says")
        wait_until(lambda: heard.presence("pc-07")[-1:] == [False], "the goodbye")
