"""Archives by the clock: `motewatch archive` once a day in a process of its own, then the rows leave bit by bit.

The process only reads and is a patient one. Rows are let go by this one, because one process writes a journal: in
transactions of some milliseconds, each followed by a rest as long as it took, so that readings find the journal free.
Each file is put on the audit trail. A file that cannot be taken over is set aside, and the next run makes it anew.
Must not know what an archive is made of.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.engine.records import Entered
from motewatch.journal.archive_upkeep import ARCHIVED, SUBJECT, is_under_way, set_aside, untold
from motewatch.journal.archives import Manifest
from motewatch.journal.errors import JournalError, JournalUnwritableError
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import is_leaving, let_go
from motewatch.links.archives import words
from motewatch.links.clock import TimeSource
from motewatch.links.housekeeping import Job
from motewatch.service.backups import Went, last_due_us
from motewatch.service.patient import Patient
from motewatch.site.retention import Retention

_log = logging.getLogger("motewatch.archives")

LOOK_S: Final = 10.0
WORK_S: Final = 3.0
"""Rows are let go for so long at a look."""

AGAIN_S: Final = 1_800.0
"""A run that failed, or met another one, is tried again after so long."""

OTHER_S: Final = 6 * 3_600.0
"""One by hand, or one that outlived its service, is waited for so long before that is a failure."""

BY: Final = "motewatch"


class Archiving:
    """One site's. `job` is the whole work."""

    def __init__(
        self,
        settings: Retention,
        site_path: Path,
        journal: Journal,
        zone: ZoneInfo,
        enter: Callable[[Entered], object],
        clock: TimeSource,
        rest: Callable[[float], object],
        went: Went = lambda well, said: None,
        making: Patient | None = None,
    ) -> None:
        """`rest`: waits so many seconds, and says whether the service stops. `went`: hears of each run, once the rows
        that it archived have left, how it went, and why it did not. `making`: what runs the command."""
        self._settings = settings
        self._site_path = site_path.resolve()
        self._journal = journal
        self._zone = zone
        self._enter = enter
        self._clock = clock
        self._rest = rest
        self._making = making or Patient(15)
        self._done_us: int | None = None
        self._not_before_s = 0.0
        self._waited_since_s: float | None = None
        self._leaving = True
        self._went = went
        self._made = self._told = self._stopped = False

    @property
    def job(self) -> Job:
        """What the housekeeping has to do for it."""
        return Job("archives", LOOK_S, self.look)

    def look(self) -> None:
        """Begin a run that is due; tell how one went; let rows go that are archived."""
        if self._making.busy:
            self._look_after()
        elif not self._told:
            # Archived by hand without a service, or by one that ended before it could say so.
            self._told = True
            for manifest in untold(self._journal.store):
                self._tell(manifest)
        elif self._leaving:
            # At the start, too: the last run of the service may have ended in the middle.
            self._leaving = self._let_go()
        else:
            now_s, due_us = self._clock.monotonic_s(), last_due_us(self._settings.at, self._zone, self._clock.now_us())
            # After a start or a jump of the clock, too: a run may have been missed, and one too many finds nothing.
            if due_us != self._done_us and now_s >= self._not_before_s:
                self._begin(due_us, now_s)

    def stop(self, timeout_s: float = 0.3) -> None:
        """End what runs: a file that is not whole yet is made anew by the next run."""
        self._stopped = True
        self._making.stop(timeout_s)

    def _begin(self, due_us: int, now_s: float) -> None:
        if is_under_way(self._journal.store):
            if self._waited_since_s is None:
                self._waited_since_s = now_s
            if now_s - self._waited_since_s < OTHER_S:
                self._not_before_s = now_s + AGAIN_S
                _log.warning("archives are put off: another run makes files")
                return
        else:
            self._waited_since_s = None
        self._done_us = due_us
        try:
            self._making.begin("archive", str(self._site_path))
        except OSError as error:
            _log.error("archives could not be begun", extra={"detail": str(error)})
            self._failed(f"no archives could be begun: {error}")

    def _look_after(self) -> None:
        ended = self._making.ended()
        if ended is None:
            return
        status, said = ended
        self._leaving, self._made = True, status == 0
        if status:
            _log.error("archives could not be made", extra={"detail": said[-500:]})
            self._failed(said[-300:] or "no reason given")

    def _failed(self, why: str) -> None:
        """Say so, and try again later."""
        self._done_us, self._not_before_s = None, self._clock.monotonic_s() + AGAIN_S
        self._made = False
        self._enter(Entered(BY, "archive-failed", "archive", why))
        self._went(False, why)

    def _let_go(self) -> bool:
        """Whether there is more to do."""
        begun_s = last_s = self._clock.monotonic_s()

        def turn() -> bool:
            nonlocal last_s
            stopping = self._rest(self._clock.monotonic_s() - last_s)
            last_s = self._clock.monotonic_s()
            return not stopping and not self._stopped and last_s - begun_s < WORK_S

        try:
            left = let_go(self._journal.store, self._clock.now_us(), turn, self._tell)
            more = is_leaving(self._journal.store)
        except JournalUnwritableError as error:
            _log.warning("archived rows stay in the journal for now", extra={"detail": str(error)})
            return True
        except (JournalError, OSError) as error:
            _log.error("archived rows cannot leave the journal", extra={"detail": str(error)})
            # The reason last: an alarm shows the end of it.
            self._failed(f"{self._set_aside()} The reason: {str(error)[-300:]}")
            return False
        if left.rows:
            _log.info("archived rows left the journal", extra={"rows": left.rows, "files": left.files})
        if self._made and not more:
            self._made = False
            self._went(True, "")
        return more

    def _set_aside(self) -> str:
        """Whatever was wrong with a file: what is not on the register yet is made anew."""
        try:
            names = set_aside(self._journal.store)
        except (JournalError, OSError) as error:
            return f"Nothing could be set aside: {str(error)[-200:]}"
        more = f" and {len(names) - 2} more" if len(names) > 2 else ""
        return f"Set aside, to be made anew: {', '.join(names[:2])}{more}." if names else "Nothing was set aside."

    def _tell(self, manifest: Manifest) -> None:
        self._enter(Entered(BY, ARCHIVED, f"{SUBJECT}{manifest.name}", words(manifest)))
