"""What can go wrong with the demo itself, as one tree.

DemoError                 the demo cannot go on; the sentence says what to do
 +- NoBrokerError         no broker could be started
 +- ChildError            a process ended or hung; carries the last lines of its log
"""

from __future__ import annotations

from pathlib import Path


class DemoError(Exception):
    """The demo cannot go on."""


class NoBrokerError(DemoError):
    """No broker could be started."""


class StoppedError(DemoError):
    """Ended by a signal before everything was running."""


class ChildError(DemoError):
    """A child process ended by itself, or did not do what was waited for. `tail` is the end of its log."""

    def __init__(self, name: str, what: str, log: Path, tail: str) -> None:
        self.name = name
        self.log = log
        self.tail = tail
        last = f"\nThe last lines of {log}:\n{tail}" if tail else f"\nIts log, {log}, is empty."
        super().__init__(f"The {name} {what}.{last}")
