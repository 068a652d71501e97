"""A piece of work in a thread that can be left behind: for what may hang where no time-out reaches, such as a look-up
of a name.

Rules: whoever waits is held for no longer than the time allowed, whatever the work does; only so many pieces of one
kind may hang at once. The work must not touch what its caller closes.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from motewatch.links.clock import TimeSource

MOST_HANGING: Final = 4
LOOK_S: Final = 0.05
"""How often the one who waits looks whether waiting still makes sense."""


class LeftBehindError(Exception):
    """The work did not end in time and goes on by itself."""


class TooManyHangError(Exception):
    """Earlier pieces of work have not ended yet, so this one was not begun. `hanging` says how many."""

    def __init__(self, hanging: int) -> None:
        self.hanging = hanging
        super().__init__(f"{hanging} earlier ones still hang")


class WorkExitedError(Exception):
    """The work wanted to end the program, such as by `sys.exit`."""


class StopWaitingError(Exception):
    """There is no time left to wait for the work; it goes on by itself."""


@dataclass(slots=True)
class _Attempt:
    work: Callable[[], None]
    over: threading.Event = field(default_factory=threading.Event)
    error: Exception | None = None

    def run(self) -> None:
        try:
            self.work()
        except Exception as error:
            self.error = error
        except BaseException as error:
            # A library that exits ends its own try, and not the thread of whoever waits for it. Not chained: its text
            # may hold what was sent.
            self.error = WorkExitedError(type(error).__name__)
        finally:
            self.over.set()


class Attempts:
    """Runs pieces of work of one kind. From any thread; pieces that begin at the same instant may be one too many."""

    def __init__(self, name: str, clock: TimeSource) -> None:
        self._name = name
        self._clock = clock
        self._lock = threading.Lock()
        self._left: list[threading.Thread] = []

    @property
    def hanging(self) -> int:
        """How many have not ended."""
        with self._lock:
            self._left = [each for each in self._left if each.is_alive()]
            return len(self._left)

    def run(self, work: Callable[[], None], timeout_s: float, give_way: Callable[[], bool]) -> None:
        """Do the work; what it raises is raised here.

        Raises `LeftBehindError` after `timeout_s`, `StopWaitingError` as soon as `give_way` says so, and
        `TooManyHangError` without having begun.
        """
        hanging = self.hanging
        if hanging >= MOST_HANGING:
            raise TooManyHangError(hanging)
        attempt = _Attempt(work)
        thread = threading.Thread(target=attempt.run, name=self._name, daemon=True)
        deadline_s = self._clock.monotonic_s() + timeout_s
        thread.start()
        while not attempt.over.wait(LOOK_S):
            if give_way():
                self._leave(thread)
                raise StopWaitingError
            if self._clock.monotonic_s() >= deadline_s:
                self._leave(thread)
                raise LeftBehindError
        thread.join()
        if attempt.error is not None:
            raise attempt.error

    def _leave(self, thread: threading.Thread) -> None:
        with self._lock:
            self._left.append(thread)
