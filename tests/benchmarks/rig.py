"""What the pipeline benchmarks stand on: a broker, the daemon as a process of its own, and load that fits its site.

Linux only (`/proc`). Everything lives in a temporary folder; nothing here asserts a time.
"""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from motewatch.service import Service
from motewatch_simulator import load
from motewatch_simulator.clock import Clock
from motewatch_simulator.lean import LeanPublisher, Parcel
from support.servers import Mosquitto, TimeSeriesServer, running, wait_until

CLOCK = Clock()
TOPICS = load.LoadPlan(1, 1, 0, "").topics
SECOND_US = 1_000_000

_SERVE = """
import json, sys, threading
from pathlib import Path
from motewatch.service import run

def name_threads():
    while True:
        names = {thread.native_id: thread.name for thread in threading.enumerate()}
        Path("threads.new").write_text(json.dumps(names))
        Path("threads.new").replace("threads.json")
        threading.Event().wait(1.0)

threading.Thread(target=name_threads, daemon=True).start()
sys.exit(run(Path(sys.argv[1])))
"""
"""The program, and the names of its threads, so that processor time can be told apart."""


class _ClockBehind:
    """A wall clock that is so many microseconds behind."""

    def __init__(self, behind_us: int) -> None:
        self._behind_us = behind_us

    def now_us(self) -> int:
        return CLOCK.now_us() - self._behind_us

    def monotonic_s(self) -> float:
        return CLOCK.monotonic_s()


CLIMATE = """
[rooms.climate.temperature]
low_c = 17.0
high_c = 23.0
[rooms.climate.humidity]
high_pct = 60.0
[rooms.climate.pressure_difference]
low_pa = 5.0
"""
"""Bounds that the load never leaves: they are looked at for every reading, as on a real site."""


class Daemon:
    """`motewatch serve` in a process of its own."""

    def __init__(self, directory: Path, site: str) -> None:
        self.directory = directory
        self.site_path = directory / "site.toml"
        self.site_path.write_text(site)
        self.log_path = directory / "daemon.log"
        self._process: subprocess.Popen[bytes] | None = None
        self.threads: dict[str, float] = {}
        """By name, the share of one core that its threads took while it was measured."""

    def start(self) -> None:
        """Start it; it connects by itself."""
        with self.log_path.open("ab") as log:
            command = [sys.executable, "-c", _SERVE, str(self.site_path)]
            self._process = subprocess.Popen(command, stdout=log, stderr=log, cwd=self.directory)

    def run_in_the_past(self, ago_s: float) -> None:
        """Run it once, shortly, as if that had been so long ago: journal and session are those of an outage since."""
        with Service(self.site_path, _ClockBehind(round(ago_s * SECOND_US))) as service:
            if not service.writer.drained.wait(30):
                raise RuntimeError("the daemon found no end of its backlog")

    def wait_drained(self, times: int = 1) -> None:
        """Until it has found the end of its backlog so many times since the first start."""
        wait_until(lambda: self.alive and self.log().count("event=drained") >= times, "the daemon drained", 60)

    def stop(self) -> None:
        """SIGTERM, and wait for its end."""
        process, self._process = self._process, None
        if process is not None:
            process.send_signal(signal.SIGTERM)
            if process.wait(30):
                raise RuntimeError(f"the daemon ended with {process.returncode}:\n{self.log()}")

    def kill(self) -> None:
        """Make sure that it is gone."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(30)

    def log(self) -> str:
        """What it has logged."""
        return self.log_path.read_text(errors="replace")

    @property
    def alive(self) -> bool:
        """Still running; RuntimeError with its log when it ended by itself."""
        if self._process is None or self._process.poll() is not None:
            raise RuntimeError(f"the daemon is not running:\n{self.log()[-4000:]}")
        return True

    @property
    def pid(self) -> int:
        """Its process id."""
        assert self._process is not None
        return self._process.pid

    def cpu_s(self) -> float:
        """Processor time that it has used so far, user and system."""
        return _cpu_s(Path(f"/proc/{self.pid}/stat"))

    def cpu_by_thread(self) -> dict[int, float]:
        """The same for each thread that lives, by its number."""
        found = {}
        for each in Path(f"/proc/{self.pid}/task").iterdir():
            with suppress(OSError):
                found[int(each.name)] = _cpu_s(each / "stat")
        return found

    def names_of_threads(self) -> dict[int, str]:
        """What they are called, as of the last second."""
        names: dict[str, str] = json.loads((self.directory / "threads.json").read_text())
        return {int(number): name for number, name in names.items()}

    def memory_mb(self) -> tuple[float, float]:
        """Resident memory now and at its most, in MB (10^6 bytes)."""
        found = {}
        for line in Path(f"/proc/{self.pid}/status").read_text().splitlines():
            key, _, value = line.partition(":")
            if key in ("VmRSS", "VmHWM"):
                found[key] = int(value.split()[0]) * 1024 / 1e6
        return found["VmRSS"], found["VmHWM"]


def _cpu_s(stat: Path) -> float:
    fields = stat.read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class Record:
    """The daemon's journal, looked into from outside: a few index look-ups, cheap enough to poll."""

    def __init__(self, daemon: Daemon) -> None:
        self._connection = sqlite3.connect(f"file:{daemon.directory / 'motewatch.db'}?mode=ro", uri=True)

    def ask(self, question: str) -> int:
        """The single number that a query gives; 0 for NULL."""
        (answer,) = self._connection.execute(question).fetchone()
        return int(answer or 0)

    def last_input(self) -> int:
        """Id of the newest input."""
        return self.ask("SELECT max(id) FROM inputs")

    def last_sample(self) -> int:
        """Output id of the newest sample."""
        return self.ask("SELECT max(output_id) FROM samples")

    def waiting(self) -> bool:
        """Does any outbox row wait?"""
        return bool(self.ask("SELECT exists(SELECT 1 FROM outbox WHERE delivered_us IS NULL)"))

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()


@dataclass
class Rig:
    """A running broker, and a daemon that is not started yet."""

    broker: Mosquitto
    daemon: Daemon
    directory: Path


@contextmanager
def rig(
    sensors: int, *, interval_s: float, each_reading: bool, time_series: bool, direct_every: int = 1
) -> Iterator[Rig]:
    """A site of so many sensors with 60 s periods (or each reading a sample), climate bounds, and its broker.

    With `each_reading`, only every `direct_every`-th location takes each reading as a sample; the others have periods.
    """
    with TemporaryDirectory(prefix="motewatch-bench-") as name:
        directory = Path(name)
        (directory / "ts").mkdir()
        with running(Mosquitto(directory)) as broker:
            series = TimeSeriesServer(directory / "ts") if time_series else None
            try:
                if series is not None:
                    series.start()
                site = load.site_text(
                    sensors,
                    interval_s=interval_s,
                    each_reading=each_reading,
                    port=broker.port,
                    time_series_url=None if series is None else series.url,
                )
                if each_reading and direct_every > 1:
                    site = _mixed(site, sensors, direct_every)
                daemon = Daemon(directory, site.replace('area = "all"\n\n', f'area = "all"\n{CLIMATE}\n'))
                try:
                    yield Rig(broker, daemon, directory)
                finally:
                    daemon.kill()
            finally:
                if series is not None:
                    series.kill()


def _mixed(site: str, sensors: int, direct_every: int) -> str:
    """The site with a second programme, of 60 s periods, for all but every n-th location."""
    site = site.replace("[[programmes]]", '[[programmes]]\nid = "periods"\nperiod_s = 60\n\n[[programmes]]', 1)
    for index in range(sensors):
        if index % direct_every:
            name = f'name = "Location {index + 1}"\n'
            head, tail = site.split(name, 1)
            site = head + name + tail.replace('programme = "load"', 'programme = "periods"', 1)
    return site


def plan(sensors: int, interval_s: float, start_us: int) -> load.LoadPlan:
    """Readings of so many sensors from `start_us` on; each is beyond the levels for 5 of 200 readings."""
    return load.LoadPlan(sensors, round(interval_s * SECOND_US), start_us, f"bench-{start_us}", topics=TOPICS)


def preload(broker: Mosquitto, made: load.LoadPlan, messages: int) -> None:
    """Publish a backlog, and wait until the broker has all of it."""
    publisher = LeanPublisher("127.0.0.1", broker.port, "bench-load", CLOCK, acknowledged=_nothing)
    result = load.publish(made, publisher, CLOCK, threading.Event(), rate=None, messages=messages)
    if result.acknowledged != messages or result.refused:
        raise RuntimeError(f"the backlog is not complete: {result}")


def publish_live(
    broker: Mosquitto, made: load.LoadPlan, until_us: int, sent: dict[tuple[str, int], Parcel] | None = None
) -> int:
    """Publish each reading when it ends, up to an instant. Returns how many; notes them in `sent` by sensor and end."""
    publisher = LeanPublisher("127.0.0.1", broker.port, "bench-load", CLOCK, acknowledged=_nothing)
    count = 0
    for parcel in load.parcels(made):
        tag = parcel.tag
        assert isinstance(tag, load.Tag)
        if tag.end_us > until_us:
            break
        while (left_us := tag.end_us - CLOCK.now_us()) > 0:
            publisher.pump(0.0)
            threading.Event().wait(min(0.002, left_us / SECOND_US))
        publisher.put(parcel)
        count += 1
        if sent is not None:
            sent[(tag.sensor, tag.end_us)] = parcel
    while publisher.waiting:
        publisher.pump(0.01)
    publisher.close()
    return count


def _nothing(parcel: Parcel) -> None:
    return None
