"""Balances the books after a run: what the sensors got acknowledged against what the journal holds.

The rule: every reading whose publication was acknowledged is in the journal exactly once. Readings in the journal that
nobody got acknowledged are no fault: the acknowledgement was still under way when the sensor ended.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import AlarmChanged
from motewatch.journal.journal import Journal

PAGE: Final = 1000
EVERYTHING: Final = 10_000_000
SHOWN: Final = 5
ACTIVE: Final = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
"""What caused the alarm is still there, whether or not somebody has taken note."""
SINKS: Final = ("mqtt-alarms", "mqtt", "time-series")


class Key(NamedTuple):
    """What identifies a reading."""

    sensor: str
    boot: str
    seq: int

    def __str__(self) -> str:
        return f"{self.sensor} seq {self.seq} (boot {self.boot})"


@dataclass(frozen=True, slots=True)
class Books:
    """What a run came to. `wrong` is empty when all is in order."""

    acknowledged: int
    again: int
    """Of the acknowledged publications, those of a reading that had been acknowledged before."""
    recorded: int
    samples: int
    raised: int
    cleared: int
    active: int
    dead_letters: int
    backlog: int
    raised_and_cleared: tuple[str, ...] = ()
    wrong: list[str] = field(default_factory=list)


def balance(acknowledged: Iterable[Key], recorded: Iterable[Key]) -> list[str]:
    """What does not agree, as sentences: lost readings first, then doubles."""
    on_record = Counter(recorded)
    lost = [key for key in dict.fromkeys(acknowledged) if key not in on_record]
    twice = [key for key, count in on_record.items() if count > 1]
    wrong = []
    if lost:
        wrong.append(f"LOST: {len(lost)} acknowledged readings are not in the journal: {_some(lost)}")
    if twice:
        wrong.append(f"{len(twice)} readings are in the journal more than once: {_some(twice)}")
    return wrong


def recorded(journal: Journal, after: int = 0) -> Iterator[tuple[int, Key]]:
    """The readings on record that the engine took in, behind that input; each with the id of its input."""
    while page := journal.inputs_after(after, PAGE):
        for row in page:
            if row.seq is not None and row.sensor is not None and row.boot is not None:
                yield row.id, Key(row.sensor, row.boot, row.seq)
        after = page[-1].id


def draw_up(acknowledged: list[Key], journal: Journal, until_us: int) -> Books:
    """The books of a run that is over. Alarms count until `until_us`: that the sensors went then was the end itself."""
    on_record = [key for _, key in recorded(journal)]
    events = [one for one in journal.query_alarm_events(limit=EVERYTHING) if one.found_us <= until_us]
    dead_letters = len(journal.query_dead_letters(limit=EVERYTHING))
    backlog = sum(journal.backlog(sink) for sink in SINKS)
    wrong = balance(acknowledged, on_record)
    if not acknowledged:
        wrong.append("no reading was published")
    if dead_letters:
        worst = journal.query_dead_letters(limit=1)[0]
        wrong.append(f"{dead_letters} messages could not be used; the last: {worst.reason}: {worst.detail}")
    if backlog:
        wrong.append(f"{backlog} publications were not delivered")
    return Books(
        acknowledged=len(acknowledged),
        again=len(acknowledged) - len(set(acknowledged)),
        recorded=len(on_record),
        samples=len(journal.query_samples(limit=EVERYTHING)),
        raised=sum(one.event is Event.STARTS for one in events),
        cleared=sum(one.event in (Event.RETURNS, Event.RETURNS_LATCHED) for one in events),
        active=sum(one.after in ACTIVE for one in {one.alarm: one for one in events}.values()),
        dead_letters=dead_letters,
        backlog=backlog,
        raised_and_cleared=came_and_went(events),
        wrong=wrong,
    )


def came_and_went(events: Iterable[AlarmChanged]) -> tuple[str, ...]:
    """Ids of the alarms that were raised and later cleared, in the order of their clearing."""
    raised: set[str] = set()
    done: dict[str, None] = {}
    for one in events:
        if one.event is Event.STARTS:
            raised.add(one.alarm)
        elif one.event in (Event.RETURNS, Event.RETURNS_LATCHED) and one.alarm in raised:
            done[one.alarm] = None
    return tuple(done)


def _some(keys: list[Key]) -> str:
    more = f" and {len(keys) - SHOWN} more" if len(keys) > SHOWN else ""
    return ", ".join(str(key) for key in keys[:SHOWN]) + more
