"""Certificates that end, and new ones put in place: told in plain words, and taken without a restart of the service."""

from __future__ import annotations

import queue
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from motewatch.engine.records import SessionTaken
from motewatch.links.broker import BrokerEvent, BrokerLink, Delivery
from motewatch.links.clock import Clock
from motewatch.site.instants import instant
from motewatch.wire.topics import Topics
from support.authority import LONG, Authority, put
from support.certificates import Certificates
from support.servers import Mosquitto, running, wait_until

pytestmark = [
    pytest.mark.broker,
    # The library leaves the socket of a failed handshake to the garbage collector, which warns.
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]

PAST = timedelta(days=-1)


@dataclass
class House:
    """A broker with TLS, its authority, and a link to it that runs."""

    broker: Mosquitto
    authority: Authority
    files: Certificates
    inbox: queue.SimpleQueue[Delivery | BrokerEvent | SessionTaken]
    link: BrokerLink

    def serve(self, authority: Authority, until: timedelta = LONG) -> None:
        """The broker gets a new certificate of this authority, and is told to read it."""
        authority.issue(self.files.server, self.files.key, until=until)
        self.broker.send_signal(signal.SIGHUP)

    def told(self, kind: str, *words: str) -> BrokerEvent:
        """The next event of this kind with these words in it."""

        def look() -> BrokerEvent | None:
            item = self.inbox.get(timeout=20)
            if isinstance(item, BrokerEvent) and item.kind == kind and all(word in item.detail for word in words):
                return item
            return None

        found: BrokerEvent = wait_until(look, f"{kind} with {words}", 60)
        return found


@contextmanager
def house(folder: Path, *, since: timedelta = PAST, until: timedelta, ours: timedelta | None = None) -> Iterator[House]:
    """`until`: when the broker's certificate ends; `ours`: the broker asks for one of ours, which ends then."""
    authority, files = Authority(), Certificates(folder / "ca.crt", folder / "server.crt", folder / "server.key")
    put(files.ca, authority.certificate)
    authority.issue(files.server, files.key, since=since, until=until)
    settings: dict[str, Any] = {}
    if ours is not None:
        authority.issue(folder / "ours.crt", folder / "ours.key", since=since, until=ours, name="ours")
        settings = {"cert_file": "ours.crt", "cert_key_file": "ours.key"}
    inbox: queue.SimpleQueue[Delivery | BrokerEvent | SessionTaken] = queue.SimpleQueue()
    with running(Mosquitto(folder, certificates=files, ask_certificate=ours is not None)) as broker:
        site = broker.broker(ca_file="ca.crt", **settings)
        link = BrokerLink(site, Topics("test/v1", "hall"), inbox, Clock(), secret=None, base_dir=folder)
        link.start()
        try:
            yield House(broker, authority, files, inbox, link)
        finally:
            assert link.stop(10)


def test_a_certificate_that_has_ended_is_told_and_a_new_one_is_taken(tmp_path: Path) -> None:
    with house(tmp_path, since=timedelta(days=-9), until=PAST) as here:
        here.told("down", "out of its time", "certificate has expired", "put a new one in place at the broker")
        assert here.link.certificate_until_us is None
        here.serve(here.authority, until=timedelta(days=3))
        here.told("up")
        left = instant(here.link.certificate_until_us or 0) - instant(Clock().now_us())
        assert timedelta(days=2, hours=23) < left <= timedelta(days=3)


def test_a_certificate_whose_time_has_not_come_hints_at_the_clock(tmp_path: Path) -> None:
    with house(tmp_path, since=timedelta(days=1), until=timedelta(days=9)) as here:
        here.told("down", "out of its time", "set this machine's clock right")


def test_a_new_authority_is_taken_from_its_file(tmp_path: Path) -> None:
    with house(tmp_path, until=timedelta(days=30)) as here:
        here.told("up")
        other = Authority("another authority")
        here.serve(other)
        here.broker.restart()
        here.told("down", "certificate that does not hold", "service.broker.ca_file")
        # Half a file is no reason to end: it is told, and looked at again.
        put(here.files.ca, b"-----BEGIN CERTIFICATE-----\n")
        here.told("down", "service.broker.ca_file", "cannot be used")
        put(here.files.ca, here.authority.certificate + other.certificate)
        here.told("up")


def test_our_own_certificate_that_has_ended_is_told_and_a_new_one_is_taken(tmp_path: Path) -> None:
    with house(tmp_path, since=timedelta(days=-9), until=timedelta(days=30), ours=PAST) as here:
        here.told("down", "does not take our certificate", "certificate expired", "service.broker.cert_file")
        here.authority.issue(tmp_path / "ours.crt", tmp_path / "ours.key", name="ours")
        here.told("up")


def test_a_broker_that_asks_for_a_certificate_says_so(tmp_path: Path) -> None:
    authority, files = Authority(), Certificates(tmp_path / "ca.crt", tmp_path / "server.crt", tmp_path / "server.key")
    put(files.ca, authority.certificate)
    authority.issue(files.server, files.key)
    inbox: queue.SimpleQueue[Delivery | BrokerEvent | SessionTaken] = queue.SimpleQueue()
    with running(Mosquitto(tmp_path, certificates=files, ask_certificate=True)) as broker:
        link = BrokerLink(broker.broker(), Topics("test/v1", "hall"), inbox, Clock(), secret=None, base_dir=tmp_path)
        link.start()
        try:
            down = inbox.get(timeout=30)
        finally:
            assert link.stop(10)
        assert isinstance(down, BrokerEvent)
        assert "does not take our certificate" in down.detail
        assert "which is not given" in down.detail
