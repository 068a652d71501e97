"""How old is the newest backup? Told when it becomes too old, and when there is a new one.

Goes by what lies in the folder and not by what was tried: one that was never begun, hangs, or was removed by somebody
is missed like one that failed. Rules: a backup dated in the future proves nothing and is passed over. `learn` reads the
folder, which may hang where it is another machine's; `look` goes by what was learnt and never waits. `OLD_US` is two
and a half days: after two nights in a row without a backup, and in working hours where they are made at night.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from motewatch.links.backup import BackupError, folders, read_manifest
from motewatch.links.clock import TimeSource
from motewatch.links.space import Report
from motewatch.site.instants import instant, instant_us
from motewatch.wire.records import HOUR_US

LOOK_S: Final = 60.0
OLD_US: Final = 60 * HOUR_US
FIRST_S: Final = 3_600.0
"""A service that was just started, perhaps for the first time, makes a backup that is due; nothing is called old or
missing meanwhile."""


def newest_backup(folder: Path, site: str, now_us: int) -> int | None:
    """The instant of the newest whole backup that a service made by itself; None: there is none, or no folder.

    Raises `OSError` where the folder, or a backup in it that may be the newest, cannot be read. Reads one manifest, as
    a rule.
    """
    for name_us, path in sorted(_dated(folder, site), reverse=True):
        if name_us <= now_us:
            with suppress(BackupError, FileNotFoundError):
                manifest = read_manifest(path)
                if manifest.site == site and manifest.at_us <= now_us:
                    return manifest.at_us
    return None


def unread(error: OSError) -> str:
    """Why the folder, or what is in it, could not be read."""
    if isinstance(error, PermissionError):
        return "whoever asks may not read the backup folder, the service's user may"
    if isinstance(error, TimeoutError):
        return "the backup folder does not answer: is its disk there?"
    return _cannot(error)


def _cannot(error: OSError) -> str:
    return f"{error.filename or 'the backup folder'} cannot be read: {error.strerror or error}"


def _dated(folder: Path, site: str) -> Iterator[tuple[int, Path]]:
    for written, path in folders(folder, site):
        with suppress(ValueError):
            yield instant_us(datetime.strptime(written, "%Y%m%dT%H%M%S").replace(tzinfo=UTC)), path


class BackupAge:
    """`learn` where it may take its time, `look` now and then; each from one thread at a time."""

    def __init__(self, folder: Path, site: str, report: Report, clock: TimeSource) -> None:
        """`report`: (is one new enough, now, in words)."""
        self._folder = folder
        self._site = site
        self._report = report
        self._clock = clock
        self._started_s = clock.monotonic_s()
        self._newest_us: int | None = None
        self._unread = "the backup folder has not answered yet"
        self._well: bool | None = None

    def learn(self) -> None:
        """Read the folder. What cannot be read leaves what was known: it goes on growing older."""
        try:
            newest_us = newest_backup(self._folder, self._site, self._clock.now_us())
            there = newest_us is not None or self._folder.is_dir()
        except OSError as error:
            self._unread = _cannot(error)
            return
        self._unread = "" if there else "the backup folder is not there"
        if there:
            self._newest_us = newest_us

    def look(self) -> None:
        """Tell of a change."""
        now_us, newest_us = self._clock.now_us(), self._newest_us
        well = newest_us is not None and now_us - newest_us < OLD_US
        if well == self._well or (not well and self._clock.monotonic_s() - self._started_s < FIRST_S):
            return
        self._well = well
        newest = "" if newest_us is None else f"the newest is of {instant(newest_us):%Y-%m-%d %H:%M} UTC"
        self._report(well, now_us, "; ".join(filter(None, (newest, self._unread))) or "none was found")
