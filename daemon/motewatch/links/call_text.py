"""What a call says: subject, text, mail and short form, from what the engine told.

Rules: pure; the link, the zone and whether it may be a repeat are handed in, because they are known at delivery only.
Sentences that are understood at 3 a.m.; times are the site's, with its zone; no figure without its limit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from motewatch.callout.records import Fact, Told
from motewatch.site.models import Site


@dataclass(frozen=True, slots=True)
class Names:
    """What the words must know of the site."""

    site: str
    """Its id."""
    name: str
    """What people call it."""
    persons: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, site: Site) -> Names:
        """From the site file."""
        return cls(site.site.id, site.site.name, {person.id: person.name for person in site.persons})


@dataclass(frozen=True, slots=True)
class CallMessage:
    """A call as a channel sends it. `id` is the same however often it is sent."""

    id: str
    person: str
    name: str
    """Of the person."""
    address: str
    subject: str
    """One line."""
    text: str
    html: str | None
    short: str
    """At most 160 characters, for SMS and what is read aloud."""
    urgent: bool
    maybe_repeat: bool
    """It may have been delivered before: a crash or a lost answer lies between."""
    link: str | None
    at_us: int
    """The nominal instant of the step that asked for it."""
    site: str = ""
    """Id of the site."""
    cause: str = ""
    note: str = ""
    facts: tuple[Fact, ...] = ()


def render(told: Told, names: Names, link: str | None, zone: ZoneInfo, maybe_repeat: bool = False) -> CallMessage:
    """The call in words. `link` is the signed link where there is an answer page."""
    what = "; ".join(fact.what for fact in told.facts) or told.note
    return CallMessage(
        id=told.id,
        person=told.person,
        name=names.persons.get(told.person, told.person),
        address=told.address,
        subject=what,
        text=what,
        html=None,
        short=what[:160],
        urgent=told.urgent,
        maybe_repeat=maybe_repeat,
        link=link,
        at_us=told.at_us,
        site=names.site,
        cause=told.cause.value,
        note=told.note,
        facts=told.facts,
    )
