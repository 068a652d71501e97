"""What a note can be about: a sample, an alarm, a location, a room or a sensor, by the name the audit trail has for it.

Rules: only what is there can have a note: what the site has now, or what is on record. Must not know pages.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from motewatch.journal.journal import Journal
from motewatch.journal.sample_record import revisions
from motewatch.links.publications import iso
from motewatch.site.instants import instant_us
from motewatch.site.models import Site

NOTE: Final = "note"
"""The action of a note on the audit trail."""

NOTE_MAX: Final = 600
SUBJECT_MAX: Final = 300


@dataclass(frozen=True, slots=True)
class Noted:
    """A thing that a note can be about."""

    subject: str
    title: str
    end_us: int | None = None
    """Of a sample."""
    location: str = ""
    """Of a sample."""


def thing(record: Journal, site: Site, subject: str) -> Noted | None:
    """The thing of this name, or None: there is none. Asks the record, so call it in a thread of the pool."""
    kind, _, rest = subject.partition("/")
    look = _LOOKS.get(kind)
    return None if look is None or not rest or len(subject) > SUBJECT_MAX else look(record, site, rest)


def instant_of(text: str) -> int | None:
    """The instant of an ISO text, UTC where it names no zone; None: it is none, or not after 1970."""
    try:
        moment = datetime.fromisoformat(text)
        us = instant_us(moment if moment.tzinfo else moment.replace(tzinfo=UTC))
    except (ValueError, OverflowError):
        return None
    return us if us > 0 else None


def _sample(record: Journal, site: Site, rest: str) -> Noted | None:
    location, _, end = rest.rpartition("/")
    end_us = instant_of(end)
    if end_us is None or end != iso(end_us) or not revisions(record.store, location, end_us):
        return None
    return Noted(f"sample/{rest}", f"Sample at {_named(site, location)}, to {end}", end_us, location)


def _alarm(record: Journal, site: Site, rest: str) -> Noted | None:
    return Noted(f"alarm/{rest}", f"Alarm {rest}") if record.query_alarm_events(rest, limit=1) else None


def _location(record: Journal, site: Site, rest: str) -> Noted | None:
    known = any(each.id == rest for each in site.locations) or record.query_samples(rest, limit=1)
    return Noted(f"location/{rest}", f"Location {_named(site, rest)}") if known else None


def _room(record: Journal, site: Site, rest: str) -> Noted | None:
    found = next((each.name for each in site.rooms if each.id == rest), None)
    return None if found is None else Noted(f"room/{rest}", f"Room {found}")


def _sensor(record: Journal, site: Site, rest: str) -> Noted | None:
    known = any(each.id == rest for each in site.sensors)
    return Noted(f"sensor/{rest}", f"Sensor {rest}") if known else None


def _named(site: Site, location: str) -> str:
    return next((each.name for each in site.locations if each.id == location), location)


_LOOKS: Final[dict[str, Callable[[Journal, Site, str], Noted | None]]] = {
    "sample": _sample,
    "alarm": _alarm,
    "location": _location,
    "room": _room,
    "sensor": _sensor,
}
