"""Everything that runs in a campaign: broker, time-series server, daemon, sinks, the lines between them, the disk.

Sensors and daemon reach the broker over a relay each, mails go over a third: so each line can be cut or go dead by
itself. The journal lies on a file system of its own where one may be mounted (root on Linux). Where there is a C
compiler, `store_faults.c` lets the daemon's writes and syncs fail on demand, and `host_clock.c` sets its clock off.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

from campaign.stream import site_dict
from campaign.trust import Trust
from motewatch.journal.journal import Journal
from motewatch.links.call_text import MAYBE_REPEAT
from motewatch.links.clock import Clock
from motewatch_simulator.demo.toml_text import toml_text
from support.crash_daemon import Daemon
from support.http_fake import Answer, FakeHttp
from support.mail import MailServer
from support.relay import Relay
from support.servers import Mosquitto, TimeSeriesServer, free_port, running

HERE: Final = Path(__file__).resolve().parent
QUEUE: Final = 2_000_000
"""Messages that the broker keeps for a daemon that is away."""
ROOM: Final = "16g"
"""Of the journal's file system: an upper bound, which nothing fills."""

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
    clock_file: Path | None
    """How far the daemon's host clock is off (`host_clock.c`); None: no compiler."""
    broker: Mosquitto
    trust: Trust
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

    @contextmanager
    def full_disk(self) -> Iterator[None]:
        """Meanwhile the journal's file system has no page left: it is made as small as what lies in it. (To fill it
        with something would take the machine's memory, for it lies there.)"""
        for _ in range(100):
            stat = os.statvfs(self.disk)
            used = (stat.f_blocks - stat.f_bfree) * stat.f_frsize
            if self._resize(str(used)):  # refused where more was written since
                break
        else:
            raise AssertionError("the journal's file system could not be made small")
        try:
            yield
        finally:
            assert self._resize(ROOM)

    def _resize(self, size: str) -> bool:
        command = ["mount", "-o", f"remount,size={size}", str(self.disk)]
        return subprocess.run(command, capture_output=True, check=False).returncode == 0

    def set_clock_off(self, seconds: int) -> None:
        """Set the daemon's host clock off by that much; 0: right again."""
        assert self.clock_file is not None
        with self.clock_file.open("r+b") as file:  # the same file, for it is mapped into the daemon
            file.write(seconds.to_bytes(8, sys.byteorder, signed=True))

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
def own_disk_at(folder: Path) -> Iterator[bool]:
    """A file system of its own at the folder, where we may make one; whether there is. It lies in memory, and takes as
    much of it as is written."""
    command = ["mount", "-t", "tmpfs", "-o", f"size={ROOM}", "tmpfs", str(folder)]
    made = os.geteuid() == 0 and subprocess.run(command, capture_output=True, check=False).returncode == 0
    try:
        yield made
    finally:
        if made:
            subprocess.run(["umount", "-l", str(folder)], check=True)


def compiled(folder: Path, name: str) -> Path | None:
    """The library that is made of this source, or None without a compiler."""
    compiler, library = shutil.which("cc"), folder / f"{name}.so"
    if compiler is None:
        return None
    command = [compiler, "-shared", "-fPIC", "-O1", "-o", str(library), str(HERE / f"{name}.c"), "-ldl"]
    return library if subprocess.run(command, capture_output=True, check=False).returncode == 0 else None


@contextmanager
def ground(folder: Path, seed: int) -> Iterator[Ground]:
    """All of it running but the daemon."""
    places = {name: folder / name for name in ("broker", "time-series", "site", "site/disk", "faults")}
    for place in places.values():
        place.mkdir()
    site = places["site"]
    hook = Hook()
    with ExitStack() as stack:
        own_disk = stack.enter_context(own_disk_at(places["site/disk"]))
        settings = {"autosave_interval": 1, "sys_interval": 1, "max_queued_messages": QUEUE}
        trust = Trust(places["broker"], site)
        tls_port = free_port()
        broker = stack.enter_context(
            running(
                Mosquitto(
                    places["broker"],
                    settings=settings,
                    certificates=trust.files,
                    tls_port=tls_port,
                    ask_certificate=True,
                )
            )
        )
        time_series = stack.enter_context(running(TimeSeriesServer(places["time-series"])))
        sensors_line, daemon_line = (stack.enter_context(Relay(port)) for port in (broker.port, tls_port))
        http = stack.enter_context(FakeHttp(hook.answer))
        mail = stack.enter_context(MailServer())
        mail_line = stack.enter_context(Relay(mail.port))
        plan = site_dict(daemon_line.port, time_series.url, f"{http.url}/call", mail_line.port)
        plan["service"]["journal"] = "disk/journal.db"
        plan["service"]["broker"] |= trust.settings
        (site / "site.toml").write_text(toml_text(plan))
        (site / "hook.key").write_text("0123456789abcdef" * 4)
        (site / "hook.key").chmod(0o600)
        clock_file = folder / "clock"
        clock_file.write_bytes(bytes(8))
        store, clock = compiled(folder, "store_faults"), compiled(folder, "host_clock")
        loaded = {
            "LD_PRELOAD": ":".join(str(library) for library in (store, clock) if library),
            "CAMPAIGN_FAULTS": str(places["faults"]),
            "CAMPAIGN_CLOCK": str(clock_file),
        }
        daemon = stack.enter_context(Daemon(site / "site.toml", loaded))
        stack.callback(hook.woken.set)
        yield Ground(
            seed=seed,
            folder=site,
            disk=places["site/disk"],
            own_disk=own_disk,
            store_faults=places["faults"] if store else None,
            clock_file=clock_file if clock else None,
            broker=broker,
            trust=trust,
            time_series=time_series,
            sensors_line=sensors_line,
            daemon_line=daemon_line,
            hook=hook,
            mail=mail,
            mail_line=mail_line,
            daemon=daemon,
        )
