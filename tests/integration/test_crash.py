"""Crash: kill -9 at random moments of daemon, broker and time-series server under a live stream, and nothing is lost.

About 235 messages a second from 48 counters. The daemon is killed 20 times and stopped cleanly twice (so that later
lives start from a snapshot), the broker is killed 5 times, the time-series server 3 times, each at moments drawn from a
seed: while it works, while it replays, before it has connected, and several at once. Afterwards:

- every acknowledged publication is in the journal exactly once, with its bytes;
- samples (all fields of the last revisions, and which samples there are) and alarm events equal those of an
  undisturbed run on the same stream (`support.crash_checks.undisturbed`: the pure engine);
- the time-series server holds each point once, with the right value, although its own 204 is not durable;
- `verify` finds nothing, and no start found its replay different from the record;
- the broker's retained alarm states are the last ones on record.

What makes it hold, honestly: the broker saves its store once a second, so a kill -9 of the *broker* does lose what it
had acknowledged in the last second or two. That is made good by the sensors' side, which keeps each message for 5 s
after its acknowledgement and sends it again on a new connection (the daemon recognises the repeats), not by the daemon.
A kill -9 of the *daemon* needs no such help. For the comparison the settling time of the sample periods (3 s) must
outlast the broker's outage and what passes until the sensors send again; an outage here lasts a second at most.

MOTEWATCH_CRASH_SEED chooses another run; `-s` or `-rP` shows what happened in it.
"""

from __future__ import annotations

import os
import random
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import pytest

from motewatch.journal.journal import Journal
from motewatch.links.clock import Clock
from motewatch.links.publications import Directory
from motewatch.links.site_file import load_site
from motewatch.service.program import configured
from motewatch.wire.topics import Topics
from motewatch_simulator.demo.toml_text import toml_text
from support import crash_checks as check
from support import crash_ends as ends
from support.crash_daemon import STOP_S, Daemon
from support.crash_publisher import Publisher
from support.crash_stream import PERIOD_US, SETTLE_US, SITE, Stream, site_dict
from support.servers import Mosquitto, ServerProcess, TimeSeriesServer, running, wait_until

pytestmark = [pytest.mark.crash, pytest.mark.broker, pytest.mark.timeseries]

DAEMON_KILLS: Final = 20
CLEAN_STOPS: Final = 2
BROKER_KILLS: Final = 5
TIME_SERIES_KILLS: Final = 3
RATE: Final = 200.0
"""Messages a second at least."""

TOPICS: Final = Topics("motewatch/v1", SITE)


@dataclass(slots=True)
class Ground:
    """Everything that runs."""

    seed: int
    folder: Path
    broker: Mosquitto
    time_series: TimeSeriesServer
    daemon: Daemon
    over: threading.Event = field(default_factory=threading.Event)
    table: list[tuple[str, str]] = field(default_factory=list)

    @property
    def site_path(self) -> Path:
        return self.folder / "site.toml"

    def note(self, what: str, value: object) -> None:
        self.table.append((what, str(value)))


@contextmanager
def ground(folder: Path, seed: int) -> Iterator[Ground]:
    """Broker and time-series server running, the site file written, the daemon not yet started."""
    with ExitStack() as stack:
        places = [folder / "broker", folder / "time-series", folder / "site"]
        for place in places:
            place.mkdir()
        broker = stack.enter_context(running(Mosquitto(places[0], settings={"autosave_interval": 1})))
        time_series = stack.enter_context(running(TimeSeriesServer(places[1])))
        site_path = places[2] / "site.toml"
        site_path.write_text(toml_text(site_dict(broker.port, time_series.url)))
        daemon = stack.enter_context(Daemon(site_path))
        yield Ground(seed, places[2], broker, time_series, daemon)


def kill_now_and_then(
    here: Ground, server: ServerProcess, kills: int, rng: random.Random, apart_s: tuple[float, float], away_s: float
) -> int:
    """Kill the server so many times at random moments, and start it again after at most `away_s`."""
    for done in range(kills):
        if here.over.wait(rng.uniform(*apart_s)):
            return done
        server.kill()
        here.over.wait(rng.uniform(0.0, away_s))
        server.start()
    return kills


def wait_for_progress(here: Ground, journal: Journal) -> None:
    """Until this life has committed a part of the stream (and not only that a link of its own went up or down)."""
    known = journal.last_input_id()
    here.daemon.wait_for(lambda: journal.last_input_id() > known + 20, "progress")


def kill_the_daemon(here: Ground, journal: Journal, rng: random.Random) -> float:
    """All its kills and clean stops; it runs again afterwards. Returns the longest clean stop in seconds."""
    daemon = here.daemon
    fates = [True] * DAEMON_KILLS + [False] * CLEAN_STOPS
    rng.shuffle(fates)
    longest_s = 0.0
    for kill in fates:
        if not kill or rng.random() < 0.6:
            wait_for_progress(here, journal)
            time.sleep(rng.uniform(0.0, 2.5))
        else:
            time.sleep(rng.uniform(0.0, 1.5))
        if kill:
            daemon.kill()
        else:
            longest_s = max(longest_s, daemon.stop())
        time.sleep(rng.choice([0.0, rng.uniform(0.0, 1.0)]))
        daemon.start()
    return longest_s


def test_nothing_is_lost_and_nothing_counted_twice(tmp_path: Path) -> None:
    seed = int(os.environ.get("MOTEWATCH_CRASH_SEED", "20"))
    with ground(tmp_path, seed) as here:
        try:
            whole_run(here)
        finally:
            width = max((len(what) for what, _ in here.table), default=0)
            print(f"\nCrash test, seed {seed}")
            for what, value in here.table:
                print(f"  {what:<{width}}  {value}")


def whole_run(here: Ground) -> None:
    clock, rng = Clock(), random.Random(here.seed)
    site = load_site(here.site_path)
    here.daemon.start()
    here.daemon.wait_for_drained()
    journal_path = here.folder / "journal.db"

    stream = Stream(here.seed, TOPICS, (clock.now_us() // PERIOD_US + 1) * PERIOD_US)
    began_s = clock.monotonic_s()
    with Journal.open_reader(journal_path) as journal, Publisher(here.broker.port, stream) as publisher:
        wait_until(lambda: publisher.published > 400, "a stream that flows")
        with tormentors(here) as others:
            longest_stop_s = kill_the_daemon(here, journal, rng)
            broker_kills, time_series_kills = (each.result(120) for each in others)
        messages = publisher.finish(60)
        end_us = stream.end_us
        figures = publisher.figures
        streamed_s = (end_us - stream.start_us) / 1_000_000
        unique = len({message.key for message in messages})

        here.note(
            "stream", f"{streamed_s:.0f} s, {len(messages)} messages, {len(messages) / streamed_s:.0f} per second"
        )
        here.note("readings in them", unique)
        here.note("daemon: kill -9", here.daemon.kills)
        here.note("daemon: clean stops", f"{here.daemon.stops}, the longest took {longest_stop_s:.1f} s")
        here.note("broker: kill -9", broker_kills)
        here.note("time-series server: kill -9", time_series_kills)
        here.note(
            "sensors sent again",
            f"{figures.again} messages on {figures.connections} connections, "
            f"{figures.acknowledged_again} of them acknowledged before",
        )
        here.note("latest first publication", f"{figures.latest_s:.2f} s after it was due")

        done_us = end_us + SETTLE_US
        here.daemon.wait_for(lambda: (journal.engine_us() or 0) > done_us, "the end of the last period")
        record = check.record_of(check.outputs_of(journal), end_us)
        wanted_points = check.points_wanted(record, dict(Directory.of(site).rooms))
        here.daemon.wait_for(lambda: journal.backlog("time-series") == 0, "an empty outbox to the time-series server")
        here.daemon.wait_for(
            lambda: not (journal.backlog("mqtt") or journal.backlog("mqtt-alarms")), "an empty outbox to the broker"
        )
        points_s = clock.monotonic_s()
        ends.settle(lambda: points_of(here, wanted_points, end_us))
        here.note(
            "points checked", f"{check.count_points(wanted_points)}, right {clock.monotonic_s() - points_s:.1f} s on"
        )
        retained = ends.settle(lambda: ends.retained_alarms(here.broker.port, TOPICS, check.outputs_of(journal)))
        longest_stop_s = max(longest_stop_s, here.daemon.stop())

        inputs = list(check.rows_of(journal))
        begun = configured(site)
        undisturbed = check.undisturbed(begun, inputs[0].applied_us, messages, end_us)
        lives = [life for life in here.daemon.drains() if life]
        here.note(
            "lives that drained a backlog", f"{len(lives)}, the longest backlog {max(life[0][0] for life in lives)}"
        )
        here.note("repeats recognised, at least", sum(life[-1][1] for life in lives))
        here.note("inputs on record", len(inputs))
        here.note("samples compared", len(record.samples))
        here.note("of them with later revisions", sum(len(each) > 1 for each in record.revisions.values()))
        here.note("alarm events compared", len(record.alarms))
        here.note("retained alarm states compared", retained)
        here.note("duration", f"{clock.monotonic_s() - began_s:.0f} s")

        found = [
            *check.publications(journal, messages),
            *check.samples(record, undisturbed),
            *check.alarms(record, undisturbed),
            *(f"verify: {line}" for line in journal.verify()),
            *(f"the daemon's log: {line}" for line in here.daemon.defects()),
            *(f"a dead letter: {letter}" for letter in journal.query_dead_letters()),
        ]
    assert not found, "\n".join(found)
    assert (here.daemon.kills, broker_kills) == (DAEMON_KILLS, BROKER_KILLS)
    assert time_series_kills == TIME_SERIES_KILLS
    assert longest_stop_s < 2 * STOP_S, f"a clean stop took {longest_stop_s:.1f} s"
    assert len(messages) / streamed_s >= RATE
    assert figures.again > 0, "no broker restart made the sensors send again"
    assert len(undisturbed.alarms) > 100, "the stream raises too few alarms to prove anything"


@contextmanager
def tormentors(here: Ground) -> Iterator[tuple[Future[int], Future[int]]]:
    """The servers' killers, beside the daemon's. They end when the block is left, and their servers run then."""
    with ThreadPoolExecutor(2) as pool:
        jobs = (
            pool.submit(
                kill_now_and_then, here, here.broker, BROKER_KILLS, random.Random(here.seed + 1), (3.0, 12.0), 1.0
            ),
            pool.submit(
                kill_now_and_then,
                here,
                here.time_series,
                TIME_SERIES_KILLS,
                random.Random(here.seed + 2),
                (6.0, 18.0),
                3.0,
            ),
        )
        try:
            yield jobs
        finally:
            here.over.set()


def points_of(here: Ground, wanted: check.Series, end_us: int) -> list[str] | int:
    """What is wrong with the points, or how many series there are."""
    exported = here.time_series.export(f'{{site="{SITE}"}}')
    return check.points(exported, wanted, end_us) or len(exported)
