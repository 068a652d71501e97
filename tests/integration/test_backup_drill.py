"""The drill: backed up under load, the machine lost, restored elsewhere, and nothing missing that could be got again.

One service, one broker. The backup is made while readings stream in; more come after it and are acknowledged; then the
machine is gone. The sensors go on publishing to the broker. A service started from the restored folder takes what the
broker kept, and the sensors send once more what they still hold of the time in between.
"""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest

from motewatch.journal.journal import Journal
from motewatch.links.anchoring import collected, make_key, read_public_key
from motewatch.links.backup import make_backup, restore_backup
from motewatch.wire.records import SECOND_US
from support.command_line import run
from support.live import TOPICS, live_site, now_us, readings, revisions, serving
from support.mqtt_peer import Peer
from support.servers import Mosquitto, wait_until
from support.writer_bench import count_payload

pytestmark = pytest.mark.broker

CHUNK = 40
AIR_US = SECOND_US // 100


class Stream:
    """Hundredths of a second of air at `spot-1`, one after the other; `send` sends the next ones."""

    def __init__(self, peer: Peer) -> None:
        self._peer = peer
        self._began_us = now_us() - 100 * SECOND_US
        self.sent = 0

    def send(self, count: int = CHUNK) -> None:
        self._peer.publish_all([self._message(seq) for seq in range(self.sent, self.sent + count)])
        self.sent += count

    def send_again(self, first: int) -> None:
        self._peer.publish_all([self._message(seq) for seq in range(first, self.sent)])

    def _message(self, seq: int) -> tuple[str, str | bytes]:
        end_us = self._began_us + (seq + 1) * AIR_US
        return TOPICS.counts("pc-1"), count_payload("pc-1", seq, end_us, (seq % 7, 0), 0.01)


def test_what_was_lost_with_the_machine_comes_back_from_backup_broker_and_sensors(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    site = live_site({"port": mosquitto.port})
    site["record"] = {"anchor_every_min": 1, "signing_key_file": "record.key"}
    first, second, backup = tmp_path / "first", tmp_path / "second", tmp_path / "backup"
    first.mkdir()
    make_key(first / "record.key")
    with Peer(mosquitto.port, TOPICS.anchor) as peer:
        stream = Stream(peer)
        with serving(first, site):
            stop = threading.Event()

            def load() -> None:
                while not stop.wait(0.05):
                    stream.send()

            thread = threading.Thread(target=load)
            thread.start()
            try:
                wait_until(lambda: len(readings(first)) >= 4 * CHUNK, "some readings on record")
                manifest = make_backup(first / "site.toml", backup, now_us())
                wait_until(lambda: len(readings(first)) > manifest.inputs + 4 * CHUNK, "more of them after the backup")
                wait_until(lambda: peer.heard(TOPICS.anchor), "an anchor", 30)
            finally:
                stop.set()
                thread.join()
            wait_until(lambda: len(readings(first)) == stream.sent, "all that was sent")
        lost = readings(first)
        # What is published from here on is of the record that goes on elsewhere, by another way.
        anchors = list(peer.heard(TOPICS.anchor))
        # Now the machine is gone. The sensors know nothing of it.
        stream.send(3 * CHUNK)

        restore_backup(backup, second)
        (second / "record.key").write_bytes((first / "record.key").read_bytes())
        (second / "record.key").chmod(0o600)
        held = readings(second)
        assert 4 * CHUNK <= len(held) < len(lost)
        assert lost[: len(held)] == held
        with serving(second, site):
            wait_until(lambda: len(readings(second)) == len(held) + 3 * CHUNK, "what the broker kept")
            stream.send_again(len(held) - 5)
            wait_until(lambda: len(readings(second)) == stream.sent, "what the sensors still had")
            # Late air is gathered for a moment before it becomes a sample.
            wait_until(lambda: len(revisions(second, "spot-1")) >= stream.sent, "a sample of each reading")
    whole = readings(second)
    assert sorted(whole) == [("pc-1", "boot-1", seq) for seq in range(stream.sent)]
    ends = [sample.end_us for sample in revisions(second, "spot-1")]
    assert len(ends) == len(set(ends)) == stream.sent
    verified = run("verify", second / "site.toml")
    assert verified.exit_code == 0, verified.output

    # What was published of the machine that was lost proves its record.
    kept = tmp_path / "kept.jsonl"
    kept.write_bytes(b"\n".join(message.payload for message in anchors))
    public = read_public_key(first / "record.key.public")
    with Journal.open_reader(first / "journal.db") as journal:
        assert journal.verify(collected(kept), public) == []
    assert all(json.loads(message.payload)["public_key"] == public for message in peer.heard(TOPICS.anchor))
    assert not any(message.retain for message in peer.heard(TOPICS.anchor))
