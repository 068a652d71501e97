"""A stretch of time at one location, summed up: what a trend shows where single samples would be too many.

Rules: nothing is hidden by summing up. Of each size the least and the greatest sample stay as they are (count and air,
so that comparisons stay exact), the greatest for each run of one occupancy state, because the state picks the level
that it is held against. Where nobody measured stays to be seen: each quantity tells its first and last instant, and
the largest hole in between. Joining stretches gives what the samples themselves would have given: a property test.

Tuples and not dataclasses, because a year of them is read in a moment. Pure; must not know levels, tables or drawings.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from itertools import pairwise
from typing import Any, Final, NamedTuple, TypeVar

from motewatch.measure.samples import UL_PER_M3, Quality, Sample, Spread

FLAGS: Final = tuple(Quality)
"""The flags of a sample, in the order in which a stretch counts them."""


class Peak(NamedTuple):
    """The sample with the highest concentration of one size: its particles, its air and the end of its period."""

    size_nm: int
    particles: int
    volume_ul: int
    at_us: int

    @property
    def per_m3(self) -> float:
        """Its concentration."""
        return self.particles * UL_PER_M3 / self.volume_ul


class Run(NamedTuple):
    """Samples on end in one occupancy state: from when to when, how many, and the peak of each size."""

    occupancy: str
    first_us: int
    last_us: int
    samples: int
    peaks: tuple[Peak, ...]


class Counted(NamedTuple):
    """One size: how many samples had air, when, and what they showed."""

    n: int
    air_us: int
    """The time that these samples stand for."""
    first_us: int
    last_us: int
    hole_us: int
    """The longest time between two of them."""
    size_nm: int
    particles: int
    volume_ul: int
    zeros: int
    """How many counted nothing."""
    low_particles: int
    low_volume_ul: int

    @property
    def per_m3(self) -> float:
        """Mean concentration: all particles in all air."""
        return self.particles * UL_PER_M3 / self.volume_ul

    @property
    def low_per_m3(self) -> float:
        """The least concentration of a sample."""
        return self.low_particles * UL_PER_M3 / self.low_volume_ul


class Ranged(NamedTuple):
    """One climate quantity, in milli-units, as in `Spread`."""

    n: int
    air_us: int
    first_us: int
    last_us: int
    hole_us: int
    readings: int
    total: int
    low: int
    high: int

    @property
    def mean(self) -> float:
        """Mean in whole units."""
        return self.total / self.readings / 1000


class Stretch(NamedTuple):
    """All of it. `n` to `hole_us` as in `Counted`, for air of any size."""

    n: int
    air_us: int
    first_us: int
    last_us: int
    hole_us: int
    samples: int
    """All samples, those without any air included."""
    revised: int
    """How many of them are a later revision."""
    sampled_us: int
    flags: tuple[int, ...]
    """How many samples bear each of `FLAGS`."""
    runs: tuple[Run, ...]
    sizes: tuple[Counted, ...]
    temperature: Ranged | None
    humidity: Ranged | None
    pressure: Ranged | None

    def size(self, size_nm: int) -> Counted | None:
        """What was counted of this size; None where nobody did."""
        return next((each for each in self.sizes if each.size_nm == size_nm), None)

    def peak(self, size_nm: int) -> Peak | None:
        """The highest sample of this size; the first of equals."""
        found: Peak | None = None
        for run in self.runs:
            for peak in run.peaks:
                if peak.size_nm == size_nm and (found is None or _above(peak, found)):
                    found = peak
        return found

    def flagged(self, flag: Quality) -> int:
        """How many samples bear this flag."""
        return self.flags[FLAGS.index(flag)]


def of_sample(sample: Sample) -> Stretch:
    """A single sample as a stretch."""
    span = sample.end_us - sample.start_us
    at = (1, span, sample.start_us, sample.end_us, 0)
    with_air = [channel for channel in sample.channels if channel.volume_ul]

    def ranged(spread: Spread | None) -> Ranged | None:
        return None if spread is None else Ranged(*at, spread.n, spread.total, spread.low, spread.high)

    return Stretch(
        *(at if with_air else (0, 0, 0, 0, 0)),
        samples=1,
        revised=int(sample.revision > 1),
        sampled_us=sample.sampled_us,
        flags=tuple(int(flag in sample.quality) for flag in FLAGS),
        runs=(
            Run(
                sample.occupancy,
                sample.start_us,
                sample.end_us,
                1,
                tuple(Peak(each.size_nm, each.count, each.volume_ul, sample.end_us) for each in with_air),
            ),
        ),
        sizes=tuple(
            Counted(*at, each.size_nm, each.count, each.volume_ul, int(each.count == 0), each.count, each.volume_ul)
            for each in with_air
        ),
        temperature=ranged(sample.temperature),
        humidity=ranged(sample.humidity),
        pressure=ranged(sample.pressure),
    )


def join(stretches: Sequence[Stretch], cuts_us: Sequence[int] = ()) -> Stretch:
    """Stretches on end, in their order, as one; at least one of them.

    `cuts_us` (rising): instants at which levels changed; a run does not reach over one. No single stretch may.
    """
    if len(stretches) == 1:
        return stretches[0]
    by_size: dict[int, list[Counted]] = {}
    for stretch in stretches:
        for each in stretch.sizes:
            by_size.setdefault(each.size_nm, []).append(each)
    return Stretch(
        *_track([each for each in stretches if each.n]),
        samples=sum(each.samples for each in stretches),
        revised=sum(each.revised for each in stretches),
        sampled_us=sum(each.sampled_us for each in stretches),
        flags=tuple(map(sum, zip(*(each.flags for each in stretches), strict=True))),
        runs=_runs([run for each in stretches for run in each.runs], cuts_us),
        sizes=tuple(_counted(by_size[size]) for size in sorted(by_size)),
        temperature=_ranged([each.temperature for each in stretches if each.temperature]),
        humidity=_ranged([each.humidity for each in stretches if each.humidity]),
        pressure=_ranged([each.pressure for each in stretches if each.pressure]),
    )


_Key = TypeVar("_Key")


def grouped(stretches: Iterable[tuple[_Key, Stretch]], cuts_us: Sequence[int] = ()) -> list[tuple[_Key, Stretch]]:
    """Stretches of the same key, on end, joined; in their order."""
    found: list[tuple[_Key, Stretch]] = []
    together: list[Stretch] = []
    last: _Key | None = None
    for key, stretch in stretches:
        if together and key != last:
            # Joined at once, so that of a year only a day at a time is in memory: the collector has little to look at.
            assert last is not None
            found.append((last, join(together, cuts_us)))
            together = []
        last = key
        together.append(stretch)
    if together and last is not None:
        found.append((last, join(together, cuts_us)))
    return found


def from_plain(plain: Sequence[Any], sizes_nm: frozenset[int] | None = None) -> Stretch:
    """The stretch that was written as JSON lists (a tuple is one); of the sizes only those asked for."""
    *numbers, flags, runs, sizes, temperature, humidity, pressure = plain
    if sizes_nm is not None:
        runs = [(*run, [peak for peak in peaks if peak[0] in sizes_nm]) for *run, peaks in runs]
        sizes = [each for each in sizes if each[5] in sizes_nm]
    return _stretch(
        (
            *numbers,
            tuple(flags),
            tuple([_run((state, first, last, n, tuple(map(_peak, peaks)))) for state, first, last, n, peaks in runs]),
            tuple(map(_counted_of, sizes)),
            _ranged_of(temperature) if temperature else None,
            _ranged_of(humidity) if humidity else None,
            _ranged_of(pressure) if pressure else None,
        )
    )


# What `_make` does but for its check: these were written from the same classes, and a year has tens of thousands.
_peak: Callable[[Iterable[Any]], Peak] = partial(tuple.__new__, Peak)
_run: Callable[[Iterable[Any]], Run] = partial(tuple.__new__, Run)
_counted_of: Callable[[Iterable[Any]], Counted] = partial(tuple.__new__, Counted)
_ranged_of: Callable[[Iterable[Any]], Ranged] = partial(tuple.__new__, Ranged)
_stretch: Callable[[Iterable[Any]], Stretch] = partial(tuple.__new__, Stretch)


def _above(one: Peak, other: Peak) -> bool:
    # Without a division: two samples that hold the same must compare equal.
    return one.particles * other.volume_ul > other.particles * one.volume_ul


def _track(parts: Sequence[Stretch | Counted | Ranged]) -> tuple[int, int, int, int, int]:
    if not parts:
        return 0, 0, 0, 0, 0
    hole = max(part.hole_us for part in parts)
    for before, after in pairwise(parts):
        hole = max(hole, after.first_us - before.last_us)
    return (
        sum(part.n for part in parts),
        sum(part.air_us for part in parts),
        parts[0].first_us,
        parts[-1].last_us,
        hole,
    )


def _counted(parts: list[Counted]) -> Counted:
    if len(parts) == 1:
        return parts[0]
    low_particles, low_volume = parts[0].low_particles, parts[0].low_volume_ul
    for part in parts[1:]:
        if part.low_particles * low_volume < low_particles * part.low_volume_ul:
            low_particles, low_volume = part.low_particles, part.low_volume_ul
    return Counted(
        *_track(parts),
        size_nm=parts[0].size_nm,
        particles=sum(part.particles for part in parts),
        volume_ul=sum(part.volume_ul for part in parts),
        zeros=sum(part.zeros for part in parts),
        low_particles=low_particles,
        low_volume_ul=low_volume,
    )


def _ranged(parts: list[Ranged]) -> Ranged | None:
    if len(parts) <= 1:
        return parts[0] if parts else None
    return Ranged(
        *_track(parts),
        readings=sum(part.readings for part in parts),
        total=sum(part.total for part in parts),
        low=min(part.low for part in parts),
        high=max(part.high for part in parts),
    )


def _runs(runs: list[Run], cuts_us: Sequence[int]) -> tuple[Run, ...]:
    found: list[list[Run]] = []
    for run in runs:
        if found and found[-1][-1].occupancy == run.occupancy and not _cut(found[-1][-1], run, cuts_us):
            found[-1].append(run)
        else:
            found.append([run])
    return tuple(_one_run(together) for together in found)


def _cut(before: Run, after: Run, cuts_us: Sequence[int]) -> bool:
    """Did the levels change between the ends of these two?

    A sample is judged by what holds at its end, so a change at that very instant counts already.
    """
    return bool(cuts_us) and bisect_left(cuts_us, before.last_us + 1) != bisect_left(cuts_us, after.last_us + 1)


def _one_run(runs: list[Run]) -> Run:
    if len(runs) == 1:
        return runs[0]
    peaks: dict[int, Peak] = {}
    for run in runs:
        for peak in run.peaks:
            known = peaks.get(peak.size_nm)
            if known is None or _above(peak, known):
                peaks[peak.size_nm] = peak
    return Run(
        runs[0].occupancy,
        runs[0].first_us,
        runs[-1].last_us,
        sum(run.samples for run in runs),
        tuple(peaks[size] for size in sorted(peaks)),
    )
