"""What becomes of the service's care for its own record (backups, archives) is told to people, not to a log alone.

The first failure of a kind is an alarm, the next success ends it; in between nothing more is told, however often it is
tried. Where an earlier run of the service told of something that the site file has no more, that is taken back. Must
not know how backups and archives are made.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import Final, Protocol

from motewatch.engine.records import Link, LinkChanged
from motewatch.engine.service_alarms import alarm_of
from motewatch.links.clock import TimeSource
from motewatch.site.models import Site

LONGEST: Final = 240
_FOLDERS: Final = re.compile(r"(?<![\w./-])/(?:[^\s/:,;'\"]+/)+")


class Poster(Protocol):
    """`Service.post`."""

    def __call__(self, what: LinkChanged, /) -> None: ...


class Upkeep:
    """One kind of work. `went` is called from one thread at a time."""

    def __init__(self, link: Link, post: Poster, clock: TimeSource) -> None:
        self._link = link
        self._post = post
        self._clock = clock
        self._well: bool | None = None

    def went(self, well: bool, said: str = "") -> None:
        """It was done, or tried in vain; `said`: why."""
        if well != self._well:
            self._well = well
            self._post(LinkChanged(self._link, well, self._clock.now_us(), "" if well else in_short(said)))


def in_short(said: str) -> str:
    """The end of what a command said, on one line. Where things lie on this machine is nobody's business outside."""
    short = _FOLDERS.sub("", " ".join(said.split()))
    return short if len(short) <= LONGEST else f"... {short[-LONGEST:]}"


def no_longer(site: Site, holding: Collection[str], now_us: int) -> list[LinkChanged]:
    """What ends the alarms (`holding`: ids of those whose condition holds) of work that the site file has no more."""
    gone: list[tuple[Link, str]] = []
    if site.backup is None:
        gone += [(link, "no backups are set up any more") for link in (Link.BACKUP, Link.BACKUP_AGE)]
    if site.retention is None:
        gone.append((Link.ARCHIVES, "no archives are set up any more"))
    return [LinkChanged(link, True, now_us, why) for link, why in gone if alarm_of(link) in holding]
