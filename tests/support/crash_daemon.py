"""The daemon of the crash test: the real command in a process of its own, killed, stopped and started again.

One log for all its lives. That a life ended by itself is never right here: whoever notices it fails with the log's end.
"""

from __future__ import annotations

import os
import re
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

STOP_S: Final = 5.0
"""A clean stop is over within this; on a loaded machine a test allows it twice."""

_DRAINED: Final = re.compile(r" backlog drained messages=(\d+) repeats=(\d+)")
_BEGUN: Final = " engine restored "


class Daemon:
    """`motewatch serve SITE`. `kill` is kill -9. Leaving the `with` block kills what runs."""

    def __init__(self, site_path: Path, environment: Mapping[str, str] | None = None) -> None:
        self._command = [sys.executable, "-X", "faulthandler", "-m", "motewatch", "serve", str(site_path)]
        self._log_path = site_path.parent / "daemon.log"
        self._environment = {**os.environ, **(environment or {})}
        self._process: subprocess.Popen[bytes] | None = None
        self.kills = 0
        self.stops = 0

    def __enter__(self) -> Daemon:
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(20)

    def start(self, memory_kib: int | None = None) -> None:
        """Start it; it may be killed before it has read a line of its own code. `memory_kib`: a ceiling over all that
        it may map into its memory."""
        assert self._process is None
        command = self._command
        if memory_kib is not None:
            command = ["sh", "-c", f'ulimit -S -v {memory_kib} && exec "$@"', "sh", *command]
        with self._log_path.open("ab") as log:
            self._process = subprocess.Popen(
                command, cwd=self._log_path.parent, stdout=log, stderr=log, env=self._environment
            )

    def grant_memory(self, more: bool) -> None:
        """Whether the kernel grants it any more memory than it has."""
        pid = self._living().pid
        now = int(Path(f"/proc/{pid}/statm").read_text().split()[0]) * resource.getpagesize()
        resource.prlimit(pid, resource.RLIMIT_AS, (resource.RLIM_INFINITY if more else now, resource.RLIM_INFINITY))

    def kill(self) -> None:
        """SIGKILL, and wait for the end."""
        process = self._living()
        process.kill()
        process.wait(20)
        self._process = None
        self.kills += 1

    def stop(self) -> float:
        """SIGTERM; returns how many seconds the end took. It must be a clean one."""
        process = self._living()
        begun_s = time.monotonic()
        process.terminate()
        status = process.wait(60)
        self._process = None
        assert status == 0, f"a clean stop ended with {status}:\n{self.log_end()}"
        self.stops += 1
        return time.monotonic() - begun_s

    @property
    def pid(self) -> int | None:
        """Its process id while it is meant to run."""
        process = self._process
        return None if process is None else process.pid

    def signal(self, number: signal.Signals) -> None:
        """Send it a signal; it must live."""
        self._living().send_signal(number)

    def bury(self) -> int | None:
        """Its exit status where it has ended by itself (it can be started again then), None while it lives."""
        assert self._process is not None
        status = self._process.poll()
        if status is not None:
            self._process = None
        return status

    def _living(self) -> subprocess.Popen[bytes]:
        process = self._process
        assert process is not None
        assert process.poll() is None, f"the daemon ended by itself with {process.returncode}:\n{self.log_end()}"
        return process

    def log(self) -> str:
        """What all its lives have written."""
        return self._log_path.read_text(errors="replace") if self._log_path.exists() else ""

    def log_size(self) -> int:
        """How many bytes that is."""
        return self._log_path.stat().st_size if self._log_path.exists() else 0

    def log_since(self, size: int) -> str:
        """What came after so many bytes."""
        with self._log_path.open("rb") as log:
            log.seek(size)
            return log.read().decode(errors="replace")

    def log_end(self, lines: int = 30) -> str:
        """The last lines of it."""
        return "\n".join(self.log().splitlines()[-lines:])

    def defects(self, excused: Sequence[tuple[int, int]] = ()) -> list[str]:
        """Lines that no life should have written. `excused`: from which byte to which of it all may stand there."""
        bad = (" ERROR ", " CRITICAL ", "Traceback", "trace=")
        log = self._log_path.read_bytes() if self._log_path.exists() else b""
        for since, until in sorted(excused, reverse=True):
            log = log[:since] + log[until:]
        return [line for line in log.decode(errors="replace").splitlines() if any(word in line for word in bad)]

    def wait_for_drained(self) -> None:
        """Until this life (the first) has found the end of the broker's backlog."""
        self.wait_for(lambda: _DRAINED.search(self.log()), "the end of the backlog")

    def wait_for(self, condition: Callable[[], object], what: str, timeout_s: float = 60.0) -> None:
        """Until `condition()`; the daemon must live meanwhile. In vain: fails with the stacks of all its threads."""
        deadline_s = time.monotonic() + timeout_s
        while not condition():
            process = self._living()
            if time.monotonic() > deadline_s:
                process.send_signal(signal.SIGABRT)
                process.wait(20)
                raise AssertionError(f"waited {timeout_s:g} s in vain for {what}; the daemon:\n{self.log_end(80)}")
            time.sleep(0.01)

    def drains(self) -> list[list[tuple[int, int]]]:
        """For each life that came as far as its engine: messages and repeats that it had seen at each drained backlog,
        counted since its start."""
        lives: list[list[tuple[int, int]]] = []
        for line in self.log().splitlines():
            if _BEGUN in line:
                lives.append([])
            elif found := _DRAINED.search(line):
                lives[-1].append((int(found[1]), int(found[2])))
        return lives
