"""What one person is told at one instant goes into one message: calls are gathered before they are told.

Without a flood a bundle is told at the instant of its first call, after everything else of that instant; in a flood
half a minute later. A bundle is for one person, over one of the person's ways, for one sort of news.

Rules: pure; the instants are handed in. Must not know how alarms are worded or who is on call.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

from motewatch.callout.records import Cause, Fact
from motewatch.wire.records import SECOND_US

GATHER_US: Final = 30 * SECOND_US
"""How long the calls of a flood are gathered (our own choice: long enough for one plant failure to show what it
takes along, short against the first minutes of a response)."""

_RANK: Final = {"high": 0, "medium": 1, "low": 2}


class News(StrEnum):
    """Sorts of news, each in messages of its own."""

    CALL = "call"
    """Somebody is wanted."""
    HAND_OVER = "hand-over"
    TAKEN = "taken"
    RETURNED = "returned"


WANTED: Final = frozenset({News.CALL, News.HAND_OVER})
"""News that want somebody, so that another way is tried when one fails."""

_STRONGEST: Final = (
    Cause.RAISED,
    Cause.CLIMBED,
    Cause.OTHER_WAY,
    Cause.REPEATED,
    Cause.HANDED_OVER,
    Cause.TAKEN,
    Cause.RETURNED,
)
"""Where alarms are told together for several reasons, the message says the first of these."""

Key = tuple[str, int, str, str]
"""(person, way, news, note)"""


@dataclass(slots=True)
class Bundle:
    """Alarms to be told to one person together."""

    person: str
    way: int
    news: News
    note: str
    """Bundles with another sentence are other messages."""
    began_us: int
    """The nominal instant of its first call."""
    flush_us: int
    flood: bool = False
    """Was it begun in a flood of alarms?"""
    alarms: dict[str, Cause] = field(default_factory=dict)

    @property
    def key(self) -> Key:
        """What distinguishes it."""
        return (self.person, self.way, self.news.value, self.note)

    def cause(self, alarms: Iterable[str]) -> Cause:
        """Why these of its alarms are told."""
        causes = {self.alarms[alarm] for alarm in alarms}
        return next(cause for cause in _STRONGEST if cause in causes)


@dataclass(slots=True)
class Tray:
    """The bundles that wait."""

    bundles: dict[Key, Bundle] = field(default_factory=dict)

    def add(self, bundle: Bundle, alarm: str, cause: Cause) -> Bundle:
        """Add an alarm to the bundle that is open under this key, or to this one. The bundle that holds it."""
        held = self.bundles.setdefault(bundle.key, bundle)
        held.alarms.setdefault(alarm, cause)
        return held

    def take(self, person: str, at_us: int) -> list[Bundle]:
        """The person's bundles whose time has come, calls first."""
        order = list(News)
        due = [b for b in self.bundles.values() if b.person == person and b.flush_us <= at_us]
        due.sort(key=lambda b: (order.index(b.news), b.way, b.note))
        for bundle in due:
            del self.bundles[bundle.key]
        return due

    def holds(self, person: str, alarm: str) -> bool:
        """Is the person about to be called for this alarm, and was not before?"""
        causes = (b.alarms.get(alarm) for b in self.bundles.values() if b.person == person and b.news in WANTED)
        return any(cause not in (None, Cause.REPEATED) for cause in causes)

    def drop(self, keep: Callable[[str], bool]) -> None:
        """Forget the calls for alarms that nobody is called for any more. That one was taken or is over stays news."""
        for bundle in self.bundles.values():
            if bundle.news in WANTED:
                bundle.alarms = {alarm: cause for alarm, cause in bundle.alarms.items() if keep(alarm)}

    def drop_repeats(self, person: str, alarms: Iterable[str]) -> None:
        """Forget to tell a person of these again: something stronger is told."""
        for bundle in self.bundles.values():
            for alarm in alarms:
                if bundle.person == person and bundle.alarms.get(alarm) is Cause.REPEATED:
                    del bundle.alarms[alarm]

    def drop_news(self, alarm: str) -> None:
        """Forget that the alarm was taken or has returned."""
        for bundle in self.bundles.values():
            if bundle.news not in WANTED:
                bundle.alarms.pop(alarm, None)

    def to_state(self) -> list[list[Any]]:
        """Plain values for a snapshot."""
        return [
            [
                *(b.person, b.way, b.news.value, b.note, b.began_us, b.flush_us, b.flood),
                [[alarm, cause.value] for alarm, cause in b.alarms.items()],
            ]
            for b in self.bundles.values()
        ]

    @classmethod
    def from_state(cls, state: list[list[Any]]) -> Tray:
        """The tray that `to_state` took apart."""
        tray = cls()
        for person, way, news, note, began_us, flush_us, flood, alarms in state:
            causes = {alarm: Cause(cause) for alarm, cause in alarms}
            bundle = Bundle(person, way, News(news), note, began_us, flush_us, flood, causes)
            tray.bundles[bundle.key] = bundle
        return tray


def first_cause_first(facts: Iterable[Fact]) -> tuple[Fact, ...]:
    """Facts in the order in which a message tells them: what began first, then the more urgent."""
    return tuple(sorted(facts, key=lambda fact: (fact.since_us, _RANK.get(fact.priority, 3), fact.alarm)))
