"""Crash: kill -9 of the daemon at random moments while links are pressed; each does its work once, and what a phone was
told is on record.

Sixty persons get their weekly test call at the next full minute. Phones press their links again and again, several at
once, while the daemon is killed 20 times at moments drawn from a seed: between an answer and its commit, between the
commit and the reply, while it replays, before it listens. Afterwards:

- a link that a phone was told of as done is done on record, exactly once; no link did its work twice;
- no phone was told so twice, and every refusal was "used already" of a link that is used;
- `verify` finds nothing, and no start found its replay different from the record.

MOTEWATCH_CRASH_SEED chooses another run; `-s` or `-rP` shows what happened in it.
"""

from __future__ import annotations

import os
import random
import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import httpx
import pytest

from motewatch.callout.answers import Keys, sign
from motewatch.callout.records import Told
from motewatch.journal.journal import Journal
from motewatch.wire.records import HOUR_US, MINUTE_US, SECOND_US
from motewatch_simulator.demo.toml_text import toml_text
from support import crash_checks as check
from support.crash_daemon import Daemon
from support.live import live_site, now_us
from support.servers import Mosquitto, free_port

pytestmark = [pytest.mark.crash, pytest.mark.broker]

KILLS: Final = 20
PERSONS: Final = 60
PHONES: Final = 4
KEY: Final = "0123456789abcdef" * 4


def site_dict(broker_port: int, page_port: int, at_us: int) -> dict[str, Any]:
    """Sixty persons on one channel, who are called at that instant."""
    at = datetime.fromtimestamp(at_us / SECOND_US, UTC)
    names = [f"p-{number}" for number in range(PERSONS)]
    site = live_site({"port": broker_port})
    site["channels"] = [{"id": "desk", "kind": "mqtt"}]
    site["persons"] = [{"id": name, "name": name, "reach": [{"channel": "desk", "address": name}]} for name in names]
    site["teams"] = [{"id": "all", "name": "All", "members": names}]
    site["escalations"] = [{"id": "all", "priorities": ["high"], "steps": [{"after_min": 0, "tell": ["team:all"]}]}]
    site["callout"] = {
        "answer_page": {"public_url": "http://127.0.0.1/a", "key_file": "answer.key", "port": page_port},
        "test_calls": {"at": f"{at:%a %H:%M}", "confirm_within_h": 24},
    }
    return site


class Phones:
    """Press links, those that are released, and remember what each was told."""

    def __init__(self, port: int, links: list[tuple[str, str]], rng: random.Random) -> None:
        self._base = f"http://127.0.0.1:{port}"
        self._links = links
        self._rngs = [random.Random(rng.random()) for _ in range(PHONES)]
        self._lock = threading.Lock()
        self._over = threading.Event()
        self.released = 0
        self.told: dict[int, Counter[str]] = {200: Counter(), 409: Counter()}
        self.others: Counter[str] = Counter()
        self._pool = ThreadPoolExecutor(PHONES)
        self._jobs = [self._pool.submit(self._press, each) for each in self._rngs]

    def stop(self) -> None:
        """No more; raises what went wrong in a phone."""
        self._over.set()
        for job in self._jobs:
            job.result(60)
        self._pool.shutdown()

    def _press(self, rng: random.Random) -> None:
        with httpx.Client(base_url=self._base, trust_env=False, timeout=20) as phone:
            while not self._over.wait(rng.uniform(0.0, 0.08)):
                if not self.released:
                    continue
                # Mostly one of the newest: those are still to be used.
                told, token = self._links[max(0, self.released - 1 - int(rng.expovariate(0.4)))]
                answer: httpx.Response | None = None
                with suppress(httpx.TransportError):
                    answer = phone.post(f"/{token}", data={"act": "confirm"})
                with self._lock:
                    if answer is None:
                        self.others["no answer"] += 1
                    elif answer.status_code in self.told:
                        self.told[answer.status_code][told] += 1
                    else:
                        self.others[str(answer.status_code)] += 1


def test_each_link_does_its_work_once_and_what_a_phone_was_told_is_on_record(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    seed = int(os.environ.get("MOTEWATCH_CRASH_SEED", "20"))
    rng = random.Random(seed)
    folder, port = tmp_path / "site", free_port()
    folder.mkdir()
    (folder / "answer.key").write_text(KEY)
    (folder / "answer.key").chmod(0o600)
    at_us = ((now_us() + 8 * SECOND_US) // MINUTE_US + 1) * MINUTE_US
    (folder / "site.toml").write_text(toml_text(site_dict(mosquitto.port, port, at_us)))
    with Daemon(folder / "site.toml") as daemon:
        daemon.start()
        daemon.wait_for_drained()
        with Journal.open_reader(folder / "journal.db") as journal:
            daemon.wait_for(lambda: (journal.engine_us() or 0) >= at_us, "the test calls", 120)
            calls = [one for one in check.outputs_of(journal) if isinstance(one, Told)]
            assert len(calls) == PERSONS
            key = Keys.parse(KEY).newest
            links = [(one.id, sign(key, one.id, one.person, one.answer, now_us() + HOUR_US)) for one in calls]
            phones = Phones(port, links, rng)
            for number in range(KILLS):
                phones.released = (number + 1) * PERSONS // KILLS
                if rng.random() < 0.8:
                    # In the middle of its work: somebody was answered in this life.
                    known = sum(phones.told[200].values())
                    daemon.wait_for(lambda known=known: sum(phones.told[200].values()) > known, "an answer")  # type: ignore[misc]
                    time.sleep(rng.choice([0.0, 0.0, rng.uniform(0.0, 0.05)]))
                else:
                    time.sleep(rng.uniform(0.0, 1.0))
                daemon.kill()
                daemon.start()
            done = sum(phones.told[409].values())
            daemon.wait_for(lambda: sum(phones.told[409].values()) > done + 20, "presses of used links")
            phones.stop()
            daemon.stop()
            audit = [row for row in journal.query_audit(10_000) if row.action == "answer-by-link"]
            problems = [*journal.verify(), *daemon.defects()]
    used = Counter(row.subject for row in audit)
    said_done, said_used = phones.told[200], phones.told[409]
    print(
        f"\nCrash test of links, seed {seed}: {daemon.kills} kills, {len(used)} of {PERSONS} links used, "
        f"{len(said_done)} phones were told so, {len(used.keys() - said_done.keys())} were answered by a kill, "
        f"{sum(said_used.values())} refusals, others {dict(phones.others)}"
    )
    assert problems == []
    assert daemon.kills == KILLS
    assert set(used.values()) == {1}, "a link did its work twice"
    assert set(said_done.values()) == {1}, "two phones were told that they had done it"
    assert said_done.keys() <= used.keys(), "a phone was told what is not on record"
    assert said_used.keys() <= used.keys(), "a link was called used that is not"
    assert len(used) > PERSONS // 2, "too few links were used to prove anything"
    assert phones.others["no answer"] > 0, "no kill met a phone"
