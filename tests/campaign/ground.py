"""Everything that runs in a campaign: broker, time-series server, daemon, sinks, the lines between them, the disk.

Sensors and daemon reach the broker over a relay each, mails go over a third: so each line can be cut or go dead by
itself. The journal lies on a file system of its own where one may be mounted (root on Linux). Where there is a C
compiler, `store_faults.c` lets the daemon's writes and syncs fail on demand.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

from campaign.stream import site_dict
from motewatch.journal.journal import Journal
from motewatch.links.call_text import MAYBE_REPEAT
from motewatch.links.clock import Clock
from motewatch_simulator.demo.toml_text import toml_text
from support.crash_daemon import Daemon
from support.http_fake import Answer, FakeHttp
from support.mail import MailServer
from support.relay import Relay
from support.servers import Mosquitto, TimeSeriesServer, running

HERE: Final = Path(__file__).resolve().parent
QUEUE: Final = 2_000_000
"""Messages that the broker keeps for a daemon that is away."""

Mood = Literal["well", "slow", "refusing", "hung"]


@dataclass(slots=True)
class Hook:
    """Takes calls as its mood is, and remembers what it was sent but had not refused."""

    mood: Mood = "well"
    calls: list[tuple[str, bool]] = field(default_factory=list)
    """(call, whether it said that it may be a repeat)"""
    refused: int = 0
    woken: threading.Event = field(default_factory=threading.Event)

    def answer(self, method: str, path: str, headers: dict[str, str], body: bytes) -> Answer:
        if self.mood == "refusing":
            self.refused += 1
            return 503, b"later"
        call = json.loads(body)
        self.calls.append((plain(call["id"]), call["maybe_repeat"]))
        if self.mood == "slow":
            self.woken.wait(1.0)
        elif self.mood == "hung":
            self.woken.wait(30.0)
        return 200, b""

    @contextmanager
    def being(self, mood: Mood) -> Iterator[None]:
        """In this mood for a while."""
        self.woken.clear()
        self.mood = mood
        try:
            yield
        finally:
            self.mood = "well"
            self.woken.set()


def plain(call: str) -> str:
    """A call's id with the letters that a mail's header may have."""
    return re.sub(r"[^A-Za-z0-9]", "-", call)


@dataclass(slots=True)
class Ground:
    """See the module."""

    seed: int
    folder: Path
    disk: Path
    """Where the journal is."""
    own_disk: bool
    """It is a small file system of its own."""
    store_faults: Path | None
    """Folder whose files let the daemon's writes fail; None: no compiler."""
    broker: Mosquitto
    time_series: TimeSeriesServer
    sensors_line: Relay
    daemon_line: Relay
    hook: Hook
    mail: MailServer
    mail_line: Relay
    daemon: Daemon
    clock: Clock = field(default_factory=Clock)
    over: threading.Event = field(default_factory=threading.Event)

    @property
    def site_path(self) -> Path:
        return self.folder / "site.toml"

    @property
    def journal_path(self) -> Path:
        return self.disk / "journal.db"

    def calls(self) -> list[tuple[str, bool]]:
        """All calls that arrived anywhere, as `Hook.calls`."""
        mails = []
        for mail in self.mail.mails:
            text = mail.get_body(("plain",))
            assert text is not None
            id_ = str(mail["Message-ID"]).strip("<> ").rpartition("@")[0].rpartition(".")[0]
            mails.append((plain(id_), MAYBE_REPEAT in " ".join(text.get_content().split())))
        return [*self.hook.calls, *mails]

    def caught_up(self, journal: Journal, moment_us: int) -> bool:
        """Is all on record that came until then, and has the engine's time passed it?"""
        return (journal.engine_us() or 0) > moment_us


@contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[bool]:
    """A file system of that size at the folder, where we may make one; whether there is."""
    command = ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(folder)]
    made = os.geteuid() == 0 and subprocess.run(command, capture_output=True, check=False).returncode == 0
    try:
        yield made
    finally:
        if made:
            subprocess.run(["umount", "-l", str(folder)], check=True)


def compiled(folder: Path) -> Path | None:
    """The library of store faults, or None without a compiler."""
    compiler, library = shutil.which("cc"), folder / "store_faults.so"
    if compiler is None:
        return None
    command = [compiler, "-shared", "-fPIC", "-O1", "-o", str(library), str(HERE / "store_faults.c"), "-ldl"]
    return library if subprocess.run(command, capture_output=True, check=False).returncode == 0 else None


@contextmanager
def ground(folder: Path, seed: int, megabytes: int) -> Iterator[Ground]:
    """All of it running but the daemon."""
    places = {name: folder / name for name in ("broker", "time-series", "site", "site/disk", "faults")}
    for place in places.values():
        place.mkdir()
    site = places["site"]
    hook = Hook()
    with ExitStack() as stack:
        own_disk = stack.enter_context(small_disk(places["site/disk"], megabytes))
        settings = {"autosave_interval": 1, "sys_interval": 1, "max_queued_messages": QUEUE}
        broker = stack.enter_context(running(Mosquitto(places["broker"], settings=settings)))
        time_series = stack.enter_context(running(TimeSeriesServer(places["time-series"])))
        sensors_line, daemon_line = (stack.enter_context(Relay(broker.port)) for _ in range(2))
        http = stack.enter_context(FakeHttp(hook.answer))
        mail = stack.enter_context(MailServer())
        mail_line = stack.enter_context(Relay(mail.port))
        plan = site_dict(daemon_line.port, time_series.url, f"{http.url}/call", mail_line.port)
        plan["service"]["journal"] = "disk/journal.db"
        (site / "site.toml").write_text(toml_text(plan))
        (site / "hook.key").write_text("0123456789abcdef" * 4)
        (site / "hook.key").chmod(0o600)
        library = compiled(folder)
        loaded = {"LD_PRELOAD": str(library), "CAMPAIGN_FAULTS": str(places["faults"])} if library else None
        daemon = stack.enter_context(Daemon(site / "site.toml", loaded))
        stack.callback(hook.woken.set)
        yield Ground(
            seed=seed,
            folder=site,
            disk=places["site/disk"],
            own_disk=own_disk,
            store_faults=places["faults"] if library else None,
            broker=broker,
            time_series=time_series,
            sensors_line=sensors_line,
            daemon_line=daemon_line,
            hook=hook,
            mail=mail,
            mail_line=mail_line,
            daemon=daemon,
        )


def fill(filler: Path) -> None:
    """Take all the room there is, to the last page."""
    with filler.open("wb", buffering=0) as file:
        for size in (1 << 26, 1 << 22, 1 << 18, 1 << 12):
            with suppress(OSError):
                while True:
                    os.posix_fallocate(file.fileno(), file.seek(0, os.SEEK_END), size)
