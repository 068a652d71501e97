"""Commits a batch, and again, until the store takes it.

What for: a full disk, a failing or read-only one, a journal that another program holds. The batch at hand is kept and
tried again; nobody hears of it before it is on record, because acknowledgements, outbox and answers all come after the
commit. So the engine is ahead of the record by this one batch and no more: it takes in nothing until the batch is
written, and if the process ends instead, the next one begins from the record.

Rules: for the writer's thread; `trouble` and `tried_s` may be read by any. What is wrong is said at once to `tell`,
which must not need the disk, and in the log at once and then once a minute. A damaged journal and a defect are no
troubles to wait for: they raise as ever.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

from motewatch.engine.records import RecordHeldUp
from motewatch.journal.errors import JournalUnwritableError
from motewatch.journal.rows import Batch
from motewatch.links.clock import TimeSource

_log = logging.getLogger("motewatch.writer")

FIRST_PAUSE_S: Final = 0.25
LONGEST_PAUSE_S: Final = 5.0
LOG_S: Final = 60.0


class Committer(Protocol):
    """What is needed of the journal."""

    def commit(self, batch: Batch) -> list[int]: ...


@dataclass(slots=True)
class StoreWatch:
    """See the module. `stopping` ends the waiting: then the error is raised."""

    journal: Committer
    clock: TimeSource
    stopping: threading.Event
    tell: Callable[[str], object]
    pause_s: float = FIRST_PAUSE_S
    trouble: str = ""
    """Why the record cannot be written just now; empty where it can."""
    tried_s: float = 0.0
    """When it was last tried in vain, on the monotonic clock."""

    def commit(self, batch: Batch) -> RecordHeldUp | None:
        """Write the batch, however long that takes; what held it up, if anything did.

        Raises `JournalUnwritableError` when asked to stop meanwhile, and at once whatever waiting cannot mend.
        """
        try:
            self.journal.commit(batch)
        except JournalUnwritableError as error:
            return self._hold_out(batch, error)
        return None

    def _hold_out(self, batch: Batch, error: JournalUnwritableError) -> RecordHeldUp:
        since_us, logged_s = self.clock.now_us(), self.clock.monotonic_s()
        first = _reason(error)
        _log.error("the record cannot be written; nothing is acknowledged until it can", extra={"detail": first})
        pause_s = self.pause_s
        while True:
            # Said before each try, for a try may hang: and again, because a broker may have lost what it was told.
            self.trouble, self.tried_s = f"the record cannot be written: {_reason(error)}", self.clock.monotonic_s()
            self.tell(self.trouble)
            if self.stopping.wait(pause_s):
                raise error
            try:
                self.journal.commit(batch)
                break
            except JournalUnwritableError as again:
                error = again
            pause_s = min(LONGEST_PAUSE_S, pause_s * 2)
            if self.clock.monotonic_s() >= logged_s + LOG_S:
                logged_s = self.clock.monotonic_s()
                _log.error("the record still cannot be written", extra={"detail": _reason(error)})
        until_us = max(since_us, self.clock.now_us())
        self.trouble = ""
        self.tell("")
        lasted_s = round((until_us - since_us) / 1_000_000, 1)
        _log.warning("the record is written again", extra={"after_s": lasted_s, "detail": first})
        return RecordHeldUp(since_us, until_us, first)


def _reason(error: JournalUnwritableError) -> str:
    """The first sentence of it, without the path: it goes out of the house."""
    return str(error).removeprefix(f"{error.path}: ").partition(". ")[0].rstrip(".")
