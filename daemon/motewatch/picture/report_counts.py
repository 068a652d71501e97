"""A location's samples in a report: statistics, time without data, exceedances, climate, and points for a chart.

Rules: samples come as columns (a month of a location is 43,200 of them), each period once, as its latest revision,
oldest first. Comparisons with levels are made with whole numbers, so a value equal to its level is within it. A level
is the one that held for the sample's occupancy state in the configuration of its end. Nothing is left out in silence:
what was not measured is a gap with its times. Pure; must not know records or documents.
"""

from __future__ import annotations

from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain, groupby
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from motewatch.measure.percentiles import PercentileMethod, percentiles
from motewatch.measure.samples import SUSPECT, UL_PER_M3, Quality

PERCENT: Final = 95
METHOD: Final = PercentileMethod.R7
BUCKETS: Final = 300
"""Points of a chart; the highest sample of each is shown, so that no peak is lost."""

CLIMATE: Final = (("temperature", "°C"), ("humidity", "%"), ("pressure-difference", "Pa"))

Ints = NDArray[np.int64]


class Level(NamedTuple):
    """A level of one size in one occupancy state."""

    size_nm: int
    grade: str
    per_m3: int
    source: str


class ClimateLimit(NamedTuple):
    """A bound of a climate quantity, in milli-units."""

    quantity: str
    grade: str
    side: str
    milli: int


@dataclass(frozen=True, slots=True)
class Rules:
    """What held for the location from an instant on."""

    from_us: int
    levels: Mapping[str, tuple[Level, ...]]
    """By occupancy state."""
    bounds: tuple[ClimateLimit, ...] = ()
    gap_us: int = 0
    """Readings further apart than this are a gap."""


def _numbers() -> array[int]:
    return array("q")


@dataclass(slots=True)
class Columns:
    """Samples as they come out of the record, one array for each column.

    Plain numbers, no objects: with a million lists alive the garbage collector would take ten times what the work does.
    """

    start_us: array[int] = field(default_factory=_numbers)
    end_us: array[int] = field(default_factory=_numbers)
    revision: array[int] = field(default_factory=_numbers)
    sampled_us: array[int] = field(default_factory=_numbers)
    quality: array[int] = field(default_factory=_numbers)
    occupancy: list[str] = field(default_factory=list)
    sizes: dict[int, tuple[array[int], array[int], array[int]]] = field(default_factory=dict)
    """By size: which sample, particles, air."""
    climate: dict[str, tuple[array[int], array[int]]] = field(default_factory=dict)
    """By quantity: which sample; n, total, low, high of one after the other."""
    sensors: dict[str, int] = field(default_factory=dict)
    """How many samples each took part in."""

    def take(self, plain: Sequence[Sequence[Any]]) -> None:
        """Samples as `engine.codec.sample_to_plain` wrote them, one after the other.

        Column by column: a report has hundreds of thousands.
        """
        if not plain:
            return
        columns = zip(*plain, strict=True)
        _, start, end, revision, channels, sampled, _, sensors, quality, occupancy, *climate = columns
        first = len(self.end_us)
        self.start_us.extend(start)
        self.end_us.extend(end)
        self.revision.extend(revision)
        self.sampled_us.extend(sampled)
        self.quality.extend(quality)
        self.occupancy.extend(occupancy)
        self._take_counts(first, channels)
        for (name, _unit), spreads in zip(CLIMATE, climate, strict=True):
            there = [at for at, spread in enumerate(spreads, first) if spread is not None]
            if there:
                found = self.climate.get(name)
                if found is None:
                    found = self.climate[name] = (_numbers(), _numbers())
                found[0].extend(there)
                found[1].extend(chain.from_iterable(spread for spread in spreads if spread is not None))
        for sensor in chain.from_iterable(sensors):
            self.sensors[sensor] = self.sensors.get(sensor, 0) + 1

    def _take_counts(self, first: int, channels: Sequence[Sequence[Sequence[int]]]) -> None:
        """`first`: which sample the first of these is."""
        if len({len(each) for each in channels}) == 1:
            by_size = [tuple(zip(*one_size, strict=True)) for one_size in zip(*channels, strict=True)]
            if all(len(set(sizes)) == 1 and all(volumes) for sizes, _, volumes in by_size):
                for sizes, counts, volumes in by_size:
                    where, particles, air = self._of_size(sizes[0])
                    where.extend(range(first, first + len(sizes)))
                    particles.extend(counts)
                    air.extend(volumes)
                return
        # Other sizes in between, or no air: one by one, so that each size stays in the order of time.
        for at, of_one in enumerate(channels, first):
            for size, count, volume in of_one:
                if volume:
                    where, particles, air = self._of_size(size)
                    where.append(at)
                    particles.append(count)
                    air.append(volume)

    def _of_size(self, size: int) -> tuple[array[int], array[int], array[int]]:
        lists = self.sizes.get(size)
        if lists is None:
            lists = self.sizes[size] = (_numbers(), _numbers(), _numbers())
        return lists


def location_figures(columns: Columns, rules: Sequence[Rules], start_us: int, end_us: int) -> dict[str, Any]:
    """All that a report says of the samples of one location; instants and lengths in microseconds.

    `rules` are in the order of time; the first holds from the beginning.
    """
    ends, starts = _array(columns.end_us), _array(columns.start_us)
    sampled, quality = _array(columns.sampled_us), _array(columns.quality)
    era = _eras(ends, rules)
    span = ends - starts
    gaps = gaps_of(starts, ends, sampled, rules, start_us, end_us)
    return {
        "samples": len(ends),
        "samples_with_air": int(np.count_nonzero(sampled > 0)),
        "late_revisions": int(np.count_nonzero(_array(columns.revision) > 1)),
        "flags": {
            str(flag.name).lower().replace("_", "-"): number
            for flag in Quality
            if (number := int(np.count_nonzero(quality & int(flag))))
        },
        "doubtful": int(np.count_nonzero(quality & int(SUSPECT))),
        "coverage": int(np.minimum(sampled, span).sum()) / (end_us - start_us) if len(ends) else 0.0,
        "states": _states(columns, span),
        "sizes": [_size(columns, size, rules, era) for size in sorted(columns.sizes)],
        "unmeasured_levels": _unmeasured(columns, rules),
        "climate": [
            _climate(columns, name, unit, rules, era, span) for name, unit in CLIMATE if name in columns.climate
        ],
        "gaps": [[first, last] for first, last in gaps],
        "missing_us": sum(last - first for first, last in gaps),
        "charts": [_chart(columns, size, rules, era, start_us, end_us) for size in _charted(columns, rules)],
        "sensors": dict(sorted(columns.sensors.items())),
    }


def gaps_of(
    starts: Ints, ends: Ints, sampled: Ints, rules: Sequence[Rules], start_us: int, end_us: int
) -> list[tuple[int, int]]:
    """The stretches of `[start_us, end_us)` in which nobody measured."""
    allowed = _array([each.gap_us for each in rules] or [0])
    with_air = sampled > 0
    first, last = starts[with_air], ends[with_air]
    era = _eras(last, rules) if rules else np.zeros(len(last), dtype=np.int64)
    # How far anybody had measured before each of them.
    reached = np.maximum.accumulate(np.concatenate(([start_us], last)))
    late = np.flatnonzero(first - reached[:-1] > allowed[era])
    found = [(int(reached[at]), int(first[at])) for at in late]
    if end_us - int(reached[-1]) > int(allowed[-1]):
        found.append((int(reached[-1]), end_us))
    return found


def peak_between(columns: Columns, size_nm: int, first_us: int, last_us: int) -> tuple[float, int] | None:
    """The highest concentration of a size among samples that ended in `[first_us, last_us]`, and when; the first of
    equals. None where there is none."""
    lists = columns.sizes.get(size_nm)
    if lists is None:
        return None
    where = _array(lists[0])
    ends = _array(columns.end_us)[where]
    inside = (ends >= first_us) & (ends <= last_us)
    if not inside.any():
        return None
    values = (_array(lists[1])[inside] * UL_PER_M3) / _array(lists[2])[inside]
    best = int(np.argmax(values))
    return float(values[best]), int(ends[inside][best])


def exceeds(particles: Ints, volume_ul: Ints, per_m3: int) -> NDArray[np.bool_]:
    """Which concentrations are above the level, exactly."""
    if len(particles) and (
        int(particles.max()) * UL_PER_M3 >= 2**63 or per_m3 * int(volume_ul.max()) >= 2**63
    ):  # more than 64 bits: slower, and still exact
        return np.array(
            [int(n) * UL_PER_M3 > per_m3 * int(air) for n, air in zip(particles, volume_ul, strict=True)], dtype=bool
        )
    above: NDArray[np.bool_] = particles * UL_PER_M3 > volume_ul * per_m3
    return above


def _array(values: Sequence[int]) -> Ints:
    return np.asarray(values, dtype=np.int64)


def _eras(ends: Ints, rules: Sequence[Rules]) -> Ints:
    """Which of the rules held at the end of each sample."""
    instants = _array([each.from_us for each in rules])
    return np.maximum(np.searchsorted(instants, ends, side="right") - 1, 0).astype(np.int64)


def _states(columns: Columns, span: Ints) -> dict[str, int]:
    """The time of samples in each occupancy state."""
    found: dict[str, int] = {}
    at = 0
    for state, together in groupby(columns.occupancy):
        until = at + sum(1 for _ in together)
        found[state] = found.get(state, 0) + int(span[at:until].sum())
        at = until
    return dict(sorted(found.items()))


def _size(columns: Columns, size: int, rules: Sequence[Rules], era: Ints) -> dict[str, Any]:
    where, particles, volume = (_array(each) for each in columns.sizes[size])
    values = particles * float(UL_PER_M3) / volume
    best = int(np.argmax(values))
    return {
        "size_nm": size,
        "n": len(values),
        "mean_per_m3": int(particles.sum()) * UL_PER_M3 / int(volume.sum()),
        "median_per_m3": float(percentiles(values, 50, METHOD)),
        "p95_per_m3": float(percentiles(values, PERCENT, METHOD)),
        "max_per_m3": float(values[best]),
        "max_end_us": columns.end_us[int(where[best])],
        "zeros": int(np.count_nonzero(particles == 0)),
        "air_ul": int(volume.sum()),
        "levels": _levels(columns, size, where, particles, volume, rules, era),
    }


def _levels(
    columns: Columns, size: int, where: Ints, particles: Ints, volume: Ints, rules: Sequence[Rules], era: Ints
) -> list[dict[str, Any]]:
    """Each level of the size that held for some sample, with the samples above it."""
    states = np.asarray(columns.occupancy)[where]
    eras = era[where]
    found: dict[tuple[str, str, int, str], list[int]] = {}
    for number, held in enumerate(rules):
        for state, levels in held.levels.items():
            chosen = (eras == number) & (states == state)
            if not chosen.any():
                continue
            for level in levels:
                if level.size_nm == size:
                    above = int(np.count_nonzero(exceeds(particles[chosen], volume[chosen], level.per_m3)))
                    entry = found.setdefault((level.grade, state, level.per_m3, level.source), [0, 0])
                    entry[0] += int(np.count_nonzero(chosen))
                    entry[1] += above
    return [
        {"grade": grade, "state": state, "per_m3": per_m3, "source": source, "judged": n, "above": above}
        for (grade, state, per_m3, source), (n, above) in sorted(found.items())
    ]


def _unmeasured(columns: Columns, rules: Sequence[Rules]) -> list[int]:
    """Sizes with a level that no sample counted."""
    wanted = {level.size_nm for held in rules for levels in held.levels.values() for level in levels}
    return sorted(wanted - set(columns.sizes))


def _climate(columns: Columns, name: str, unit: str, rules: Sequence[Rules], era: Ints, span: Ints) -> dict[str, Any]:
    where = _array(columns.climate[name][0])
    n, total, low, high = _array(columns.climate[name][1]).reshape(-1, 4).T
    outside = {"alert": np.zeros(len(where), dtype=bool), "action": np.zeros(len(where), dtype=bool)}
    bounds: dict[tuple[str, str, int], None] = {}
    for number, held in enumerate(rules):
        chosen = era[where] == number
        for bound in held.bounds:
            if bound.quantity != name or not chosen.any():
                continue
            bounds[bound.grade, bound.side, bound.milli] = None
            beyond = total < n * bound.milli if bound.side == "low" else total > n * bound.milli
            outside[bound.grade] |= chosen & beyond
    return {
        "quantity": name,
        "unit": unit,
        "samples": len(where),
        "min": int(low.min()) / 1000,
        "mean": int(total.sum()) / int(n.sum()) / 1000,
        "max": int(high.max()) / 1000,
        "bounds": [{"grade": grade, "side": side, "value": milli / 1000} for grade, side, milli in sorted(bounds)],
        "outside_us": {grade: int(span[where][mask].sum()) for grade, mask in outside.items()},
    }


def _charted(columns: Columns, rules: Sequence[Rules]) -> list[int]:
    """The sizes that get a chart: those with levels, two at most; else the smallest."""
    judged = {level.size_nm for held in rules for levels in held.levels.values() for level in levels}
    return (sorted(judged & set(columns.sizes)) or sorted(columns.sizes)[:1])[:2]


def _chart(
    columns: Columns, size: int, rules: Sequence[Rules], era: Ints, start_us: int, end_us: int
) -> dict[str, Any]:
    """The highest sample in each of `BUCKETS` stretches, with the levels that held for it; None: nobody measured."""
    where, particles, volume = (_array(each) for each in columns.sizes[size])
    values = particles * float(UL_PER_M3) / volume
    places = (_array(columns.end_us)[where] - 1 - start_us) * BUCKETS // (end_us - start_us)
    buckets = np.clip(places, 0, BUCKETS - 1)
    # The last of each bucket is its highest sample; among equals the first that was taken.
    order = np.lexsort((-where, values, buckets))
    last = np.flatnonzero(np.diff(buckets[order], append=BUCKETS))
    points: list[list[float | int | None] | None] = [None] * BUCKETS
    for number in order[last].tolist():
        at = int(where[number])
        held = {
            level.grade: level.per_m3
            for level in rules[int(era[at])].levels.get(columns.occupancy[at], ())
            if level.size_nm == size
        }
        value = round(float(values[number]), 3)
        points[int(buckets[number])] = [value, held.get("alert"), held.get("action")]
    return {"size_nm": size, "points": points}
