"""One demo run: starts the parts in order, watches them, ends them in order, balances the books.

The order is the point. The sensors start when the daemon has said that it is there, because a broker keeps nothing for
a session that was never opened. They stop first, so that the daemon can take in all that they sent; the daemon stops
before the broker, so that its goodbye is heard.
"""

from __future__ import annotations

import contextlib
import json
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from motewatch.journal.errors import JournalError
from motewatch.journal.journal import Journal
from motewatch.wire.topics import Topics
from motewatch_simulator.clock import Clock
from motewatch_simulator.demo.books import SINKS, Books, Key, draw_up, recorded
from motewatch_simulator.demo.broker import DemoBroker, start_broker
from motewatch_simulator.demo.children import POLL_S, Child
from motewatch_simulator.demo.ear import Ear
from motewatch_simulator.demo.errors import ChildError, StoppedError
from motewatch_simulator.demo.options import Options
from motewatch_simulator.demo.toml_text import toml_text

READY_S: Final = 30.0
STOP_S: Final = 10.0
SETTLE_S: Final = 30.0
VERIFY_S: Final = 120.0
FOR_EVER_S: Final = 100_000_000

PYTHON: Final = (sys.executable, "-P", "-m")
"""-P: a folder that happens to be called like a module of ours must not be imported."""


class Run:
    """A context manager: leaving it ends whatever still runs."""

    def __init__(self, options: Options, folder: Path, say: Callable[[str], None], stopped: Callable[[], bool]) -> None:
        """`say` shows a line to the user; `stopped` tells that the user wants an end."""
        self.folder = folder
        self.journal = folder / "motewatch.db"
        self.site_file = folder / "site.toml"
        self._options = options
        self._say = say
        self._stopped = stopped
        self._sent = folder / "acknowledged.jsonl"
        self.truth_file = folder / "truth.jsonl"
        self._running: list[Child] = []
        self.wrong: list[str] = []
        """What went wrong outside the books."""
        self.verified = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for child in reversed(self._running):
            child.stop(STOP_S)

    def start(self, before_sensors: Callable[[], None] = lambda: None) -> None:
        """Broker, daemon, sensors. ChildError if one of them does not come up, StoppedError if the user ended it.
        `before_sensors` is called when the broker and the daemon are there."""
        broker = start_broker(self._options.broker, self.folder, self.folder)
        self._running.append(broker.child)
        self._say(f"broker    {broker.kind} on 127.0.0.1:{broker.port}")
        topics = self._write_site(broker)
        self.port = broker.port
        self.topics = topics
        with Ear(broker.port, topics.service) as ear:
            self._daemon = self._start("daemon", "motewatch", "serve", str(self.site_file))
            self._daemon.wait_until(lambda: self._stopped() or ear.online(), "say on MQTT that it is there", READY_S)
        if self._stopped():
            raise StoppedError("Ended before everything was running.")
        self._say(f"daemon    journal {self.journal}")
        before_sensors()
        story = self._options.story
        self._sensors = self._start(
            "simulator",
            "motewatch_simulator",
            "run",
            str(self.site_file),
            str(self._options.config / story.scenario),
            "--quiet",
            # Their end is ours to say, in order.
            "--seconds",
            str(FOR_EVER_S),
            "--log",
            str(self._sent),
            *(("--truth", str(self.truth_file)) if story.truth else ()),
        )
        self._say(f"sensors   simulated, of config/{story.scenario}")

    def watch(self, seconds: float | None, check: Callable[[], None]) -> None:
        """Wait for so many seconds (None: for ever) or until the user ends it. ChildError if a part ends by itself;
        `check` may raise its own."""
        deadline_s = None if seconds is None else time.monotonic() + seconds
        while not self._stopped() and (deadline_s is None or time.monotonic() < deadline_s):
            for child in self._running:
                child.check()
            check()
            time.sleep(POLL_S)

    def wind_down(self) -> None:
        """End the sensors, let the daemon take in and deliver everything, end it and the broker."""
        self._until_us = Clock().now_us()
        for child, name in ((self._sensors, "simulator"), (self._daemon, "daemon")):
            if child is self._daemon and child.status is None:
                self._settle()
            status = child.status if child.status is not None else child.stop(STOP_S)
            if status != 0:
                self.wrong.append(
                    f"the {name} did not end in {STOP_S:g} s and was killed; its log: {child.log}"
                    if status is None
                    else f"the {name} ended with status {status}; its log: {child.log}\n{child.tail()}"
                )
            self._running.remove(child)
        for child in self._running:
            child.stop(STOP_S)
        self._running.clear()

    def books(self) -> Books | None:
        """The books of the run that is over, and what `motewatch verify` finds; None without a journal."""
        try:
            with Journal.open_reader(self.journal) as journal:
                books = draw_up(self._acknowledged(), journal, self._until_us)
        except JournalError as error:
            self.wrong.append(str(error))
            return None
        verify = Child(
            "verify", [*PYTHON, "motewatch", "verify", str(self.site_file)], self.folder / "verify.log", self.folder
        )
        self.verified = verify.wait(VERIFY_S) == 0
        if not self.verified:
            self.wrong.append(f"`motewatch verify` found faults in the journal:\n{verify.tail()}")
        return books

    def _start(self, name: str, *arguments: str) -> Child:
        child = Child(name, [*PYTHON, *arguments], self.folder / f"{name}.log", self.folder)
        self._running.append(child)
        return child

    def _write_site(self, broker: DemoBroker) -> Topics:
        """The demo's copy of the site file: this broker, this journal, nothing outside."""
        site = tomllib.loads((self._options.config / self._options.story.site).read_text())
        service = site.setdefault("service", {})
        service["journal"] = str(self.journal)
        service["broker"] = {**service.get("broker", {}), "host": "127.0.0.1", "port": broker.port}
        service.pop("time_series", None)
        self.site_file.write_text(toml_text(site))
        return Topics(service.get("topic_root", "motewatch/v1"), site["site"]["id"])

    def _settle(self) -> None:
        """Wait until the daemon has all that was acknowledged and has told all that it has to tell."""
        missing = set(self._acknowledged())
        seen = 0

        def settled() -> bool:
            nonlocal seen
            with contextlib.suppress(JournalError), Journal.open_reader(self.journal) as journal:
                for row_id, key in recorded(journal, seen):
                    missing.discard(key)
                    seen = row_id
                return not missing and not any(journal.backlog(sink) for sink in SINKS)
            return False

        # What is missing after that is in the books, and the daemon's own end is reported by its status.
        with contextlib.suppress(ChildError):
            self._daemon.wait_until(settled, "finish", SETTLE_S)

    def _acknowledged(self) -> list[Key]:
        return list(_read_log(self._sent)) if self._sent.exists() else []


def _read_log(path: Path) -> Iterator[Key]:
    with path.open() as lines:
        for line in lines:
            # A simulator that was killed leaves half a line.
            with contextlib.suppress(json.JSONDecodeError):
                entry = json.loads(line)
                if entry["seq"] is not None:
                    yield Key(entry["sensor"], entry["boot"], entry["seq"])
