"""One command of motewatch at a time in a process of its own, of low priority, that never holds up readings.

What it prints goes to a file without a name: a pipe that nobody reads would stop it once it is full. Must not know what
the command does.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from typing import IO, Final

MOTEWATCH: Final = (sys.executable, "-m", "motewatch")

SAID: Final = 4_000
"""So many bytes at the end of what it printed are handed on."""


@dataclass(frozen=True, slots=True)
class _Running:
    process: subprocess.Popen[bytes]
    output: IO[bytes]


class Patient:
    """Begins, asks and ends it. Of one thread."""

    def __init__(self, niceness: int, program: Sequence[str] = MOTEWATCH) -> None:
        self._nice = ["nice", "-n", str(niceness), *program]
        self._running: _Running | None = None

    @property
    def busy(self) -> bool:
        """Whether one was begun of which nobody has asked yet how it ended."""
        return self._running is not None

    def begin(self, *arguments: str) -> None:
        """Begin `motewatch ARGUMENTS`; no other may run."""
        assert self._running is None
        output = tempfile.TemporaryFile()  # noqa: SIM115 closed when the command has ended
        try:
            process = subprocess.Popen([*self._nice, *arguments], stdout=output, stderr=subprocess.STDOUT)
        except BaseException:
            output.close()
            raise
        self._running = _Running(process, output)

    def ended(self) -> tuple[int, str] | None:
        """Exit status and the end of what it said, once, when it has ended; else None."""
        running = self._running
        if running is None or running.process.poll() is None:
            return None
        self._running = None
        with running.output as output:
            output.seek(max(0, output.seek(0, 2) - SAID))
            return running.process.returncode, output.read().decode("utf-8", "replace").strip()

    def stop(self, timeout_s: float) -> None:
        """End what runs, if anything."""
        running, self._running = self._running, None
        if running is None:
            return
        running.process.terminate()
        try:
            running.process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            running.process.kill()
            running.process.wait()
        running.output.close()
