"""Outbox rows from a real journal to a real broker, through outages and refusals."""

from __future__ import annotations

import queue
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from motewatch.engine.records import SessionTaken
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch
from motewatch.links.broker import BrokerEvent, BrokerLink, Delivery
from motewatch.links.clock import Clock
from motewatch.links.outbox import MqttWorker
from motewatch.site.models import Broker
from motewatch.wire.topics import Topics
from support.links_fakes import outbox_row
from support.mqtt_peer import Peer
from support.relay import Relay
from support.servers import Account, Mosquitto, running, wait_until

pytestmark = pytest.mark.broker

TOPICS = Topics("test/v1", "hall")


@contextmanager
def carrier(settings: Broker, journal: Journal, **options: Any) -> Iterator[tuple[BrokerLink, MqttWorker]]:
    inbox: queue.SimpleQueue[Delivery | BrokerEvent | SessionTaken] = queue.SimpleQueue()
    link = BrokerLink(settings, TOPICS, inbox, Clock(), **options)
    worker = MqttWorker(journal, Clock(), link, idle_s=0.02)
    link.start()
    worker.start()
    try:
        yield link, worker
    finally:
        assert worker.stop(10)
        assert link.stop(5)


def put(journal: Journal, worker: MqttWorker, topic: str, numbers: range, *, retain: bool = False) -> None:
    rows = [replace(outbox_row(f"{topic}/{n}", str(n).encode(), topic=topic), retain=retain) for n in numbers]
    journal.commit(Batch(outbox=rows, engine_us=numbers.stop))
    worker.notify()


def test_rows_arrive_in_order_and_are_marked(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with (
        Journal(tmp_path / "journal.db") as journal,
        Peer(mosquitto.port, TOPICS.event) as peer,
        carrier(mosquitto.broker(), journal) as (_, worker),
    ):
        put(journal, worker, TOPICS.event, range(1000))
        wait_until(lambda: journal.backlog("mqtt") == 0, "an empty outbox")
        assert [int(each.payload) for each in peer.wait_for(1000)] == list(range(1000))
        assert worker.taken == 1000


def test_through_cut_lines_every_row_arrives_and_the_last_state_is_last(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Also what each subscriber sees after any interruption: never an older state after the end."""
    alarm = TOPICS.alarm("location/fill-1/action")
    with (
        Journal(tmp_path / "journal.db") as journal,
        Peer(mosquitto.port, alarm) as peer,
        Relay(mosquitto.port) as relay,
        carrier(mosquitto.broker(port=relay.port), journal) as (_, worker),
    ):
        for part in range(5):
            put(journal, worker, alarm, range(part * 300, part * 300 + 300), retain=True)
            count = len(peer.heard())
            wait_until(lambda count=count: len(peer.heard()) > count, "some of it")  # type: ignore[misc]
            relay.cut()
        wait_until(lambda: journal.backlog("mqtt") == 0, "an empty outbox")
        wait_until(lambda: peer.heard() and peer.heard()[-1].payload == b"1499", "the last state")
        numbers = [int(each.payload) for each in peer.heard()]
    assert set(numbers) == set(range(1500))
    steps_back = [(a, b) for a, b in pairwise(numbers) if b < a]
    assert all(a - b <= 200 for a, b in steps_back), "only a page is ever sent again"
    with Peer(mosquitto.port, alarm) as late:
        assert late.wait_for(1)[0].payload == b"1499"


def test_rows_wait_for_a_broker_that_is_away(tmp_path: Path) -> None:
    folder = tmp_path / "broker"
    folder.mkdir()
    broker = Mosquitto(folder)
    with Journal(tmp_path / "journal.db") as journal, carrier(broker.broker(), journal) as (link, worker):
        put(journal, worker, TOPICS.alarm("a"), range(10), retain=True)
        assert not link.connected
        assert journal.backlog("mqtt") == 10
        with running(broker), Peer(broker.port, TOPICS.alarm("a")) as peer:
            wait_until(lambda: peer.heard() and peer.heard()[-1].payload == b"9", "the last state")
            wait_until(lambda: journal.backlog("mqtt") == 0, "an empty outbox")


def test_a_row_that_the_acl_denies_is_given_up_with_its_reason(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    accounts = {"daemon": Account("right", (f"topic write {TOPICS.event}", "topic read test/#"))}
    folder = tmp_path / "broker"
    folder.mkdir()
    with (
        running(Mosquitto(folder, accounts=accounts)) as broker,
        Journal(tmp_path / "journal.db") as journal,
        Peer(broker.port, TOPICS.event, username="daemon", password="right") as peer,
        carrier(broker.broker(username="daemon"), journal, secret="right") as (_, worker),
    ):
        put(journal, worker, TOPICS.service, range(1))
        put(journal, worker, TOPICS.event, range(3))
        peer.wait_for(3)
        wait_until(lambda: journal.backlog("mqtt") == 0, "an empty outbox")
        wait_until(lambda: worker.refused == 1, "the refusal")
    assert "0x87" in caplog.text
    assert TOPICS.service in caplog.text
