"""The example configuration in deploy/mosquitto: a real broker takes it, and its ACL lets nobody speak for another.

The broker is started as Debian's package does it: a main file with persistence that includes ours. Changed are the
paths, the ports and the site's id, as the comments in the examples tell an operator to do.
"""

from __future__ import annotations

import gc
import os
import re
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from motewatch.wire.topics import Topics
from support.certificates import Certificates, make_certificates
from support.missing import find_program
from support.servers import ServerProcess, free_port, running, wait_until

pytestmark = pytest.mark.broker

DEPLOY = Path(__file__).parents[2] / "deploy" / "mosquitto"
SITE = "north"
TOPICS = Topics("motewatch/v1", SITE)
USERS = ("motewatch", "display", "operator", "pc-1", "pc-2")
NOT_AUTHORIZED = 0x87
NOBODY_LISTENS = 0x10


@dataclass
class Example:
    """The running example."""

    server: ServerProcess
    tls_port: int
    certificates: Certificates


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Example]:
    directory = tmp_path_factory.mktemp("broker")
    (directory / "conf.d").mkdir()
    (directory / "data").mkdir()
    certificates = make_certificates(directory)
    tls_port, port = free_port(), free_port()
    ours = (DEPLOY / "motewatch.conf").read_text()
    for old, new in {
        "/etc/mosquitto/motewatch/ca.crt": str(certificates.ca),
        "/etc/mosquitto/motewatch/server.crt": str(certificates.server),
        "/etc/mosquitto/motewatch/server.key": str(certificates.key),
        "/etc/mosquitto/motewatch/passwd": str(directory / "passwd"),
        "/etc/mosquitto/motewatch/acl": str(directory / "acl"),
        "listener 1883 ": f"listener {port} ",
        "listener 8883": f"listener {tls_port}",
    }.items():
        assert old in ours
        ours = ours.replace(old, new)
    (directory / "conf.d" / "motewatch.conf").write_text(ours)
    (directory / "acl").write_text((DEPLOY / "acl").read_text().replace("hall-3", SITE))
    passwords = directory / "passwd"
    passwords.write_text("".join(f"{user}:secret-of-{user}\n" for user in USERS))
    subprocess.run([find_program("mosquitto_passwd"), "-U", str(passwords)], check=True, capture_output=True)
    main = [f"persistence true\npersistence_location {directory / 'data'}/\ninclude_dir {directory / 'conf.d'}\n"]
    if os.geteuid() == 0:
        main.append("user root\n")  # else it drops to a user that cannot read a test's folder
    (directory / "mosquitto.conf").write_text("".join(main))
    command = [find_program("mosquitto"), "-c", str(directory / "mosquitto.conf")]
    with running(ServerProcess(command, port, directory)) as server:
        yield Example(server, tls_port, certificates)


@dataclass
class Peer:
    """One MQTT client: what it heard, and what the broker said to what it published."""

    client: mqtt.Client
    heard: list[tuple[str, bytes]] = field(default_factory=list)
    answers: dict[int, int] = field(default_factory=dict)
    subscribed: threading.Event = field(default_factory=threading.Event)
    connected: list[int] = field(default_factory=list)

    def publish(self, topic: str, payload: bytes = b"x") -> int:
        """Publish with QoS 1 and give the broker's reason code; 0 for 'accepted, and nobody listens' too."""
        published = self.client.publish(topic, payload, qos=1)
        wait_until(lambda: published.mid in self.answers, f"the broker's answer to {topic}")
        answer = self.answers[published.mid]
        return 0 if answer == NOBODY_LISTENS else answer


@contextmanager
def peer(
    port: int,
    user: str | None,
    *subscriptions: str,
    secret: str | None = None,
    ca: Path | None = None,
    client_id: str | None = None,
    kept: bool = False,
) -> Iterator[Peer]:
    """A connected client with its subscriptions standing (or refused: see `connected`)."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id or f"test-{user}", protocol=mqtt.MQTTv5)
    session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    session.SessionExpiryInterval = 600 if kept else 0
    if user is not None:
        client.username_pw_set(user, secret or f"secret-of-{user}")
    if ca is not None:
        client.tls_set(str(ca))
    one = Peer(client)

    def on_connect(
        client: mqtt.Client,
        userdata: object,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        one.connected.append(reason.value)
        if subscriptions and not reason.is_failure:
            client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in subscriptions])

    def on_publish(client: mqtt.Client, userdata: object, mid: int, reason: ReasonCode, properties: Properties) -> None:
        one.answers[mid] = reason.value

    client.on_connect = on_connect
    client.on_publish = on_publish
    client.on_subscribe = lambda *_: one.subscribed.set()
    client.on_message = lambda _client, _userdata, message: one.heard.append((message.topic, bytes(message.payload)))
    assert client.connect("127.0.0.1", port, clean_start=not kept, properties=session) == MQTTErrorCode.MQTT_ERR_SUCCESS
    client.loop_start()
    try:
        wait_until(lambda: one.connected, f"an answer to the connection of {user}")
        if subscriptions and one.connected[0] == 0:
            wait_until(one.subscribed.is_set, f"the subscriptions of {user}")
        yield one
    finally:
        client.disconnect()
        client.loop_stop()


def test_the_queue_limit_is_explicit_and_not_zero() -> None:
    # The default loses all but 1000 messages of an outage, and 0 is not 'unlimited' in some releases.
    settings = dict(re.findall(r"^(\w+) (.+)$", (DEPLOY / "motewatch.conf").read_text(), flags=re.MULTILINE))
    assert int(settings["max_queued_messages"]) >= 1_000_000
    assert settings["persistent_client_expiration"] == "14d"
    assert settings["allow_anonymous"] == "false"


@pytest.mark.parametrize("of", [TOPICS.counts, TOPICS.presence], ids=["counts", "presence"])
def test_a_sensor_speaks_only_for_itself(example: Example, of: object) -> None:
    assert callable(of)
    port = example.server.port
    with peer(port, "motewatch", *TOPICS.subscriptions()) as daemon, peer(port, "pc-1") as sensor:
        assert sensor.publish(of("pc-2"), b"as another") == NOT_AUTHORIZED
        assert sensor.publish(of("pc-1"), b"as itself") == 0
        wait_until(lambda: daemon.heard, "the sensor's own message")
        assert daemon.heard == [(of("pc-1"), b"as itself")]


def test_a_sensor_gives_no_commands_and_publishes_nothing_of_the_daemon(example: Example) -> None:
    with peer(example.server.port, "pc-1") as sensor:
        for topic in (
            TOPICS.command,
            TOPICS.service,
            TOPICS.event,
            TOPICS.sample("fill"),
            TOPICS.alarm("fill/action"),
            "motewatch/v1/another-site/counts/pc-1",
        ):
            assert sensor.publish(topic) == NOT_AUTHORIZED, topic


@pytest.mark.parametrize("user", ["pc-2", "display", "operator"])
def test_only_the_daemon_hears_counts(example: Example, user: str) -> None:
    port = example.server.port
    with peer(port, "motewatch", TOPICS.counts("+")) as daemon, peer(port, user, "#") as listener:
        with peer(port, "pc-1") as sensor:
            assert sensor.publish(TOPICS.counts("pc-1"), b"counts") == 0
        wait_until(lambda: daemon.heard, "the counts")
        # The broker's answer comes behind whatever it would have sent to this listener before.
        listener.publish("round/trip")
        assert listener.heard == []


def test_the_daemon_is_heard_and_commanded(example: Example) -> None:
    port = example.server.port
    spoken = [TOPICS.sample("fill"), TOPICS.alarm("fill/action/0.5um"), TOPICS.event, TOPICS.service]
    with (
        peer(port, "motewatch", TOPICS.command, TOPICS.marker("motewatch-north")) as daemon,
        peer(port, "display", "#") as display,
        peer(port, "operator", "#") as operator,
    ):
        for topic in spoken:
            assert daemon.publish(topic) == 0
        assert operator.publish(TOPICS.command, b"command") == 0
        wait_until(lambda: daemon.heard, "the command")
        assert daemon.publish(TOPICS.reply("id-1"), b"reply") == 0
        assert daemon.publish(TOPICS.marker("motewatch-north"), b"marker") == 0
        wait_until(lambda: len(daemon.heard) == 2, "the marker")
        assert daemon.heard == [(TOPICS.command, b"command"), (TOPICS.marker("motewatch-north"), b"marker")]
        wait_until(lambda: len(operator.heard) == 5, "the daemon's words and the reply")
        assert operator.heard[-1] == (TOPICS.reply("id-1"), b"reply")
        assert display.publish(TOPICS.command) == NOT_AUTHORIZED
        wait_until(lambda: len(display.heard) >= 4, "the daemon's words")
        assert [topic for topic, _ in display.heard] == spoken


def test_the_daemon_may_say_all_that_it_says(example: Example) -> None:
    of_something = ("reply", "sample", "alarm", "call", "marker")
    said = [getattr(TOPICS, name)("x") for name in of_something]
    said += [TOPICS.event, TOPICS.figures, TOPICS.anchor, TOPICS.service]
    # Whatever the class of topics can say more some day, these are all but what is said to the daemon.
    known = {*of_something, "event", "figures", "anchor", "service", "counts", "presence", "command"}
    assert {name for name in vars(Topics) if not name.startswith("_")} - known == {
        "subscriptions",
        "read",
        "root",
        "site",
    }
    with peer(example.server.port, "motewatch") as daemon, peer(example.server.port, "display", "#") as display:
        assert [topic for topic in said if daemon.publish(topic) != 0] == []
        wait_until(lambda: len(display.heard) == 6, "what a display may hear")
        assert {topic for topic, _ in display.heard} == {
            TOPICS.sample("x"), TOPICS.alarm("x"), TOPICS.event, TOPICS.figures, TOPICS.anchor, TOPICS.service
        }  # fmt: skip


def test_a_person_hears_the_own_calls_alone(example: Example) -> None:
    port = example.server.port
    with peer(port, "motewatch") as daemon, peer(port, "pc-2", "#") as person, peer(port, "pc-1") as other:
        assert daemon.publish(TOPICS.call("pc-1")) == 0
        assert other.publish(TOPICS.call("pc-2")) == NOT_AUTHORIZED
        assert daemon.publish(TOPICS.call("pc-2"), b"call") == 0
        wait_until(lambda: person.heard, "the call")
        assert person.heard == [(TOPICS.call("pc-2"), b"call")]


def test_nobody_enters_without_a_password(example: Example) -> None:
    with peer(example.server.port, None) as stranger:
        assert stranger.connected[0] == NOT_AUTHORIZED
    with peer(example.server.port, "pc-1", secret="wrong") as stranger:
        assert stranger.connected[0] == NOT_AUTHORIZED


def test_tls(example: Example) -> None:
    with peer(example.tls_port, "pc-1", ca=example.certificates.ca) as sensor:
        assert sensor.publish(TOPICS.counts("pc-1")) == 0


@pytest.mark.parametrize(
    ("version", "taken"), [("-tls1", False), ("-tls1_1", False), ("-tls1_2", True), ("-tls1_3", True)]
)
def test_old_versions_of_tls_are_refused(example: Example, version: str, taken: bool) -> None:
    # The client is made to offer what its own settings would hold back; tests/unit/web/test_tls.py shows that it does.
    done = subprocess.run(
        [find_program("openssl"), "s_client", "-connect", f"127.0.0.1:{example.tls_port}", "-CAfile",
         example.certificates.ca, "-verify_return_error", "-cipher", "ALL:@SECLEVEL=0", version],
        input=b"",
        capture_output=True,
        timeout=60,
    )  # fmt: skip
    agreed = [line for line in done.stdout.splitlines() if line.startswith(b"New, TLSv") and b"(NONE)" not in line]
    assert bool(agreed) is taken, done.stdout


# The MQTT library drops the socket of a handshake that failed without closing it; the interpreter then does.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_sensor_does_not_speak_to_a_broker_whose_certificate_is_a_strangers(example: Example, tmp_path: Path) -> None:
    stranger = make_certificates(tmp_path, name="stranger")
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="test-careful", protocol=mqtt.MQTTv5)
    client.tls_set(str(stranger.ca))
    client.username_pw_set("pc-1", "secret-of-pc-1")
    with pytest.raises(ssl.SSLCertVerificationError):
        client.connect("127.0.0.1", example.tls_port)
    del client
    gc.collect()


def test_plain_mqtt_is_for_the_machine_itself() -> None:
    listeners = re.findall(r"^listener (\S+) ?(\S*)$", (DEPLOY / "motewatch.conf").read_text(), flags=re.MULTILINE)
    assert listeners == [("1883", "127.0.0.1"), ("8883", "")]


def test_no_sensor_takes_the_daemons_session_from_outside(example: Example) -> None:
    """On the port for sensors the client id is the account's, whatever is given: the session stays the daemon's."""
    port, ca = example.server.port, example.certificates.ca
    with peer(port, "motewatch", TOPICS.counts("+"), client_id="daemon-guessed", kept=True) as daemon:
        with peer(example.tls_port, "pc-2", ca=ca, client_id="daemon-guessed", kept=True) as thief:
            assert thief.connected[0] == 0
            assert thief.publish(TOPICS.counts("pc-2"), b"still here") == 0
            wait_until(lambda: daemon.heard, "the daemon on the session it had")
        assert len(daemon.connected) == 1
    # And what waits while the daemon is away is still there when it comes back.
    with peer(port, "pc-1") as sensor:
        assert sensor.publish(TOPICS.counts("pc-1"), b"waiting") == 0
        with peer(example.tls_port, "pc-2", ca=ca, client_id="daemon-guessed", kept=True) as thief:
            thief.publish("round/trip")
            assert thief.heard == []
    with peer(port, "motewatch", client_id="daemon-guessed", kept=True) as daemon:
        wait_until(lambda: daemon.heard, "what waited for the daemon")
        assert daemon.heard == [(TOPICS.counts("pc-1"), b"waiting")]


def test_without_that_line_of_the_configuration_a_sensor_would_take_it(example: Example) -> None:
    """What the line is for: on the port of the machine itself, where it does not stand, the daemon is thrown off."""
    port = example.server.port
    with (
        peer(port, "motewatch", TOPICS.counts("+"), client_id="daemon-taken", kept=True) as daemon,
        peer(port, "pc-2", client_id="daemon-taken", kept=True) as thief,
    ):
        # The library connects again and throws the other one off in turn.
        wait_until(lambda: len(daemon.connected) > 1 or len(thief.connected) > 1, "the fight for the session")


def test_who_takes_the_daemons_client_id_hears_none_of_what_waits_for_it(example: Example) -> None:
    """A client id is free to choose. (What waited is then lost in mosquitto 2.0: see deploy/docs/threats.md.)"""
    with peer(example.server.port, "motewatch", TOPICS.counts("+"), client_id="daemon-session", kept=True):
        pass
    with peer(example.server.port, "pc-1") as sensor:
        assert sensor.publish(TOPICS.counts("pc-1"), b"waiting") == 0
        with peer(example.server.port, "pc-2", client_id="daemon-session", kept=True) as thief:
            thief.publish("round/trip")
            assert thief.heard == []
