"""Crash: kill -9 of the daemon at random moments while it calls people, and nobody stays untold.

A facility of twelve locations raises alarms all the time; two persons are on its escalation with waits of seconds, and
somebody takes about every second alarm. The daemon is killed 20 times at moments drawn from a seed: right after it was
told of an alarm, while a call is on its way (the receiver holds every answer a little), while it replays, and before
it has connected. Broker and receiver stay up: that they lose nothing is proved by the other crash test. Afterwards:

- the calls on record are those of an undisturbed run: the pure engine, in one life, fed with the recorded inputs;
- every one of them reached the receiver, and the receiver got no other;
- no more came again than could be under way at the kills, one in each of the channel's two lanes, and each repeat said
  that it may be one;
- every alarm that started was told to the person on the first step, but for one that had been taken before the daemon
  was back and heard of both;
- `verify` finds nothing, and no start found its replay different from the record.

MOTEWATCH_CRASH_SEED chooses another run; `-s` or `-rP` shows what happened in it.
"""

from __future__ import annotations

import json
import os
import random
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any, Final

import pytest

from motewatch.journal.journal import Journal
from motewatch.wire.topics import Topics
from motewatch_simulator.demo.toml_text import toml_text
from support import crash_checks as check
from support.crash_calls import calls_of, untold
from support.crash_daemon import Daemon
from support.http_fake import Answer, FakeHttp
from support.live import now_us
from support.mqtt_peer import Peer
from support.servers import Mosquitto
from support.writer_bench import count_payload

pytestmark = [pytest.mark.crash, pytest.mark.broker]

KILLS: Final = 20
LANES: Final = 2
"""A channel's urgent calls, and the others."""

LOCATIONS: Final = 12
HIGH, LOW = (100, 0), (0, 0)
"""In a minute's air 3 534 particles per m3, above the 3 520 of grade A; and none."""

TOPICS: Final = Topics("motewatch/v1", "crash")
KEY: Final = "0123456789abcdef" * 4


def site_dict(broker_port: int, url: str) -> dict[str, Any]:
    """Twelve locations in one room of grade A, and an escalation in seconds."""
    names = [f"spot-{n}" for n in range(LOCATIONS)]
    counter = {"sizes_um": [0.5, 5.0], "flow_l_min": 28.3, "interval_s": 60.0, "silent_after_s": 3600.0}
    return {
        "format": 1,
        "site": {"id": "crash", "name": "Crash test", "time_zone": "UTC"},
        "service": {
            "journal": "journal.db",
            "clock_tolerance_s": 120.0,
            "broker": {"host": "127.0.0.1", "port": broker_port},
        },
        "areas": [{"id": "all", "name": "All"}],
        "rooms": [{"id": "fill", "name": "Filling", "area": "all", "grade": "A"}],
        "programmes": [{"id": "direct", "sample": "each-reading", "settle_s": 0.5}],
        "locations": [{"id": name, "name": name, "room": "fill", "programme": "direct"} for name in names],
        "sensors": [{"id": f"pc-{n}", "serial": f"S-{n}", "location": name, **counter} for n, name in enumerate(names)],
        "channels": [
            {"id": "hook", "kind": "webhook", "url": url, "key_file": "hook.key", "timeout_s": 5.0, "per_minute": 9_000}
        ],
        "persons": [
            {"id": "ada", "name": "Ada", "reach": [{"channel": "hook", "address": "ada"}]},
            {"id": "ben", "name": "Ben", "reach": [{"channel": "hook", "address": "ben"}]},
        ],
        "escalations": [
            {
                "id": "all",
                "steps": [
                    {"after_min": 0, "tell": ["person:ada"]},
                    {"after_min": 0.05, "tell": ["person:ben"]},
                    {"after_min": 0.15, "tell": ["person:ada", "person:ben"]},
                ],
                "repeat_min": 1,
            }
        ],
        "callout": {"flood_alarms": 1_000, "flood_min": 1.0},
    }


class Receiver:
    """Takes every call, after a little while, and remembers it when it has answered."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._lock = threading.Lock()
        self.calls: list[dict[str, Any]] = []

    def answer(self, method: str, path: str, headers: dict[str, str], body: bytes) -> Answer:
        with self._lock:
            self.calls.append(json.loads(body))
            hold_s = self._rng.choice([0.0, 0.0, 0.01, 0.05, 0.2])
        time.sleep(hold_s)
        return 200, b""


class Facility:
    """Publishes air at random: spots that go over their limit and come back, and people who take alarms."""

    def __init__(self, port: int, rng: random.Random) -> None:
        self._port = port
        self._rng = rng
        self._over = threading.Event()
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run)
        self.published = 0

    def __enter__(self) -> Facility:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def stop(self) -> None:
        """No more of it; what was published is with the broker."""
        self._over.set()
        self._thread.join(60)
        if self._failure is not None:
            raise self._failure

    def _run(self) -> None:
        rng = self._rng
        try:
            with Peer(self._port) as peer:
                seqs, high = [0] * LOCATIONS, [False] * LOCATIONS
                while not self._over.wait(rng.uniform(0.05, 0.3)):
                    spot = rng.randrange(LOCATIONS)
                    if rng.random() < 0.35:
                        by = rng.choice(["ada", "ben"])
                        peer.publish(TOPICS.command, self._acknowledge(spot, by))
                        continue
                    high[spot] = not high[spot]
                    payload = count_payload(f"pc-{spot}", seqs[spot], now_us(), HIGH if high[spot] else LOW, 60.0)
                    seqs[spot] += 1
                    peer.publish(TOPICS.counts(f"pc-{spot}"), payload)
                    self.published += 1
        except BaseException as error:
            self._failure = error

    def _acknowledge(self, spot: int, by: str) -> bytes:
        alarm = f"location/spot-{spot}/0.5um/action"
        id_ = f"ack-{self._rng.randrange(10**12)}"
        return json.dumps({"v": 1, "id": id_, "command": "acknowledge", "by": by, "alarm": alarm}).encode()


def taken(journal: Journal) -> int:
    """Readings on record."""
    return sum(row.seq is not None for row in check.rows_of(journal))


def take_all(peer: Peer, daemon: Daemon, journal: Journal) -> None:
    """Somebody takes every alarm, so that no more calls are due: what is then waiting is all there is."""

    def untaken() -> list[str]:
        return [one.alarm for one in journal.standing_alarms() if one.after.value.endswith("unacknowledged")]

    for number, alarm in enumerate(untaken()):
        order = {"v": 1, "id": f"last-{number}", "command": "acknowledge", "by": "ada", "alarm": alarm}
        peer.publish(TOPICS.command, json.dumps(order))
    daemon.wait_for(lambda: not untaken(), "everything taken")


def test_nobody_stays_untold(mosquitto: Mosquitto, tmp_path: Path) -> None:
    seed = int(os.environ.get("MOTEWATCH_CRASH_SEED", "20"))
    rng = random.Random(seed)
    folder = tmp_path / "site"
    folder.mkdir()
    (folder / "hook.key").write_text(KEY)
    (folder / "hook.key").chmod(0o600)
    receiver = Receiver(random.Random(seed + 1))
    with FakeHttp(receiver.answer) as http, Daemon(folder / "site.toml") as daemon:
        (folder / "site.toml").write_text(toml_text(site_dict(mosquitto.port, f"{http.url}/call")))
        daemon.start()
        daemon.wait_for_drained()
        with Journal.open_reader(folder / "journal.db") as journal, Facility(mosquitto.port, rng) as facility:
            for _ in range(KILLS):
                if rng.random() < 0.75:
                    # In the middle of its work: it has told somebody in this life.
                    known = len(receiver.calls)
                    daemon.wait_for(lambda known=known: len(receiver.calls) > known + rng.randrange(8), "a call")  # type: ignore[misc]
                    time.sleep(rng.choice([0.0, 0.0, rng.uniform(0.0, 0.3)]))
                else:
                    time.sleep(rng.uniform(0.0, 1.5))
                daemon.kill()
                daemon.start()
            facility.stop()
            daemon.wait_for(lambda: taken(journal) >= facility.published, "everything that was published")
            with Peer(mosquitto.port) as peer:
                take_all(peer, daemon, journal)
            daemon.wait_for(lambda: journal.backlog("call/hook") == 0, "the last call")
            daemon.stop()
            found = list(check.outputs_of(journal))
            again = check.relived(journal, TOPICS)
            problems = [*journal.verify(), *daemon.defects()]
    recorded, wanted = calls_of(found), calls_of(again)
    received = Counter(call["id"] for call in receiver.calls)
    repeats = {id_: number - 1 for id_, number in received.items() if number > 1}
    print(
        f"\nCallout crash test, seed {seed}: {daemon.kills} kills, {facility.published} readings, "
        f"{len(recorded)} calls on record, {len(receiver.calls)} received, {sum(repeats.values())} of them repeats; "
        f"{sum(call['maybe_repeat'] for call in receiver.calls)} said that they may be one"
    )
    assert problems == []
    assert recorded == wanted
    told = {call.id for call in recorded}
    assert told - received.keys() == set(), "somebody stayed untold"
    assert received.keys() - told == set(), "a call that is not on record"
    assert sum(repeats.values()) <= LANES * daemon.kills, repeats
    for id_ in repeats:
        marks = [call["maybe_repeat"] for call in receiver.calls if call["id"] == id_]
        assert all(marks[1:]), f"{id_} came again without saying so"
    assert untold(found) == []
    assert repeats, "no kill met a call under way"
    assert len(recorded) >= 40, "too few calls to prove anything"
    assert len({call.cause for call in recorded}) >= 4
