"""What somebody searches the record for, from the fields of a form or of a query. Pure.

Rules: local times are in the site's zone; what cannot be understood is said in a sentence, never guessed. Must not
know the record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.journal.search import USUAL, Kind, Wanted
from motewatch.site.instants import instant_us
from motewatch.site.models import Site
from motewatch.web.bodies import one_line

TEXT_MAX: Final = 100


class UnclearError(ValueError):
    """What is searched for cannot be understood; the message says why. `field`: which of the fields."""

    def __init__(self, text: str, field: str = "") -> None:
        super().__init__(text)
        self.field = field


@dataclass(frozen=True, slots=True)
class Asked:
    """The fields as they were given."""

    since: str = ""
    until: str = ""
    location: str = ""
    room: str = ""
    sensor: str = ""
    person: str = ""
    text: str = ""
    kinds: Sequence[str] = field(default_factory=tuple)


def wanted_of(asked: Asked, site: Site) -> Wanted:
    """What is searched for. Raises `UnclearError`."""
    zone = ZoneInfo(site.site.time_zone)
    since_us, until_us = instant_in(asked.since, zone, "from"), instant_in(asked.until, zone, "until")
    if since_us is not None and until_us is not None and since_us >= until_us:
        raise UnclearError("'from' is not before 'until': nothing lies between them", "until")
    unknown = [each for each in asked.kinds if each not in set(Kind)]
    if unknown:
        raise UnclearError(f"there is no kind '{unknown[0][:40]}'; kinds: {', '.join(Kind)}", "kind")
    room = _id(asked.room)
    if room is not None and room not in {each.id for each in site.rooms}:
        raise UnclearError(f"there is no room '{room[:60]}' in this site", "place")
    return Wanted(
        kinds=frozenset(Kind(each) for each in asked.kinds) or USUAL,
        since_us=since_us,
        until_us=until_us,
        location=_id(asked.location),
        room=room,
        room_locations=tuple(each.id for each in site.locations if each.room == room),
        sensor=_id(asked.sensor),
        person=_id(asked.person),
        text=one_line(asked.text)[:TEXT_MAX] or None,
    )


def instant_in(text: str, zone: ZoneInfo, name: str) -> int | None:
    """The instant of an ISO text, in the site's zone where it names none; None: it is empty."""
    bare = text.strip()
    if not bare:
        return None
    try:
        moment = datetime.fromisoformat(bare)
        us = instant_us(moment if moment.tzinfo else moment.replace(tzinfo=zone))
    except (ValueError, OverflowError):
        text = f"{name}: '{bare[:40]}' is no time; write 2026-03-05T14:30 or 2026-03-05"
        raise UnclearError(text, {"from": "since"}.get(name, name)) from None
    return max(us, 0)


def _id(text: str) -> str | None:
    return one_line(text)[:TEXT_MAX] or None
