"""A call for tests: one alarm of high priority, as told, as a message to send, and a broker that is not there.

Must not import the engine: what delivers calls does not know it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final
from zoneinfo import ZoneInfo

from motewatch.callout.records import Cause, Fact, Told
from motewatch.links.call_message import CallMessage, Names
from motewatch.links.call_text import render
from motewatch.links.connection import Publication
from motewatch.links.errors import BrokerAwayError

ALARM: Final = "location/fill-1/0.5um/action"
T0: Final = 1_780_000_020_000_000
MINUTE_US: Final = 60_000_000
FACT: Final = Fact(
    alarm=ALARM,
    priority="high",
    state="unacknowledged",
    what="Particles ≥ 0.5 µm above the action level",
    where="Filling, needle side",
    since_us=T0 - 22 * MINUTE_US,
    value=14_210.0,
    limit=3_520.0,
    unit="/m3",
    action="Stop filling and close the line.",
)
CALL: Final = Told(
    id="call-1",
    at_us=T0,
    found_us=T0,
    cause=Cause.RAISED,
    person="ada",
    channel="sms",
    address="+00 1",
    urgent=True,
    facts=(FACT,),
    answer=ALARM,
)

LINK: Final = "https://air.example.org/a/AQabcdEfGhIjKlMnOpQrStUvWxYz0123456789"
NAMES: Final = Names("hall-3", "Hall 3", {"ada": "Ada Okafor"})


def message(link: str | None = LINK, *, maybe_repeat: bool = False, **changes: Any) -> CallMessage:
    """The call above, to ada@example.org, with changes of what was told."""
    told = replace(CALL, **{"address": "ada@example.org", "urgent": False, **changes})
    return render(told, NAMES, link, ZoneInfo("Europe/Berlin"), maybe_repeat)


class Away:
    """A broker's link without a connection."""

    def publish(self, topic: str, payload: bytes, retain: bool, expiry_s: int | None = None) -> Publication:
        """Fails at once."""
        publication = Publication(topic)
        publication.settle(BrokerAwayError(f"'{topic}' was not sent: the broker is away"))
        return publication


NOBODY: Final = Away()
