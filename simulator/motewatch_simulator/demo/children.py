"""Child processes of the demo: started in a session of their own, with a log file, ended by name and in order.

A session of their own, so that Ctrl-C in the terminal reaches the demo alone and it can end them in the right order.
The kernel ends them if the demo itself is killed (Linux), so that nothing is left behind.
"""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from motewatch_simulator.demo.errors import ChildError

PR_SET_PDEATHSIG: Final = 1
POLL_S: Final = 0.05


def dies_with_its_parent() -> Callable[[], None] | None:
    """For `preexec_fn`: the kernel kills the child when the demo is gone. None where the system cannot."""
    if not sys.platform.startswith("linux"):
        return None
    # Looked up here, before the fork: the child may only make the call.
    libc = ctypes.CDLL(None)
    return lambda: libc.prctl(PR_SET_PDEATHSIG, signal.SIGKILL) and None


class Child:
    """One process. `name` is for people; its output goes to `log`."""

    def __init__(self, name: str, command: Sequence[str], log: Path, directory: Path) -> None:
        self.name = name
        self.log = log
        with log.open("ab") as out:
            self._process = subprocess.Popen(
                [*command],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
                cwd=directory,
                start_new_session=True,
                preexec_fn=dies_with_its_parent(),
                env={**os.environ, "PYTHONUNBUFFERED": "1"},
            )

    @property
    def status(self) -> int | None:
        """Exit status, None while it runs. Negative: ended by that signal."""
        return self._process.poll()

    def tail(self, lines: int = 12) -> str:
        """The last lines of its log."""
        return "\n".join(self.log.read_text(errors="replace").splitlines()[-lines:])

    def failed(self, what: str) -> ChildError:
        """The error that says so, with the end of the log."""
        return ChildError(self.name, what, self.log, self.tail())

    def check(self) -> None:
        """ChildError if it has ended by itself."""
        if self.status is not None:
            raise self.failed(f"ended by itself (status {self.status})")

    def wait_until(self, condition: Callable[[], bool], what: str, timeout_s: float) -> None:
        """Wait for `condition`; ChildError if the process ends before, or when the time is up."""
        deadline = time.monotonic() + timeout_s
        while not condition():
            self.check()
            if time.monotonic() > deadline:
                raise self.failed(f"did not {what} within {timeout_s:g} s")
            time.sleep(POLL_S)

    def stop(self, timeout_s: float, number: signal.Signals = signal.SIGTERM) -> int | None:
        """Ask it to end and wait; its exit status, or None if it did not and had to be killed. Harmless when ended."""
        if self._process.poll() is None:
            self._process.send_signal(number)
        return self.wait(timeout_s)

    def wait(self, timeout_s: float) -> int | None:
        """Wait for its end; its exit status, or None if it had to be killed."""
        try:
            return self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
            return None
