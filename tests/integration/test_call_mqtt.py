"""Calls over a real broker: heard by the person's client, and known to be unheard where nobody listens."""

from __future__ import annotations

import queue
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from motewatch.links.broker import BrokerLink
from motewatch.links.broker_visit import BrokerVisit
from motewatch.links.channels import Channel, Publisher, open_channel
from motewatch.links.clock import Clock
from motewatch.links.errors import ChannelAwayError, ChannelRefusedError
from motewatch.site.people import MqttChannel
from motewatch.wire.messages import PersonCallMessage
from motewatch.wire.topics import Topics
from support.calls import LINK, NOBODY, message
from support.mqtt_peer import Peer
from support.rude import Rude, silent
from support.servers import Account, Mosquitto, free_port, running, wait_until

pytestmark = pytest.mark.broker

TOPICS = Topics("test/v1", "hall-3")
ENOUGH_S = 30.0


def channel(publisher: Publisher) -> Channel:
    return open_channel(MqttChannel(id="broker", kind="mqtt"), Path(), publisher, Clock(), TOPICS)


@contextmanager
def linked(server: Mosquitto, user: str | None = None, secret: str | None = None) -> Iterator[BrokerLink]:
    """The service's own link to the broker."""
    link = BrokerLink(server.broker(username=user), TOPICS, queue.SimpleQueue(), Clock(), secret)
    link.start()
    try:
        wait_until(lambda: link.connected, "the connection")
        yield link
    finally:
        assert link.stop(10.0)


def test_a_call_is_heard_by_its_person_and_is_not_kept(tmp_path: Path) -> None:
    with running(Mosquitto(tmp_path)) as server, linked(server) as link, Peer(server.port, TOPICS.call("ada")) as ada:
        way = channel(link)
        way.send(message(urgent=True), ENOUGH_S)
        way.send(message(urgent=True, maybe_repeat=True), ENOUGH_S)
        first, second = (PersonCallMessage.model_validate_json(each.payload) for each in ada.wait_for(2))
        assert (first.id, second.id) == ("call-1", "call-1")
        assert (first.maybe_repeat, second.maybe_repeat) == (False, True)
        assert (first.person, first.link, first.urgent) == ("ada", LINK, True)
        assert first.alarms[0].value == 14_210
        assert [each.qos for each in ada.heard()] == [1, 1]
        with Peer(server.port, "#") as later:
            later.publish("round/trip", b"")
            later.wait_for(1, "round/trip")
            assert later.heard(TOPICS.call("ada")) == []


def test_a_call_that_nobody_hears_is_not_delivered(tmp_path: Path) -> None:
    with running(Mosquitto(tmp_path)) as server, linked(server) as link, Peer(server.port, TOPICS.call("ben")):
        with pytest.raises(ChannelAwayError, match="nobody subscribes to 'test/v1/hall-3/call/ada'") as caught:
            channel(link).send(message(), ENOUGH_S)
        assert not caught.value.may_have_arrived


def test_a_broker_that_forbids_it_is_final(tmp_path: Path) -> None:
    accounts = {"air": Account("pw", ("topic readwrite test/v1/hall-3/marker/#", "topic read test/v1/hall-3/#"))}
    with (
        running(Mosquitto(tmp_path, accounts=accounts)) as server,
        linked(server, "air", "pw") as link,
        pytest.raises(ChannelRefusedError, match="allow the service's user to write this topic"),
    ):
        channel(link).send(message(), ENOUGH_S)


def test_a_broker_that_is_away_or_hangs(tmp_path: Path) -> None:
    with pytest.raises(ChannelAwayError, match="the broker is away") as caught:
        channel(NOBODY).send(message(), ENOUGH_S)
    assert not caught.value.may_have_arrived
    with running(Mosquitto(tmp_path)) as server, linked(server) as link:
        server.freeze()
        with pytest.raises(ChannelAwayError, match=r"did not acknowledge .* within 0\.3 s") as caught:
            channel(link).send(message(), 0.3)
        assert caught.value.may_have_arrived
        server.thaw()


def test_a_visit_beside_the_service(tmp_path: Path) -> None:
    accounts = {"air": Account("pw")}
    with running(Mosquitto(tmp_path, accounts=accounts)) as server:
        settings = server.broker(username="air")
        with (
            linked(server, "air", "pw") as link,
            Peer(server.port, TOPICS.call("ada"), username="air", password="pw") as ada,
        ):
            generation = link.generation
            with BrokerVisit(settings, "air", "pw", tmp_path, Clock()) as visit:
                channel(visit).send(message(), ENOUGH_S)
            ada.wait_for(1)
            # The service was not thrown out.
            assert (link.connected, link.generation) == (True, generation)
        with pytest.raises(ChannelRefusedError, match="refuses user 'air'"):
            BrokerVisit(settings, "air", "wrong", tmp_path, Clock()).__enter__()


def test_a_visit_to_nobody(tmp_path: Path) -> None:
    settings = Mosquitto(tmp_path).broker(port=free_port())
    with pytest.raises(ChannelAwayError, match="refuses connections"):
        BrokerVisit(settings, None, None, tmp_path, Clock()).__enter__()
    with Rude(silent) as server, pytest.raises(ChannelAwayError, match="does not answer as a broker"):
        BrokerVisit(Mosquitto(tmp_path).broker(port=server.port), None, None, tmp_path, Clock(), 0.3).__enter__()
