"""Backups by the clock: `motewatch backup` once a day, in a process of its own, and the oldest let go.

In a process of its own, and a patient one, because checking the copy keeps a processor busy for minutes, and readings
must not wait for that. It is told what time it is, because this one may not believe the machine's clock. A backup dated
after now, made while the clock was wrong, is neither counted nor removed. How each went is put on the audit trail. Must
not know what is in a backup.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.engine.records import Entered
from motewatch.links.backup import how_made, remove_oldest, remove_unfinished, scheduled, scheduled_name
from motewatch.links.backup_age import newest_backup
from motewatch.links.clock import TimeSource
from motewatch.links.housekeeping import Job
from motewatch.service.patient import Patient
from motewatch.site.backup import Backup
from motewatch.site.instants import instant, instant_us

_log = logging.getLogger("motewatch.backups")

LOOK_S: Final = 20.0
AGAIN_S: Final = 1_800.0
"""One that failed is tried again after so long."""

BY: Final = "motewatch"

Went = Callable[[bool, str], object]
"""(did it go well, what was said of it)"""


class Backups:
    """One site's. `job` is the whole work."""

    def __init__(
        self,
        settings: Backup,
        site_path: Path,
        site: str,
        zone: ZoneInfo,
        enter: Callable[[Entered], object],
        clock: TimeSource,
        went: Went = lambda well, said: None,
    ) -> None:
        """`went`: hears how each one went, and why it did not."""
        self._settings = settings
        self._site_path = site_path.resolve()
        self._folder = self._site_path.parent / settings.folder
        self._site = site
        self._zone = zone
        self._enter = enter
        self._clock = clock
        self._went = went
        self._making = Patient(10)
        self._target = self._folder
        self._not_before_s = 0.0

    @property
    def job(self) -> Job:
        """What the housekeeping has to do for it."""
        return Job("backup", LOOK_S, self.look)

    def look(self) -> None:
        """Begin one that is due; tell how one went that has ended."""
        if self._making.busy:
            self._look_after()
            return
        if self._clock.monotonic_s() < self._not_before_s:
            return
        now_us = self._clock.now_us()
        self._target = self._folder / scheduled_name(self._site, now_us)
        try:
            newest_us = newest_backup(self._folder, self._site, now_us)
            if newest_us is not None and newest_us >= last_due_us(self._settings.at, self._zone, now_us):
                return
            remove_unfinished(self._folder, self._site)
            self._making.begin("backup", str(self._site_path), str(self._target), "--at", instant(now_us).isoformat())
        except OSError as error:
            # A folder that cannot be looked at, too: nobody knows what is in it, and each look would make another.
            self._failed(f"no backup could be begun: {error}. The service must be able to read and write there.")
            return
        _log.info("backup begun", extra={"target": str(self._target)})

    def stop(self, timeout_s: float = 0.3) -> None:
        """End one that runs: what it has made so far is no backup and will not be taken for one."""
        self._making.stop(timeout_s)

    def _look_after(self) -> None:
        ended = self._making.ended()
        if ended is None:
            return
        status, said = ended
        if status == 0:
            self._went(True, "")
            how, removed = how_made(self._target), self._removed()
            _log.info("backup made", extra={"target": str(self._target), "detail": removed})
            self._enter(Entered(BY, "backup", f"backup/{self._target.name}", f"{how}{removed}"))
        else:
            self._failed(said)

    def _removed(self) -> str:
        """Let the oldest go; in words, which did and which did not."""
        now_us, said = self._clock.now_us(), ""
        try:
            gone = remove_oldest(self._folder, self._site, self._settings.keep, now_us)
            if gone:
                said = f"; {len(gone)} of the oldest removed"
        except OSError as error:
            _log.error("the oldest backup could not be removed", extra={"detail": str(error)})
            said = f"; the oldest could not be removed, so there are more than {self._settings.keep}: {error}"
        with suppress(OSError):
            later = ", ".join(path.name for at_us, path in scheduled(self._folder, self._site) if at_us > now_us)
            if later:
                said += f"; dated after now and not counted: {later[:300]}"
        return said

    def _failed(self, said: str) -> None:
        """Say so, and try again later."""
        self._not_before_s = self._clock.monotonic_s() + AGAIN_S
        _log.error("the backup failed", extra={"target": str(self._target), "detail": said[-500:]})
        self._enter(Entered(BY, "backup-failed", f"backup/{self._target.name}", said[-300:] or "no reason given"))
        self._went(False, said)


def last_due_us(at: str, zone: ZoneInfo, now_us: int) -> int:
    """The latest instant at or before `now_us` at which the clocks of the zone show that time of day."""
    hour, minute = map(int, at.split(":"))
    day = instant(now_us).astimezone(zone).date()
    for back in range(3):
        local = datetime.combine(day - timedelta(days=back), time(hour, minute), zone)
        due_us = instant_us(local)
        if due_us <= now_us:
            return due_us
    raise AssertionError("every time of day came in the last three days")
