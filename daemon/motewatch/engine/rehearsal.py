"""A rehearsal: which alarms another configuration would have raised on what really came in.

Rules: an engine that knows nothing from before is given the recorded inputs under the other configuration; beside it a
second one under the configurations that were in force, with the same ignorance, so that what differs comes from the
configuration alone. Both remember little: late data older than `SAMPLES_KEPT` samples and repeats older than
`READINGS_KEPT` readings are taken as new. What persons did to alarms then is done again, as far as there is an alarm to
do it to. Pure. Must not know where inputs come from.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.core import Engine
from motewatch.engine.records import AlarmChanged, Configured, Input, Output
from motewatch.measure.samples import Sample
from motewatch.wire.records import Reading

SAMPLES_KEPT: Final = 500
"""Of each location."""

READINGS_KEPT: Final = 100_000

_ACTIVE: Final = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)


@dataclass(slots=True)
class ShortMemory:
    """An engine's history that forgets, so that a long rehearsal stays small."""

    _samples: dict[str, OrderedDict[int, Sample]] = field(default_factory=dict)
    _starts: OrderedDict[tuple[str, str, int], int] = field(default_factory=OrderedDict)
    _boots: set[tuple[str, str]] = field(default_factory=set)

    def heard(self, reading: Reading) -> None:
        """See `History.heard`."""
        self._starts[(reading.sensor, reading.boot, reading.seq)] = reading.start_us
        self._boots.add((reading.sensor, reading.boot))
        if len(self._starts) > READINGS_KEPT:
            self._starts.popitem(last=False)

    def taken(self, sample: Sample) -> None:
        """See `History.taken`."""
        mine = self._samples.setdefault(sample.location, OrderedDict())
        mine[sample.end_us] = sample
        if len(mine) > SAMPLES_KEPT:
            mine.popitem(last=False)

    def samples(self, location: str, first_end_us: int, last_end_us: int) -> list[Sample]:
        """See `History.samples`."""
        mine = self._samples.get(location, OrderedDict())
        return [mine[end] for end in sorted(mine) if first_end_us <= end <= last_end_us]

    def reading_start_us(self, sensor: str, boot: str, seq: int) -> int | None:
        """See `History.reading_start_us`."""
        return self._starts.get((sensor, boot, seq))

    def knows_boot(self, sensor: str, boot: str) -> bool:
        """See `History.knows_boot`."""
        return (sensor, boot) in self._boots


@dataclass(frozen=True, slots=True)
class Raised:
    """An alarm from when it was raised until its condition was over."""

    alarm: str
    kind: str
    priority: str
    text: str
    at_us: int
    until_us: int | None = None
    """None: it was still active, or hidden, at the end."""


@dataclass(slots=True)
class Played:
    """One engine that is given inputs, and what it raised."""

    engine: Engine = field(default_factory=lambda: Engine(ShortMemory()))
    raised: list[Raised] = field(default_factory=list)
    _open: dict[str, int] = field(default_factory=dict)

    def take(self, item: Input) -> None:
        """The next input."""
        self._hear(self.engine.apply(item))

    def end(self, at_us: int) -> None:
        """Let time pass up to the end."""
        self._hear(self.engine.advance(at_us))

    def _hear(self, outputs: Iterable[Output]) -> None:
        for output in outputs:
            if isinstance(output, AlarmChanged):
                self._step(output)

    def _step(self, step: AlarmChanged) -> None:
        place = self._open.get(step.alarm)
        if place is not None and step.after not in _ACTIVE:
            self.raised[place] = replace(self.raised[place], until_us=step.at_us)
            del self._open[step.alarm]
        elif place is None and step.after is State.UNACKNOWLEDGED and step.event is not Event.RE_ALARM:
            self._open[step.alarm] = len(self.raised)
            priority = step.priority.value
            self.raised.append(Raised(step.alarm, step.kind, priority, step.text, step.at_us))


class Rehearsal:
    """Both engines side by side. `before`: what was in force at `from_us`; `other`: what is rehearsed."""

    def __init__(self, before: Configured, other: Configured, from_us: int) -> None:
        self._was, self._would = Played(), Played()
        self._was.take(Input(from_us, from_us, before))
        self._would.take(Input(from_us, from_us, other))

    def take(self, item: Input) -> None:
        """The next recorded input; a configuration on record is for the one that plays what was."""
        self._was.take(item)
        if not isinstance(item.what, Configured):
            self._would.take(item)

    def end(self, at_us: int) -> None:
        """Let time pass up to the end."""
        self._was.end(at_us)
        self._would.end(at_us)

    def outcome(self, since_us: int) -> Outcome:
        """What differs among the alarms raised from that instant on; those before only warmed the engines up."""
        was = [each for each in self._was.raised if each.at_us >= since_us]
        would = [each for each in self._would.raised if each.at_us >= since_us]
        return Outcome(len(was), len(would), tuple(compare(was, would)))


class Change(StrEnum):
    """What the other configuration would have made of an alarm."""

    RAISED = "raised"
    NOT_RAISED = "not-raised"
    OTHERWISE = "otherwise"
    """Raised or over at another time, or of another priority."""


@dataclass(frozen=True, slots=True)
class Differing:
    """One alarm that is not the same under both. `was` and `would`: None where it is not raised."""

    change: Change
    was: Raised | None
    would: Raised | None

    @property
    def alarm(self) -> str:
        """Its id."""
        found = self.was or self.would
        assert found is not None
        return found.alarm

    @property
    def at_us(self) -> int:
        """When it first differs."""
        return min(each.at_us for each in (self.was, self.would) if each is not None)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a rehearsal shows: how many alarms were and would have been raised, and which are not the same."""

    was: int
    would: int
    differing: tuple[Differing, ...]


def compare(was: Sequence[Raised], would: Sequence[Raised]) -> list[Differing]:
    """The alarms that are not the same, by when they first differ.

    Of one alarm, raisings that overlap in time are one seen twice; each is matched once, the earliest first.
    """
    found: list[Differing] = []
    left: dict[str, list[Raised]] = {}
    for each in would:
        left.setdefault(each.alarm, []).append(each)
    for each in was:
        mine = left.get(each.alarm, [])
        # The very same first; else the first that overlaps.
        same = next((other for other in mine if other.at_us == each.at_us), None)
        match = same or next((other for other in mine if _overlap(each, other)), None)
        if match is None:
            found.append(Differing(Change.NOT_RAISED, each, None))
            continue
        mine.remove(match)
        if (match.at_us, match.until_us, match.priority) != (each.at_us, each.until_us, each.priority):
            found.append(Differing(Change.OTHERWISE, each, match))
    found += [Differing(Change.RAISED, None, each) for mine in left.values() for each in mine]
    return sorted(found, key=lambda one: (one.at_us, one.alarm))


def _overlap(one: Raised, other: Raised) -> bool:
    first, second = sorted((one, other), key=lambda each: each.at_us)
    return first.until_us is None or second.at_us <= first.until_us
