"""The real program while its journal cannot be written: a full disk, a file that may not grow, another program's lock.

Each time readings go on coming. The broker keeps what is not acknowledged, the retained service message says what is
wrong, and afterwards every reading and every sample is there once, with an alarm on record that says from when to when.
"""

from __future__ import annotations

import json
import os
import resource
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest

from motewatch.links.unrecorded_calls import ACTION
from support.command_line import write_site
from support.http_fake import FakeHttp
from support.live import TOPICS, Program, ask, live_site, now_us, readings, revisions, steps
from support.mail import MailServer
from support.mqtt_peer import Peer
from support.servers import Mosquitto, wait_until
from support.writer_bench import count_payload

pytestmark = pytest.mark.broker

ALARM = "service/record"
CHUNK = 200


class Sensor:
    """Hundredths of a second of air at `spot-1`, one after the other."""

    def __init__(self, peer: Peer) -> None:
        self._peer = peer
        self._began_us = now_us() - 60_000_000
        self.sent = 0

    def send(self, count: int = CHUNK) -> None:
        page = range(self.sent, self.sent + count)
        self._peer.publish_all([(TOPICS.counts("pc-1"), self._payload(seq)) for seq in page])
        self.sent += count

    def _payload(self, seq: int) -> bytes:
        return count_payload("pc-1", seq, self._began_us + (seq + 1) * 10_000, (seq % 7, 0), 0.01)


def trouble(peer: Peer) -> str | None:
    """What the service's own topic says last."""
    heard = peer.heard(TOPICS.service)
    return json.loads(heard[-1].payload).get("trouble") if heard else None


def survives(folder: Path, peer: Peer, sensor: Sensor, why: str) -> None:
    """The store cannot be written: readings come on, are not lost, and are not taken before they are on record."""
    before = len(readings(folder))
    sensor.send(3 * CHUNK)
    wait_until(lambda: why in (trouble(peer) or ""), f"'{why}' on the service's topic, which says {trouble(peer)}")
    sensor.send(CHUNK)
    assert len(readings(folder)) < sensor.sent
    assert len(readings(folder)) - before < 3 * CHUNK


def recovers(folder: Path, peer: Peer, sensor: Sensor, outages: int) -> None:
    """All of it is there, once; and the alarm."""
    wait_until(lambda: len(readings(folder)) == sensor.sent, "all readings on record", 60)
    wait_until(lambda: trouble(peer) is None, "the end of the trouble on the service's topic")
    wait_until(lambda: len(revisions(folder, "spot-1")) >= sensor.sent, "all samples on record", 60)
    wait_until(lambda: len(steps(folder, ALARM)) >= 2 * outages, "the alarm on record")


def all_is_well(folder: Path, sensor: Sensor) -> None:
    assert sorted(readings(folder)) == [("pc-1", "boot-1", seq) for seq in range(sensor.sent)]
    samples = revisions(folder, "spot-1")
    assert len(samples) == sensor.sent
    assert sum(sample.channels[0].count for sample in samples) == sum(seq % 7 for seq in range(sensor.sent))
    assert ask(folder, lambda journal: journal.verify()) == []


def test_a_journal_that_may_not_grow_or_is_held_by_another_program(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = write_site(tmp_path, live_site({"port": mosquitto.port}))
    journal = tmp_path / "journal.db"
    with Program(site) as program, Peer(mosquitto.port, TOPICS.service) as peer:
        sensor = Sensor(peer)
        sensor.send()
        wait_until(lambda: len(readings(tmp_path)) == sensor.sent, "the first readings")

        # A long reader takes nothing from the writer. It stays to the end of what follows.
        with closing(sqlite3.connect(journal)) as reader:
            reader.execute("BEGIN")
            reader.execute("SELECT count(*) FROM inputs").fetchone()
            sensor.send()
            wait_until(lambda: len(readings(tmp_path)) == sensor.sent, "readings beside a long reader")
            assert trouble(peer) is None

            # No file of the program may grow beyond what its largest one has now.
            largest = max(path.stat().st_size for path in tmp_path.iterdir())
            no_limit = resource.prlimit(program.pid, resource.RLIMIT_FSIZE)
            resource.prlimit(program.pid, resource.RLIMIT_FSIZE, (largest, no_limit[1]))
            survives(tmp_path, peer, sensor, "the record cannot be written: ")
            resource.prlimit(program.pid, resource.RLIMIT_FSIZE, no_limit)
            recovers(tmp_path, peer, sensor, 1)
            reader.rollback()

        with closing(sqlite3.connect(journal, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            survives(tmp_path, peer, sensor, "another process is writing the journal")
            other.execute("ROLLBACK")
        recovers(tmp_path, peer, sensor, 2)
        program.stop()
    all_is_well(tmp_path, sensor)
    texts = [step.text for step in steps(tmp_path, ALARM) if step.event.value == "starts"]
    assert "another process is writing the journal" in texts[1]
    defects = [line for line in program.log().splitlines() if "Traceback" in line or " CRITICAL " in line]
    assert defects == [], program.log()


@contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[None]:
    """A file system of that size at the folder, where we may make one."""
    if os.geteuid() != 0:
        pytest.skip("only root may mount a small file system")
    size = f"size={megabytes}m"
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(folder)], capture_output=True, check=False)
    if made.returncode:
        pytest.skip(f"no small file system can be mounted here: {made.stderr.decode().strip()}")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(filler: Path) -> None:
    """Take all the room there is, to the last page."""
    with suppress(OSError), filler.open("wb", buffering=0) as file:
        while file.write(bytes(4096)):
            pass


def test_a_full_disk_also_when_it_stays_full_through_a_kill(mosquitto: Mosquitto, tmp_path: Path) -> None:
    folder = tmp_path / "disk"
    folder.mkdir()
    site = live_site({"port": mosquitto.port})
    with small_disk(folder, 12):
        site["service"]["journal"] = "disk/journal.db"
        path = write_site(tmp_path, site)
        (tmp_path / "journal.db").symlink_to(folder / "journal.db")  # where the questions of this test look
        with Program(path) as program, Peer(mosquitto.port, TOPICS.service) as peer:
            sensor = Sensor(peer)
            sensor.send()
            wait_until(lambda: len(readings(tmp_path)) == sensor.sent, "the first readings")
            filler = folder / "filler"
            fill(filler)
            survives(tmp_path, peer, sensor, "no space left to write the journal")
            # Killed on the full disk and started when there is room: what was not acknowledged comes again.
            program.kill()
            filler.unlink()
            program.start()
            recovers(tmp_path, peer, sensor, 0)
            fill(filler)
            survives(tmp_path, peer, sensor, "no space left to write the journal")
            filler.unlink()
            recovers(tmp_path, peer, sensor, 1)
            program.stop()
        all_is_well(tmp_path, sensor)
        assert "no space left" in steps(tmp_path, ALARM)[0].text


def test_those_on_call_are_told_beside_the_record_over_every_way_and_that_goes_on_record(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    folder = tmp_path / "disk"
    folder.mkdir()
    site = live_site({"port": mosquitto.port})
    (tmp_path / "hook.key").write_text("0123456789abcdef" * 4)
    (tmp_path / "hook.key").chmod(0o600)
    with MailServer() as mail, FakeHttp(lambda *_: (200, b"")) as hook, small_disk(folder, 12):
        site["service"]["journal"] = "disk/journal.db"
        site["channels"] = [
            {
                "id": "mail",
                "kind": "e-mail",
                "host": "127.0.0.1",
                "port": mail.port,
                "tls": "none",
                "sender": "a@b.org",
            },
            {"id": "hook", "kind": "webhook", "url": f"{hook.url}/call", "key_file": "hook.key"},
            {"id": "bus", "kind": "mqtt"},
        ]
        reach = [{"channel": id_, "address": "ada@example.org"} for id_ in ("mail", "hook", "bus")]
        site["persons"] = [{"id": "ada", "name": "Ada Okafor", "reach": reach}]
        site["escalations"] = [{"id": "all", "steps": [{"after_min": 0, "tell": ["person:ada"]}]}]
        site["callout"] = {"unrecorded": {"after_s": 1.0}}
        path = write_site(tmp_path, site)
        (tmp_path / "journal.db").symlink_to(folder / "journal.db")
        topic = TOPICS.call("ada")
        with Program(path) as program, Peer(mosquitto.port, TOPICS.service, topic) as peer:

            def heard() -> list[list[dict[str, Any]]]:
                """What came over each of the three ways, as cause and words."""
                letters = [{"cause": "", "text": f"{each['Subject']} {text_of(each)}"} for each in mail.mails]
                posts = [json.loads(request[3]) for request in hook.requests]
                return [letters, posts, [json.loads(each.payload) for each in peer.heard(topic)]]

            sensor = Sensor(peer)
            sensor.send()
            wait_until(lambda: len(readings(tmp_path)) == sensor.sent, "the first readings")
            fill(folder / "filler")
            survives(tmp_path, peer, sensor, "no space left to write the journal")
            wait_until(lambda: all(heard()), "a call over every way")
            for way in heard():
                assert "Not on record" in (way[0]["text"] + way[0].get("subject", ""))
                assert "no space left to write the journal" in way[0]["text"]
            assert {way[0]["cause"] for way in heard()} == {"", "unrecorded"}
            (folder / "filler").unlink()
            recovers(tmp_path, peer, sensor, 1)
            over = "The record is written again."
            wait_until(lambda: all(any(over in each["text"] for each in way) for way in heard()), "that it is over")
            wait_until(lambda: len(mail.mails) >= 3, "the ordinary call of the alarm that is on record now")

            def entered() -> list[str]:
                rows = ask(tmp_path, lambda journal: journal.query_audit()) or []
                return sorted(row.detail for row in rows if row.action == ACTION)

            wait_until(lambda: len(entered()) == 6, "what was said on record")
            said = [detail for detail in entered() if "no space left" in detail]
            assert [detail.partition(": told once, at ")[0] for detail in said] == [
                f"ada over {channel}" for channel in ("bus", "hook", "mail")
            ]
            program.stop()
        all_is_well(tmp_path, sensor)


def text_of(letter: EmailMessage) -> str:
    """The plain part of a mail."""
    part = letter.get_body(("plain",))
    return "" if part is None else str(part.get_content())
