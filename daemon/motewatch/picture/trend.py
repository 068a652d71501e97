"""What a trend says: one location's samples over a time, against the levels that were in force then.

Rules: a level is the one that held at the end of a sample's period in the occupancy state of that sample. Where nobody
measured nothing is claimed; time that has not come is not missing. What is beyond a level here is a value, not a
verdict: judging rules decide on alarms, which stand beside it. Pure; must not know drawings, tables or HTML.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from motewatch.engine.plan import ClimateBound, CountLevel, Grade
from motewatch.measure.stretches import Counted, Peak, Ranged, Run, Stretch

QUANTITIES: Final = ("temperature", "humidity", "pressure-difference")


class Bucket(NamedTuple):
    """The samples that ended in `(start_us, end_us]`; of a single sample its period."""

    start_us: int
    end_us: int
    stretch: Stretch


@dataclass(frozen=True, slots=True)
class Rules:
    """What held at the location from an instant on; empty levels where it was not configured then."""

    from_us: int
    levels: Mapping[str, tuple[CountLevel, ...]]
    bounds: tuple[ClimateBound, ...]
    gap_us: int
    """Samples not further apart than this are consecutive."""

    def level(self, occupancy: str, size_nm: int, grade: Grade) -> int | None:
        """The level per cubic metre of a size in a state."""
        here = self.levels.get(occupancy, ())
        return next((each.per_m3 for each in here if each.size_nm == size_nm and each.grade == grade), None)


@dataclass(frozen=True, slots=True)
class AlarmBar:
    """An alarm while its condition held."""

    alarm: str
    text: str
    grade: str
    """`action`, `alert` or empty."""
    start_us: int
    end_us: int | None
    """None: it still holds."""
    events: int = 1


@dataclass(frozen=True, slots=True)
class NoteMark:
    """A note, at the time it is about."""

    at_us: int
    by: str
    text: str


@dataclass(frozen=True, slots=True)
class Beyond:
    """The peak of a run in a bucket that is above a level."""

    bucket: int
    grade: Grade
    level: int
    peak: Peak


@dataclass(frozen=True, slots=True)
class Trend:
    """All of it, for one time axis."""

    location: str
    name: str
    from_us: int
    until_us: int
    now_us: int
    width_us: int
    """Width of a bucket; 0: each sample stands for itself."""
    sizes_nm: tuple[int, ...]
    """The sizes to show."""
    buckets: tuple[Bucket, ...]
    rules: tuple[Rules, ...]
    """By `from_us`; the first may begin before the time shown."""
    alarms: tuple[AlarmBar, ...] = ()
    notes: tuple[NoteMark, ...] = ()
    beside: tuple[Bucket, ...] = ()
    """What it is compared with, moved to this time axis."""
    beside_name: str = ""
    _runs: list[Run] = field(default_factory=list, compare=False, repr=False)
    """`runs_of`, which each panel of a drawing asks for."""

    def rules_at(self, at_us: int) -> Rules | None:
        """What held at an instant."""
        place = bisect_right(self.rules, at_us, key=lambda each: each.from_us)
        return self.rules[place - 1] if place else None

    def level_at(self, at_us: int, occupancy: str, size_nm: int, grade: Grade) -> int | None:
        """The level at an instant."""
        rules = self.rules_at(at_us)
        return None if rules is None else rules.level(occupancy, size_nm, grade)


def beyond(trend: Trend, size_nm: int) -> list[Beyond]:
    """What is above a level, in order; of one run the worse level."""
    found = []
    for place, bucket in enumerate(trend.buckets):
        for run in bucket.stretch.runs:
            peak = next((each for each in run.peaks if each.size_nm == size_nm), None)
            if peak is None:
                continue
            for grade in (Grade.ACTION, Grade.ALERT):
                level = trend.level_at(peak.at_us, run.occupancy, size_nm, grade)
                if level is not None and peak.per_m3 > level:
                    found.append(Beyond(place, grade, level, peak))
                    break
    return found


def runs_of(trend: Trend) -> list[Run]:
    """The occupancy states one after the other; runs on end in one state are one, without their peaks."""
    if not trend._runs:
        trend._runs.extend(_joined_runs(trend))
    return trend._runs


def _joined_runs(trend: Trend) -> list[Run]:
    found: list[Run] = []
    for bucket in trend.buckets:
        for run in bucket.stretch.runs:
            last = found[-1] if found else None
            if last and last.occupancy == run.occupancy and run.first_us - last.last_us <= _gap(trend, run.last_us):
                found[-1] = Run(run.occupancy, last.first_us, run.last_us, last.samples + run.samples, ())
            else:
                found.append(Run(run.occupancy, run.first_us, run.last_us, run.samples, ()))
    return found


def level_steps(trend: Trend, size_nm: int, grade: Grade) -> list[tuple[int, int, int]]:
    """From when to when which level held, wherever samples were judged by one."""
    found: list[tuple[int, int, int]] = []
    for run in runs_of(trend):
        for first, last, rules in _in_force(trend, run.first_us, run.last_us):
            level = rules.level(run.occupancy, size_nm, grade)
            if level is None:
                continue
            if found and found[-1][1] == first and found[-1][2] == level:
                found[-1] = (found[-1][0], last, level)
            else:
                found.append((first, last, level))
    return found


def bound_steps(trend: Trend, quantity: str) -> list[tuple[int, int, ClimateBound]]:
    """From when to when which climate bound held."""
    until = min(trend.until_us, max(trend.now_us, trend.from_us))
    return [
        (first, last, bound)
        for first, last, rules in _in_force(trend, trend.from_us, until)
        for bound in rules.bounds
        if bound.quantity == quantity
    ]


def track(stretch: Stretch, what: int | str | None) -> Stretch | Counted | Ranged | None:
    """The first and last instant, holes and so on of a size, of a climate quantity, or of any air (None)."""
    if what is None:
        return stretch if stretch.n else None
    if isinstance(what, int):
        return stretch.size(what)
    return {"temperature": stretch.temperature, "humidity": stretch.humidity}.get(what, stretch.pressure)


def unmeasured(trend: Trend, what: int | str | None = None) -> list[tuple[int, int, bool]]:
    """The times without any sample: from, to, and whether that is exact.

    Not exact (False): somewhere within a bucket there is a hole; the bucket is named whole.
    """
    found: list[tuple[int, int, bool]] = []
    at_us = trend.from_us
    for bucket in trend.buckets:
        here = track(bucket.stretch, what)
        if here is None:
            continue
        gap = _gap(trend, bucket.end_us)
        if here.first_us - at_us > gap:
            found.append((at_us, here.first_us, True))
        if here.hole_us > gap:
            found.append((here.first_us, here.last_us, False))
        at_us = max(at_us, here.last_us)
    # A sample takes a while to come: the newest one is not missing yet.
    end_us = min(trend.until_us, trend.now_us - _patience(trend))
    if end_us - at_us > _gap(trend, end_us):
        found.append((at_us, min(trend.until_us, trend.now_us), True))
    return found


def segments(trend: Trend, buckets: Sequence[Bucket], what: int | str) -> Iterator[list[Bucket]]:
    """Buckets between which nothing is missing, together: a line may be drawn through them and no further."""
    held: list[Bucket] = []
    last_us = 0
    for bucket in buckets:
        here = track(bucket.stretch, what)
        if here is None:
            continue
        if held and here.first_us - last_us > _gap(trend, bucket.end_us):
            yield held
            held = []
        held.append(bucket)
        last_us = here.last_us
    if held:
        yield held


def moved(bucket: Bucket, by_us: int) -> Bucket:
    """The bucket at another time, to be drawn beside others: of its stretch the sizes are moved, and nothing else."""
    sizes = tuple(
        each._replace(first_us=each.first_us + by_us, last_us=each.last_us + by_us) for each in bucket.stretch.sizes
    )
    return Bucket(bucket.start_us + by_us, bucket.end_us + by_us, bucket.stretch._replace(sizes=sizes))


def shown_share(trend: Trend) -> float | None:
    """The share of the time shown, as far as it has come, for which there is air; None where none has come."""
    end_us = min(trend.until_us, trend.now_us)
    if end_us <= trend.from_us:
        return None
    lost = 0
    for first, last, exact in unmeasured(trend):
        if exact:
            lost += last - first
    for bucket in trend.buckets:
        here = bucket.stretch
        if here.n and here.hole_us > _gap(trend, bucket.end_us):
            lost += max(0, here.last_us - here.first_us - here.air_us)
    whole = end_us - trend.from_us
    return max(0.0, (whole - lost) / whole)


def _in_force(trend: Trend, from_us: int, until_us: int) -> Iterator[tuple[int, int, Rules]]:
    for place, rules in enumerate(trend.rules):
        after = trend.rules[place + 1].from_us if place + 1 < len(trend.rules) else until_us
        first, last = max(from_us, rules.from_us), min(until_us, after)
        if first < last:
            yield first, last, rules


def _gap(trend: Trend, at_us: int) -> int:
    rules = trend.rules_at(at_us)
    return 0 if rules is None else rules.gap_us


def _patience(trend: Trend) -> int:
    periods = [run.last_us - run.first_us for bucket in trend.buckets[-3:] for run in bucket.stretch.runs[-1:]]
    longest = max(periods, default=0) if not trend.width_us else trend.width_us
    return min(2 * longest, 7_200_000_000) + 10_000_000
