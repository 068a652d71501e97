"""The whole service for tests: a small site as a file, its messages, the service in this process or in its own.

`live_site` is a facility whose samples come within a second or two: `spot-1` (grade A) takes each reading as a sample,
`bench-1` has periods of two seconds, `cart` is where the portable sensor stands. `Program` is the real command in a
process of its own; for the service in this process there is `motewatch.service.Service`, with `ShiftedClock` where time
has to pass without waiting for it.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from motewatch.engine.records import AlarmChanged
from motewatch.journal.errors import JournalOpenError
from motewatch.journal.journal import Journal
from motewatch.links.clock import Clock
from motewatch.measure.samples import Sample
from motewatch.service import Service
from motewatch.wire.records import MINUTE_US, SECOND_US
from motewatch.wire.topics import Topics
from support.command_line import write_site
from support.mqtt_peer import Peer
from support.servers import wait_until
from support.writer_bench import count_payload

TOPICS = Topics("motewatch/v1", "testing")
EVERYTHING = "motewatch/v1/testing/#"
ACTION = "location/spot-1/0.5um/action"
PERIOD_US = 2 * SECOND_US
ABOVE = (100, 0)
"""In a minute's air 3 534 particles per m3: above the 3 520 of grade A."""

STOP_S = 5.0
"""SIGTERM ends the service within this."""

T = TypeVar("T")


def live_site(broker: dict[str, Any], time_series: dict[str, Any] | None = None, **service: Any) -> dict[str, Any]:
    """The site; keywords change its `[service]` table.

    Minutes of air may end whenever a test likes: sensors' clocks are trusted as far as two minutes.
    """
    more = {} if time_series is None else {"time_series": time_series}
    return {
        "format": 1,
        "site": {"id": "testing", "name": "Testing ground", "time_zone": "UTC"},
        "service": {
            "journal": "journal.db",
            "clock_tolerance_s": 120.0,
            "broker": {"host": "127.0.0.1", **broker},
            **more,
            **service,
        },
        "areas": [{"id": "north", "name": "North wing"}],
        "rooms": [
            {"id": "fill", "name": "Filling", "area": "north", "grade": "A"},
            {"id": "prep", "name": "Preparation", "area": "north", "iso_class": 7},
        ],
        "programmes": [
            {"id": "direct", "sample": "each-reading", "settle_s": 0.5},
            {"id": "short", "period_s": 2.0, "settle_s": 0.5, "insufficient_after": 5},
        ],
        "locations": [
            {"id": "spot-1", "name": "Needle side", "room": "fill", "programme": "direct"},
            {"id": "bench-1", "name": "Bench", "room": "prep", "programme": "short"},
            {"id": "cart", "name": "Cart", "room": "prep", "programme": "direct"},
        ],
        "sensors": [
            _sensor("pc-1", location="spot-1", interval_s=60.0, silent_after_s=3600.0),
            _sensor("pc-2", location="bench-1", interval_s=0.5, silent_after_s=30.0),
            _sensor("hand-1", kind="portable"),
        ],
    }


def _sensor(id_: str, **more: Any) -> dict[str, Any]:
    return {"id": id_, "serial": f"S-{id_}", "sizes_um": [0.5, 5.0], "flow_l_min": 28.3, **more}


class ShiftedClock(Clock):
    """The host's clock, ahead by `shift_s`: a service that is started with it wakes up so much later."""

    def __init__(self, shift_s: float = 0.0) -> None:
        self._shift_us = round(shift_s * SECOND_US)

    def now_us(self) -> int:
        return super().now_us() + self._shift_us


def now_us() -> int:
    """The host's clock."""
    return Clock().now_us()


def soon(site: dict[str, Any]) -> ShiftedClock:
    """A clock that is ahead so that a full minute comes in two seconds; the test calls are made then."""
    minute_us = (now_us() // MINUTE_US + 1) * MINUTE_US
    at = datetime.fromtimestamp(minute_us / SECOND_US, UTC)
    site["callout"]["test_calls"] = {"at": f"{at:%a %H:%M}", "confirm_within_h": 1}
    return ShiftedClock((minute_us - 2 * SECOND_US - now_us()) / SECOND_US)


def spot(seq: int, counts: tuple[int, int] = (0, 0), end_us: int | None = None, **changes: Any) -> tuple[str, bytes]:
    """Topic and bytes of one minute of air at `spot-1`, ending now unless said otherwise."""
    end_us = now_us() if end_us is None else end_us
    return TOPICS.counts("pc-1"), count_payload("pc-1", seq, end_us, counts, 60.0, **changes)


def bench(seq: int, end_us: int, counts: tuple[int, int] = (0, 0)) -> tuple[str, bytes]:
    """Topic and bytes of half a second of air at `bench-1`."""
    return TOPICS.counts("pc-2"), count_payload("pc-2", seq, end_us, counts, 0.5)


def command(id_: str, word: str, **more: Any) -> bytes:
    """Bytes of a command."""
    return json.dumps({"v": 1, "id": id_, "command": word, "by": "ada", **more}).encode()


@contextmanager
def serving(folder: Path, site: dict[str, Any], clock: Clock | None = None) -> Iterator[Service]:
    """The service in this process on that site, its backlog drained; stopped at the end."""
    with Service(write_site(folder, site), clock) as service:
        assert service.writer.drained.wait(20), "the end of the broker's backlog was not seen"
        yield service


@contextmanager
def journal_of(folder: Path) -> Iterator[Journal]:
    """The journal of `live_site` for questions, beside the service."""
    with Journal.open_reader(folder / "journal.db") as journal:
        yield journal


def ask(folder: Path, question: Callable[[Journal], T]) -> T | None:
    """One question to the journal; None while there is none yet."""
    try:
        with journal_of(folder) as journal:
            return question(journal)
    except JournalOpenError:
        return None


def standing(folder: Path) -> list[str]:
    """Ids of the standing alarms on record."""
    return sorted(alarm.alarm for alarm in ask(folder, lambda journal: journal.standing_alarms()) or [])


def steps(folder: Path, alarm: str) -> list[AlarmChanged]:
    """The steps of one alarm on record."""
    return ask(folder, lambda journal: journal.query_alarm_events(alarm)) or []


def revisions(folder: Path, location: str) -> list[Sample]:
    """All revisions of a location's samples on record."""
    return ask(folder, lambda journal: journal.query_samples(location, all_revisions=True, limit=100_000)) or []


def readings(folder: Path) -> list[tuple[str, str, int]]:
    """The readings on record: (sensor, boot, sequence), in the order of the record."""

    def of(journal: Journal) -> list[tuple[str, str, int]]:
        found, last = [], 0
        while page := journal.inputs_after(last, 5_000):
            last = page[-1].id
            for row in page:
                if row.sensor is not None and row.boot is not None and row.seq is not None:
                    found.append((row.sensor, row.boot, row.seq))
        return found

    return ask(folder, of) or []


def said(peer: Peer, topic: str, number: int = 1) -> list[dict[str, Any]]:
    """At least `number` messages on the topic, as plain values."""
    return [json.loads(message.payload) for message in peer.wait_for(number, topic)]


def until_said(peer: Peer, topic: str, condition: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
    """The first message on the topic for which the condition holds."""

    def look() -> dict[str, Any] | None:
        plain = [json.loads(message.payload) for message in peer.heard(topic)]
        return next((one for one in plain if condition(one)), None)

    found: dict[str, Any] = wait_until(look, f"a certain message on {topic}")
    return found


class Program:
    """`motewatch serve SITE` as a process. Leaving the `with` block kills it if it still runs."""

    def __init__(self, site_path: Path, level: str = "info", environment: Mapping[str, str] | None = None) -> None:
        self.site_path = site_path
        self._environment = None if environment is None else {**os.environ, **environment}
        self._command = [sys.executable, "-m", "motewatch", "serve", str(site_path), "--log-level", level]
        self._log_path = site_path.parent / "program.log"
        self._process: subprocess.Popen[bytes] | None = None
        self._from = 0
        self._expects_broker = True

    @classmethod
    def not_drained(cls, site_path: Path, level: str = "info") -> Program:
        """One that will not find its broker: entering does not wait for that."""
        made = cls(site_path, level)
        made._expects_broker = False
        return made

    def __enter__(self) -> Program:
        self.start(drained=self._expects_broker)
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(20)

    def start(self, *, drained: bool = True) -> None:
        """Start it, and wait until it has found the end of the broker's backlog, unless told not to."""
        assert self._process is None
        self._from = len(self.log())
        with self._log_path.open("ab") as log:
            self._process = subprocess.Popen(self._command, stdout=log, stderr=log, env=self._environment)
        if drained:
            self.wait_for_line("broker drained")

    def wait_for_line(self, part: str) -> str:
        """The first line of this life that holds `part`."""

        def look() -> str | None:
            found = next((line for line in self.log()[self._from :].splitlines() if part in line), None)
            if found is None and self._process is not None and self._process.poll() is not None:
                raise AssertionError(f"it ended with {self._process.returncode} before it said '{part}':\n{self.log()}")
            return found

        line: str = wait_until(look, f"'{part}' in the log:\n{self.log()}", 30)
        return line

    def signal(self, number: signal.Signals) -> None:
        """Send a signal."""
        assert self._process is not None
        self._process.send_signal(number)

    def stop(self) -> float:
        """SIGTERM; the seconds until it had ended. Anything but status 0 is a failure."""
        begun_s = time.monotonic()
        self.signal(signal.SIGTERM)
        status = self.wait()
        assert status == 0, f"status {status}:\n{self.log()}"
        return time.monotonic() - begun_s

    def wait(self, timeout_s: float = 30.0) -> int:
        """Until it ends by itself; the exit status."""
        assert self._process is not None
        status = self._process.wait(timeout_s)
        self._process = None
        return status

    def kill(self) -> None:
        """SIGKILL, and wait for the end."""
        self.signal(signal.SIGKILL)
        self.wait()

    @property
    def pid(self) -> int:
        """Its process id."""
        assert self._process is not None
        return self._process.pid

    @property
    def running(self) -> bool:
        """Whether it lives."""
        return self._process is not None and self._process.poll() is None

    def log(self) -> str:
        """What all its lives have written."""
        return self._log_path.read_text(errors="replace") if self._log_path.exists() else ""


def refuses(site_path: Path) -> str:
    """What the command says on standard error when it will not start; it must end with status 1 and no traceback."""
    done = subprocess.run(
        [sys.executable, "-m", "motewatch", "serve", str(site_path)], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr
    assert "trace=" not in done.stderr
    return done.stderr
