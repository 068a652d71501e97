"""The view and the commands of a person, on a real broker with messages published by hand."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Thread

import pytest

from motewatch.links.clock import Clock
from motewatch.wire.decode import decode
from motewatch.wire.messages import Outgoing, instant
from motewatch.wire.records import Acknowledge, SetOccupancy
from support.command_line import run, write_site
from support.mqtt_peer import Peer
from support.night import (
    ABOVE,
    ACTION,
    BACK,
    NOISE,
    QUIET,
    T0,
    TOPICS,
    night_dict,
    quiet,
    retained,
    sample,
    service,
    step,
    topic_of,
)
from support.servers import Account, Mosquitto, free_port, running, wait_until

pytestmark = pytest.mark.broker

TIMES = ("start", "end", "since", "found", "at")


def today(message: Outgoing) -> str:
    """The message as if `T0` had been five seconds ago."""
    shift_us = Clock().now_us() - T0 - 5_000_000
    body = json.loads(message.to_payload())
    for key in TIMES:
        if key in body:
            moved = getattr(message, key) - instant(0)
            body[key] = (instant(shift_us) + moved).isoformat()
    return json.dumps(body)


def publish(peer: Peer, *messages: Outgoing) -> None:
    for message in messages:
        peer.publish(topic_of(message), today(message), retain=retained(message))


def command(*arguments: str | Path) -> list[str]:
    return [sys.executable, "-m", "motewatch", *map(str, arguments)]


@contextmanager
def started(log: Path, *arguments: str | Path) -> Iterator[subprocess.Popen[bytes]]:
    """A `motewatch` that writes to a file, ended with the block."""
    with log.open("wb") as stream:
        env = {**os.environ, "PYTHONIOENCODING": "utf-8"}
        process = subprocess.Popen(command(*arguments), stdout=stream, stderr=subprocess.STDOUT, env=env)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(10)


def test_the_plain_view_tells_the_night_and_sums_up(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = write_site(tmp_path, night_dict(mosquitto.port))
    log = tmp_path / "lines"

    def said(text: str) -> None:
        wait_until(lambda: text in log.read_text("utf-8"), f"the line '{text}' in:\n{log.read_text('utf-8')}")

    with Peer(mosquitto.port) as peer, started(log, "view", site) as process:
        # Retained, so that it does not matter who is first: this or the view's subscription.
        for message in [service(True, 0), *quiet(5), sample("middle", 5)]:
            peer.publish(topic_of(message), today(message), retain=True)
        said("✓ Filling room: HOLDS, holds its limits (was UNKNOWN)")
        publish(peer, *step(ACTION, "starts", "normal", "unacknowledged", 5, ABOVE, **NOISE))
        said("✖ Filling needles: 4 841/m³ ≥0.5 µm, above the action level of 3 520 (EU GMP Annex 1)")
        said("✖ Filling room: OUT, particles above the action level")
        publish(
            peer,
            *step(
                ACTION, "acknowledge", "unacknowledged", "acknowledged", 5, ABOVE,
                by="m.okafor", comment="On my way.", **NOISE,
            ),
        )  # fmt: skip
        said('m.okafor acknowledged Filling needles: ≥0.5 µm, action. "On my way."')
        publish(peer, *step(ACTION, "returns", "acknowledged", "normal", 5, BACK, **NOISE))
        said("✓ Filling needles: 120/m³ ≥0.5 µm, back within the action level of 3 520")
        peer.publish(TOPICS.event, "no json")
        said("a message on motewatch/v1/hillside/event cannot be read")
        publish(peer, service(False, 5))
        said("the service went offline")
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 0
    text = log.read_text("utf-8")
    assert text.splitlines()[0].endswith(f"Watching Hillside plant at 127.0.0.1:{mosquitto.port}.")
    assert " ? The service is offline since " in text
    assert f"Heard {len(QUIET) + 1} samples and 3 alarm events; 1 messages could not be read." in text
    assert "Traceback" not in text


def test_the_view_ends_by_itself(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = write_site(tmp_path, night_dict(mosquitto.port))
    done = subprocess.run(command("view", site, "--seconds", "0.5"), capture_output=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    assert b"Heard 0 samples and 0 alarm events." in done.stdout


def test_without_a_broker_the_view_says_so_and_fails(tmp_path: Path) -> None:
    port = free_port()
    site = write_site(tmp_path, night_dict(port))
    result = run("view", site, "--seconds", "0.5")
    assert result.exit_code == 1
    assert result.stderr == f"motewatch: the broker was not reached: no connection to 127.0.0.1:{port}\n"
    assert f"the broker is not reached: no connection to 127.0.0.1:{port}" in result.stdout


def test_the_view_comes_back_with_the_broker(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = write_site(tmp_path, night_dict(mosquitto.port))
    log = tmp_path / "lines"
    with started(log, "view", site) as process:
        with Peer(mosquitto.port) as peer:
            for message in [service(True, 0), *quiet(5)]:
                peer.publish(topic_of(message), today(message), retain=True)
            wait_until(lambda: "Filling room: HOLDS" in log.read_text("utf-8"), "a room that holds")
        mosquitto.kill()
        wait_until(lambda: "Filling room: UNKNOWN, the broker is not reached" in log.read_text("utf-8"), "the loss")
        mosquitto.start()
        wait_until(lambda: "the broker is reached again" in log.read_text("utf-8"), "the return")
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0
    assert "Traceback" not in log.read_text("utf-8")


def test_on_a_terminal_it_draws_and_leaves_the_terminal_as_it_was(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = write_site(tmp_path, night_dict(mosquitto.port))
    with Peer(mosquitto.port) as peer:
        for message in [service(True, 0), *quiet(5)]:
            peer.publish(topic_of(message), today(message), retain=True)
        master, slave = pty.openpty()
        env = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24", "PYTHONIOENCODING": "utf-8"}
        process = subprocess.Popen(command("view", site), stdin=slave, stdout=slave, stderr=slave, env=env)
        os.close(slave)
        drawn = bytearray()

        def read() -> bytes:
            while select.select([master], [], [], 0)[0]:
                try:
                    part = os.read(master, 65_536)
                except OSError:  # the other end is closed
                    break
                if not part:
                    break
                drawn.extend(part)
            return bytes(drawn)

        try:
            wait_until(lambda: "✓ 4 HOLDS".encode() in read(), "the tally of the rooms")
            process.send_signal(signal.SIGINT)
            wait_until(lambda: read() and process.poll() is not None, "the end of the view")
            read()
        finally:
            process.kill()
            process.wait(10)
            os.close(master)
    assert process.returncode == 0
    assert drawn.index(b"\x1b[?1049h") < drawn.index(b"Hillside plant") < drawn.index(b"\x1b[?1049l")
    assert drawn.count(b"\x1b[2J") <= 1  # never cleared while it runs: that would flicker
    assert drawn.rindex(b"\x1b[?25h") > drawn.index(b"\x1b[?25l")


class Daemon:
    """Answers the first command it hears, as the daemon would."""

    def __init__(self, broker: Mosquitto, *, accepted: bool, text: str) -> None:
        self.command: object = None
        self._reply = {"v": 1, "accepted": accepted, "text": text, "at": "2026-03-02T08:16:30Z"}
        self._broker = broker
        self._ready = False
        self._thread = Thread(target=self._run)

    def __enter__(self) -> Daemon:
        self._thread.start()
        wait_until(lambda: self._ready, "the stand-in for the daemon")
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.join(30)

    def _run(self) -> None:
        with Peer(self._broker.port, TOPICS.command) as peer:
            self._ready = True
            message = peer.wait_for(1, TOPICS.command)[0]
            self.command = decode(TOPICS, message.topic, bytes(message.payload))
            ident = json.loads(message.payload)["id"]
            peer.publish(TOPICS.reply(ident), json.dumps({**self._reply, "id": ident}))


def test_acknowledge_publishes_the_command_and_prints_the_answer(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = write_site(tmp_path, night_dict(mosquitto.port))
    with Daemon(mosquitto, accepted=True, text=f"'{ACTION}' is now acknowledged") as daemon:
        result = run("acknowledge", site, ACTION, "--by", "M. Okafor", "--comment", "On my way.", "--wait", "20")
    assert (result.exit_code, result.stdout) == (0, f"'{ACTION}' is now acknowledged\n")
    heard = daemon.command
    assert isinstance(heard, Acknowledge)
    assert (heard.alarm, heard.by, heard.comment) == (ACTION, "M. Okafor", "On my way.")


def test_a_refusal_is_status_1(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = write_site(tmp_path, night_dict(mosquitto.port))
    with Daemon(mosquitto, accepted=False, text="no alarm 'x' has ever been raised here"):
        result = run("acknowledge", site, "x", "--by", "M. Okafor", "--wait", "20")
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr == "no alarm 'x' has ever been raised here\n"


@pytest.mark.parametrize(("word", "stated"), [("at-rest", "at-rest"), ("schedule", None)])
def test_occupancy(mosquitto: Mosquitto, tmp_path: Path, word: str, stated: str | None) -> None:
    site = write_site(tmp_path, night_dict(mosquitto.port))
    with Daemon(mosquitto, accepted=True, text="room 'filling' is now so") as daemon:
        result = run("occupancy", site, "filling", word, "--by", "M. Okafor", "--wait", "20")
    assert result.exit_code == 0
    heard = daemon.command
    assert isinstance(heard, SetOccupancy)
    assert (heard.room, heard.occupancy, heard.by) == ("filling", stated, "M. Okafor")


def test_a_command_that_nobody_hears(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = write_site(tmp_path, night_dict(mosquitto.port))
    begun = time.monotonic()
    result = run("acknowledge", site, ACTION, "--by", "M. Okafor", "--wait", "60")
    assert result.exit_code == 1
    assert result.stderr.startswith("motewatch: nobody listens to commands on this broker")
    assert time.monotonic() - begun < 30  # told at once, not after the wait


def test_a_command_that_nobody_answers(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = write_site(tmp_path, night_dict(mosquitto.port))
    with Peer(mosquitto.port, TOPICS.command) as deaf:
        result = run("acknowledge", site, ACTION, "--by", "M. Okafor", "--wait", "1")
        message = deaf.wait_for(1, TOPICS.command)[0]
    assert result.exit_code == 1
    assert result.stderr.startswith("motewatch: no answer within 1 s")
    assert message.properties.MessageExpiryInterval == 1  # type: ignore[union-attr]  # not to be obeyed hours later


def test_a_command_without_a_broker(tmp_path: Path) -> None:
    site = write_site(tmp_path, night_dict(free_port()))
    result = run("acknowledge", site, ACTION, "--by", "M. Okafor", "--wait", "0.5")
    assert result.exit_code == 1
    assert result.stderr.startswith("motewatch: the broker is not reached: no connection to 127.0.0.1:")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["acknowledge", "SITE", "a", "--by", ""], "by:"),
        (["acknowledge", "SITE", "a", "--by", "x", "--comment", "\x1b[2J"], "comment:"),
        (["occupancy", "SITE", "Not An Id", "at-rest", "--by", "x"], "room:"),
        (["occupancy", "SITE", "filling", "busy", "--by", "x"], "STATE"),
        (["acknowledge", "SITE", "a"], "Missing option '--by'"),
    ],
)
def test_commands_that_make_no_sense_are_never_sent(tmp_path: Path, arguments: list[str], message: str) -> None:
    site = write_site(tmp_path, night_dict(free_port()))
    result = run(*[str(site) if argument == "SITE" else argument for argument in arguments])
    assert result.exit_code == 2
    assert message in result.stderr


def test_users_and_what_the_broker_forbids_them(tmp_path: Path) -> None:
    base = "motewatch/v1/hillside"
    accounts = {
        "motewatch": Account("service-secret", (f"topic read {base}/counts/+", f"topic write {base}/sample/#")),
        "display": Account(
            "display-secret", tuple(f"topic read {base}/{what}" for what in ("sample/#", "alarm/#", "event", "service"))
        ),
    }
    folder = tmp_path / "broker"
    folder.mkdir()
    site_dict = night_dict()
    with running(Mosquitto(folder, accounts=accounts)) as broker:
        site_dict["service"]["broker"] = {
            "host": "127.0.0.1", "port": broker.port, "username": "motewatch", "password_file": "service.secret",
        }  # fmt: skip
        site = write_site(tmp_path, site_dict)
        for name, text in (("service", "service-secret"), ("display", "display-secret"), ("wrong", "no")):
            (tmp_path / f"{name}.secret").write_text(f"{text}\n")
            (tmp_path / f"{name}.secret").chmod(0o600)
        # As the service itself, whose user may not read what it writes. The broker takes the subscription all the same.
        log = tmp_path / "lines"
        with started(log, "view", site) as process:
            sentence = "? The service has not been heard: never started, or this user may not listen."
            wait_until(lambda: sentence in log.read_text("utf-8"), f"the line '{sentence}'")
            process.send_signal(signal.SIGTERM)
            assert process.wait(20) == 0
        assert f"at 127.0.0.1:{broker.port} as user 'motewatch'." in log.read_text("utf-8")
        display: list[str | Path] = ["--user", "display", "--password-file", tmp_path / "display.secret"]
        result = run("view", site, "--seconds", "0.5", *display)
        assert result.exit_code == 0, result.output
        # A display may look and not act.
        result = run("acknowledge", site, ACTION, "--by", "x", *display)
        assert result.exit_code == 1
        assert "does not let" in result.stderr
        result = run(
            "acknowledge", site, ACTION, "--by", "x", "--user", "display", "--password-file", tmp_path / "wrong.secret"
        )
        assert result.exit_code == 1
        assert "refused us" in result.stderr
        env = {"MOTEWATCH_MQTT_USER": "display", "MOTEWATCH_MQTT_PASSWORD_FILE": str(tmp_path / "display.secret")}
        assert run("view", site, "--seconds", "0.5", env=env).exit_code == 0
