"""One command of motewatch at a time in a process of its own, of low priority, that never holds up readings.

Must not know what the command does.
"""

from __future__ import annotations

import subprocess
import sys


class Patient:
    """Begins, asks and ends it. Of one thread."""

    def __init__(self, niceness: int) -> None:
        self._niceness = niceness
        self._running: subprocess.Popen[str] | None = None

    @property
    def busy(self) -> bool:
        """Whether one was begun of which nobody has asked yet how it ended."""
        return self._running is not None

    def begin(self, *arguments: str) -> None:
        """Begin `motewatch ARGUMENTS`; no other may run."""
        assert self._running is None
        self._running = subprocess.Popen(
            ["nice", "-n", str(self._niceness), sys.executable, "-m", "motewatch", *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def ended(self) -> tuple[int, str] | None:
        """Exit status and what it said, once, when it has ended; else None."""
        running = self._running
        if running is None or running.poll() is None:
            return None
        self._running = None
        return running.returncode, running.communicate()[0].strip()

    def stop(self, timeout_s: float) -> None:
        """End what runs, if anything."""
        running, self._running = self._running, None
        if running is None:
            return
        running.terminate()
        try:
            running.communicate(timeout=timeout_s)
        except subprocess.TimeoutExpired:
            running.kill()
            running.communicate()
