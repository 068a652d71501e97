"""Sends one trial message over a way to a person, for the console's page and its API, and puts it on the audit trail.

One at a time: a channel is for calls. Waits for the channel, so call it in a thread of the pool.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Final

from motewatch.links.channel_trial import Tried, UnknownNameError, channel_named, failed, try_way, whom_named
from motewatch.links.errors import ChannelError, LinkError
from motewatch.site.models import Site
from motewatch.web.access.desk import Visitor
from motewatch.web.console.house import House

ACTION: Final = "channel-tested"
DETAIL_MAX: Final = 600
BUSY: Final = "another test is under way: try again in a moment"


@dataclass(frozen=True, slots=True)
class Tested:
    """What became of it; nothing tried: `wrong` says why."""

    tried: tuple[Tried, ...] = ()
    wrong: str = ""
    busy: bool = False
    kept: bool = True
    """Is it on the audit trail?"""


class WayTest:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house

    def test(self, visitor: Visitor, person: str, channel: str) -> Tested:
        """Send the message, to each address of the person on the channel."""
        if (person, channel) not in ways_of(self._house.site):
            return Tested(wrong="the site file gives no such way to such a person")
        if not _RUNNING.acquire(blocking=False):
            return Tested(wrong=BUSY, busy=True)
        try:
            tried = self._try(person, channel)
        finally:
            _RUNNING.release()
        said = "; ".join(f"{'taken' if one.delivered else 'not taken'}: {' '.join(one.text.split())}" for one in tried)
        kept = self._house.enter(visitor, ACTION, f"channel/{channel}", f"to {person}: {said}"[:DETAIL_MAX])
        return Tested(tried, kept=kept)

    def _try(self, person: str, channel: str) -> tuple[Tried, ...]:
        house = self._house
        try:
            settings = channel_named(house.site, channel)
            whom = whom_named(house.site, settings, person)
            return tuple(try_way(house.site, house.base_dir, settings, whom, house.clock))
        except ChannelError as error:
            return (Tried(f"'{channel}'", False, failed(error, settings), 0.0),)
        except (UnknownNameError, LinkError) as error:
            return (Tried(f"'{channel}'", False, f"{error}.", 0.0),)


_RUNNING: Final = threading.Lock()
"""Of page and API together."""


def ways_of(site: Site) -> list[tuple[str, str]]:
    """(person, channel) of each way that the site file gives, in its order."""
    return list(dict.fromkeys((person.id, reach.channel) for person in site.persons for reach in person.reach))
