"""Notices that memory ran out anywhere in the program, and ends it at once: what runs then is not what was built.

What for: where memory is refused, a thread that should deliver calls may not start, and whoever starts it waits for
ever; a callback loses a message; a library is half loaded. Nothing of that shows later, when there is memory again. The
service is made to be killed at any moment and started anew, so that is what is done; the service manager starts it.

Rules: heard of are exceptions that end a thread or that nobody could raise, those that end the program, and whatever is
logged with a trace; any thread may be the one that ends it. Without memory even that may go unheard, so `look` finds
what it leaves behind: a thread that never begins to run, or one of those that should run for ever and has gone.
"""

from __future__ import annotations

import errno
import logging
import os
import sys
import threading
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Final

REFUSED: Final = ("can't start new thread", "cannot allocate memory", "failed to map segment")
"""How others than Python's own allocator say it."""
SAID: Final = b"motewatch ends at once: memory ran out; it must be started anew\n"
LASTING: Final = ("broker-link", "housekeeping", "outbox-", "call/", "reports")
"""How the names begin of threads that end with the service and not before."""
LOOKS: Final = 25
"""A thread that has not begun to run after so many looks never will."""


def end() -> None:
    """Without any tidying up, as by kill -9."""
    try:
        os.write(2, SAID)
    finally:
        os._exit(1)


class MemoryWatch(logging.Handler):
    """A context manager that puts the hooks in place and takes them away. `end` is called where memory ran out."""

    def __init__(self, end: Callable[[], object] = end) -> None:
        super().__init__()
        self._end = end
        self._lasting: list[threading.Thread] = []
        self._waiting: dict[threading.Thread, int] = {}
        """How many looks ago each was started that does not run yet."""

    def begin(self) -> None:
        """All has been started: what lasts must last from now on."""
        self._lasting = [each for each in threading.enumerate() if each.name.startswith(LASTING)]

    def look(self) -> None:
        """Now and then, from the main thread, while the service runs and is not stopping."""
        self._waiting = {each: self._waiting.get(each, 0) + 1 for each in threading.enumerate() if each.ident is None}
        if not all(each.is_alive() for each in self._lasting) or LOOKS in self._waiting.values():
            self._end()

    def __enter__(self) -> MemoryWatch:
        self._before = threading.excepthook, sys.unraisablehook
        threading.excepthook = self._thread_ended
        sys.unraisablehook = self._unraisable
        logging.getLogger().addHandler(self)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        threading.excepthook, sys.unraisablehook = self._before
        logging.getLogger().removeHandler(self)
        self._look(kind, error)

    def handle(self, record: logging.LogRecord) -> bool:
        """A line of the log; without a lock, which another thread may hold for ever."""
        if record.exc_info:
            self._look(record.exc_info[0], record.exc_info[1])
        return True

    def emit(self, record: logging.LogRecord) -> None:
        """Nothing is written."""

    def _thread_ended(self, what: threading.ExceptHookArgs) -> None:
        self._look(what.exc_type, what.exc_value)
        self._before[0](what)

    def _unraisable(self, what: sys.UnraisableHookArgs) -> None:
        self._look(what.exc_type, what.exc_value)
        self._before[1](what)

    def _look(self, kind: type[BaseException] | None, error: BaseException | None) -> None:
        if kind is MemoryError or any(_of_memory(each) for each in _causes(error)):
            self._end()


def _of_memory(error: BaseException) -> bool:
    if isinstance(error, MemoryError):
        return True
    if isinstance(error, OSError) and error.errno == errno.ENOMEM:
        return True
    return isinstance(error, (RuntimeError, ImportError)) and any(words in str(error).lower() for words in REFUSED)


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    for _ in range(10):
        if error is None:
            return
        yield error
        error = error.__cause__ or error.__context__
