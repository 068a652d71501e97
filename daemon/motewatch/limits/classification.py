"""The classification test of a clean room or zone: does it hold its class, and was enough measured to say so?

Rules (ISO 14644-1:2015 unless said otherwise; which clauses were seen is noted in the reference tests):

- The concentration of a location is the mean of its single samples. Every location and every considered size is
  judged alone; a value equal to the limit passes.
- A blank cell of the standard gives neither pass nor fail: the size is not applicable, and is no part of the
  designation.
- A failed limit fails the test. A test without a failed limit passes only if nothing is missing: locations, air, time,
  sizes, sound counters. What is missing is listed, and the outcome is then "not shown".
- Considered sizes are each at least 1.5 times the next smaller one (from memory).
- 1999 edition, legacy: square root of the area, and the upper confidence limit for 2 to 9 locations.

Concentrations are particles per cubic metre and exact. Must not know files, texts for printing or the journal.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise

from motewatch.limits import sample_volume, sampling_locations, upper_confidence
from motewatch.limits.errors import OutOfRangeError
from motewatch.limits.single_samples import SingleSample, concentration
from motewatch.limits.standards.designation import Designation, Macroparticles
from motewatch.limits.standards.library import ISO_1999, ISO_2015, shipped
from motewatch.limits.standards.model import Blank, Use, class_key
from motewatch.limits.standards.verdict import CellVerdict, verdict
from motewatch.limits.tables import Row, rows, rows_of
from motewatch.limits.upper_confidence import StudentT, UpperLimit
from motewatch.measure.samples import UL_PER_L
from motewatch.site.basics import size_text
from motewatch.site.models import Occupancy
from motewatch.wire.records import MINUTE_US

SIZE_RATIO = Fraction(3, 2)


class Edition(StrEnum):
    """Of ISO 14644-1: the one in force, and the one before it for old reports."""

    OF_2015 = "2015"
    OF_1999 = "1999"


class Outcome(StrEnum):
    """What the test shows, from best to worst."""

    PASS = "pass"
    NOT_APPLICABLE = "not-applicable"
    """The standard has no limit at any considered size."""
    NOT_SHOWN = "not-shown"
    """No limit is exceeded, but something that the test needs is missing."""
    FAIL = "fail"


class Lack(StrEnum):
    """What a test can be short of."""

    LOCATIONS = "too-few-locations"
    SAMPLES = "too-few-samples"
    VOLUME = "too-little-volume"
    TIME = "too-short"
    TIME_UNKNOWN = "time-unknown"
    SIZE = "size-not-counted"
    SUSPECT = "suspect-air"


@dataclass(frozen=True, slots=True)
class Shortfall:
    """One thing that is missing, with a sentence for people."""

    lack: Lack
    text: str


@dataclass(frozen=True, slots=True)
class Target:
    """What is to be shown: a class or grade in one occupancy state, with its limits by size."""

    name: str
    edition: Edition
    state: Occupancy
    limits: tuple[Row, ...]
    iso_class: str | None
    """Its name in the standard; None for a grade."""

    def limit(self, size_nm: int) -> Row | None:
        """The cell at a size; None for a size that the standard does not have."""
        return next((row for row in self.limits if row.size_nm == size_nm), None)

    @property
    def sizes_nm(self) -> tuple[int, ...]:
        """The sizes of the standard's table."""
        return tuple(row.size_nm for row in self.limits)


@dataclass(frozen=True, slots=True)
class SizeResult:
    """One size at one location, or over all of them. `mean` None: not counted there, and then not judged."""

    size_nm: int
    mean: Fraction | None
    verdict: CellVerdict


@dataclass(frozen=True, slots=True)
class LocationResult:
    """One sampling location: its samples, all its air at the smallest considered size, and each size judged alone."""

    location: str
    x_m: float | None
    y_m: float | None
    samples: int
    volume_ul: int
    sizes: tuple[SizeResult, ...]

    @property
    def verdict(self) -> CellVerdict:
        """Exceeds if one size does; not applicable if none could be judged."""
        found = {size.verdict for size in self.sizes}
        for worst in (CellVerdict.EXCEEDS, CellVerdict.WITHIN):
            if worst in found:
                return worst
        return CellVerdict.NOT_APPLICABLE


@dataclass(frozen=True, slots=True)
class UpperResult:
    """1999 edition: the upper confidence limit of one size."""

    size_nm: int
    upper: UpperLimit
    verdict: CellVerdict


@dataclass(frozen=True, slots=True)
class Classification:
    """The whole result."""

    target: Target
    sizes_nm: tuple[int, ...]
    area_m2: float
    flow_l_min: float | None
    needed_locations: int
    least_volume_l: float | None
    """Needed of each single sample; None where no considered size has a limit."""
    smallest_volume_l: float
    """Of the single samples, as sampled."""
    locations: tuple[LocationResult, ...]
    upper_limits: tuple[UpperResult, ...]
    shortfalls: tuple[Shortfall, ...]
    outcome: Outcome

    @property
    def applicable_nm(self) -> tuple[int, ...]:
        """The considered sizes at which the standard has a limit."""
        return applicable(self.target, self.sizes_nm)

    @property
    def designation(self) -> str | None:
        """`ISO Class 7; at-rest; 0.5 um, 5 um` where the test passes; None otherwise."""
        if self.outcome is not Outcome.PASS:
            return None
        if self.target.iso_class is None:
            sizes = ", ".join(size_text(size) for size in self.applicable_nm)
            return f"{self.target.name}; {self.target.state.value}; {sizes}"
        return str(Designation(self.target.iso_class, (self.target.state,), self.applicable_nm))

    def highest(self, size_nm: int) -> Fraction | None:
        """The highest location average at a size; None where it was counted nowhere."""
        means = [size.mean for place in self.locations for size in place.sizes if size.size_nm == size_nm]
        return max((mean for mean in means if mean is not None), default=None)

    @property
    def macroparticle_hint(self) -> str | None:
        """What the 2015 edition has instead of a limit for 5 um beside class 5: the M descriptor.

        The example's 29 per m3 is from memory; which number to state is for the parties to agree.
        """
        for size_nm in self.sizes_nm:
            row = self.target.limit(size_nm)
            if row is not None and row.cell is Blank.MACROPARTICLE_ONLY:
                return (
                    f"For {size_text(size_nm)} beside {self.target.name} state the M descriptor, "
                    f"such as {Macroparticles(29, size_nm)}; the number is for the parties to agree."
                )
        return None


def iso_target(name: str, state: Occupancy, edition: Edition = Edition.OF_2015) -> Target:
    """The class as the target; 1999 also in steps of 0.1. Raises `UnknownClassError`."""
    standard = shipped().get(ISO_2015 if edition is Edition.OF_2015 else ISO_1999)
    key = class_key(name)
    return Target(f"ISO {key}", edition, state, rows_of(standard, key, state, Use.CLASSIFICATION), key)


def grade_target(grade: str, state: Occupancy) -> Target:
    """A grade of EU GMP Annex 1 (2022), Table 1 (classification). Raises `UnknownGradeError`."""
    limits = rows(grade=grade, occupancy=state, use=Use.CLASSIFICATION)
    return Target(f"EU GMP grade {grade}", Edition.OF_2015, state, limits, None)


def considered_sizes(sizes_nm: Iterable[int], target: Target) -> tuple[int, ...]:
    """The sizes, rising, if they may be considered together for the target; else `OutOfRangeError`.

    At least one; each at least 1.5 times the next smaller; each in the standard's table.
    """
    sizes = tuple(sorted(sizes_nm))
    if not sizes:
        raise OutOfRangeError("sizes", "none", "at least one size")
    for size in sizes:
        if target.limit(size) is None:
            known = ", ".join(f"{each / 1000:g}" for each in target.sizes_nm)
            raise OutOfRangeError("size", size_text(size), f"sizes that {target.name} has: {known} um")
    for smaller, larger in pairwise(sizes):
        if larger < SIZE_RATIO * smaller:
            raise OutOfRangeError(
                "sizes",
                f"{smaller / 1000:g} and {size_text(larger)}",
                f"sizes each at least 1.5 times the next smaller: after {size_text(smaller)} at least "
                f"{float(SIZE_RATIO * smaller) / 1000:g} um",
            )
    return sizes


def applicable(target: Target, sizes_nm: Iterable[int]) -> tuple[int, ...]:
    """Those of the sizes at which the target has a limit, in their order."""
    return tuple(size for size in sizes_nm if _limit(target, size) is not None)


def _limit(target: Target, size_nm: int) -> float | None:
    row = target.limit(size_nm)
    return None if row is None or isinstance(row.cell, Blank) else row.cell


def classify(
    samples: Sequence[SingleSample],
    target: Target,
    sizes_nm: Iterable[int],
    area_m2: float,
    flow_l_min: float | None = None,
    t_from: StudentT = StudentT.PRINTED,
) -> Classification:
    """Judge the samples of a test against the target.

    `area_m2`: of the clean zone. `flow_l_min`: of the counter, to tell the time of samples that do not say it.
    `t_from`: 1999 edition only. Raises `OutOfRangeError` for sizes, area or flow that cannot be, and for no samples.
    """
    sizes = considered_sizes(sizes_nm, target)
    if not any(sample.channels for sample in samples):
        raise OutOfRangeError("samples", "none", "at least one sample with counts")
    if flow_l_min is not None and not 0 < flow_l_min < float("inf"):
        raise OutOfRangeError("flow_l_min", flow_l_min, "a flow above 0 in litres per minute")
    legacy = target.edition is Edition.OF_1999
    needed = (sampling_locations.locations_1999 if legacy else sampling_locations.locations_2015)(area_m2)
    places: dict[str, list[SingleSample]] = {}
    for sample in samples:
        places.setdefault(sample.location, []).append(sample)
    locations = tuple(_location(name, taken, sizes, target) for name, taken in places.items())
    with_limit = applicable(target, sizes)
    # The limit of the largest considered size asks for the most air.
    strictest = _limit(target, with_limit[-1]) if with_limit else None
    uppers = _upper_limits(locations, with_limit, target, t_from) if legacy else ()
    lacking = [
        *_too_few(len(places), needed, area_m2, target),
        *(_one_place(samples) if legacy and len(places) == 1 else ()),
        *_gathered(
            (lack for sample in samples for lack in _of_sample(sample, with_limit, strictest, flow_l_min)),
            len(samples),
        ),
    ]
    return Classification(
        target=target,
        sizes_nm=sizes,
        area_m2=area_m2,
        flow_l_min=flow_l_min,
        needed_locations=needed,
        least_volume_l=None if strictest is None else sample_volume.least_volume_l(strictest),
        smallest_volume_l=min(channel.volume_ul for sample in samples for channel in sample.channels) / UL_PER_L,
        locations=locations,
        upper_limits=uppers,
        shortfalls=tuple(lacking),
        outcome=_outcome(locations, uppers, lacking, bool(with_limit)),
    )


def _location(name: str, taken: Sequence[SingleSample], sizes: Sequence[int], target: Target) -> LocationResult:
    results = []
    volume_ul = 0
    for size in sizes:
        channels = [channel for sample in taken if (channel := sample.channel(size)) is not None]
        volume_ul = volume_ul or sum(channel.volume_ul for channel in channels)
        if not channels:
            results.append(SizeResult(size, None, CellVerdict.NOT_APPLICABLE))
            continue
        mean = sum((concentration(channel) for channel in channels), Fraction()) / len(channels)
        row = target.limit(size)
        assert row is not None, "considered sizes are those of the table"
        results.append(SizeResult(size, mean, verdict(row.cell, mean)))
    placed = next((sample for sample in taken if sample.x_m is not None), taken[0])
    return LocationResult(name, placed.x_m, placed.y_m, len(taken), volume_ul, tuple(results))


def _upper_limits(
    locations: Sequence[LocationResult], sizes: Iterable[int], target: Target, t_from: StudentT
) -> tuple[UpperResult, ...]:
    found = []
    for size_nm in sizes:
        means = [size.mean for place in locations for size in place.sizes if size.size_nm == size_nm]
        averages = [mean for mean in means if mean is not None]
        limit = _limit(target, size_nm)
        if limit is None or not upper_confidence.applies(len(averages)):
            continue
        upper = upper_confidence.upper_limit(averages, t_from)
        above = upper.is_above(limit)
        found.append(UpperResult(size_nm, upper, CellVerdict.EXCEEDS if above else CellVerdict.WITHIN))
    return tuple(found)


def _outcome(
    locations: Iterable[LocationResult], uppers: Iterable[UpperResult], lacking: Sequence[Shortfall], any_limit: bool
) -> Outcome:
    verdicts = {size.verdict for place in locations for size in place.sizes} | {upper.verdict for upper in uppers}
    if CellVerdict.EXCEEDS in verdicts:
        return Outcome.FAIL
    if not any_limit:
        return Outcome.NOT_APPLICABLE
    return Outcome.NOT_SHOWN if lacking else Outcome.PASS


# What is missing


def _too_few(found: int, needed: int, area_m2: float, target: Target) -> Iterable[Shortfall]:
    if found < needed:
        yield Shortfall(
            Lack.LOCATIONS,
            f"{found} of the {needed} sampling locations that ISO 14644-1:{target.edition.value} asks for in "
            f"{area_m2:g} m2",
        )


def _one_place(samples: Sequence[SingleSample]) -> Iterable[Shortfall]:
    """1999: a single location needs three samples (from memory)."""
    if len(samples) < 3:
        yield Shortfall(
            Lack.SAMPLES,
            f"{len(samples)} of the 3 samples that ISO 14644-1:1999 asks for where there is one location",
        )


_Lacking = tuple[Lack, str, str]
"""What is missing, its sentence without a place, and the place."""


def _of_sample(
    sample: SingleSample, sizes: Sequence[int], limit: float | None, flow_l_min: float | None
) -> Iterable[_Lacking]:
    where = f"{sample.location} ({sample.number})"
    air = []
    for size in sizes:
        channel = sample.channel(size)
        if channel is None:
            yield Lack.SIZE, f"{size_text(size)} was not counted", where
        else:
            air.append(channel.volume_ul)
    if sample.suspect:
        yield Lack.SUSPECT, "the counter was over its range or had a fault", where
    if not air or limit is None:
        return
    least_ul = min(air)
    if not sample_volume.is_enough(least_ul, limit):
        least_l = sample_volume.least_volume_l(limit)
        yield Lack.VOLUME, f"{least_ul / UL_PER_L:.6g} L of the {least_l:.4g} L of air that a sample needs", where
    lasted = _duration_min(sample, least_ul, flow_l_min)
    if lasted is None:
        yield Lack.TIME_UNKNOWN, "neither the duration nor the counter's flow is given; 1 minute is needed", where
    elif lasted < 1:
        yield Lack.TIME, f"{float(lasted):.3g} min of the 1 min that a sample needs", where


def _gathered(lacking: Iterable[_Lacking], samples: int) -> Iterable[Shortfall]:
    """What several samples lack is told once, with the places in brackets behind their sample's number."""
    places: dict[tuple[Lack, str], list[str]] = {}
    for lack, text, where in lacking:
        places.setdefault((lack, text), []).append(where)
    for (lack, text), found in places.items():
        what = "every sample" if len(found) == samples > 1 else f"location (sample) {', '.join(found)}"
        yield Shortfall(lack, f"{what}: {text}")


def _duration_min(sample: SingleSample, volume_ul: int, flow_l_min: float | None) -> Fraction | None:
    if sample.duration_us is not None:
        return Fraction(sample.duration_us, MINUTE_US)
    if flow_l_min is None:
        return None
    return Fraction(volume_ul, max(1, round(flow_l_min * UL_PER_L)))


# The best class


def best_class(
    samples: Sequence[SingleSample],
    state: Occupancy,
    sizes_nm: Iterable[int],
    area_m2: float,
    flow_l_min: float | None = None,
    edition: Edition = Edition.OF_2015,
) -> Classification | None:
    """The cleanest class that has a limit at every considered size and none of whose limits is exceeded; None: none.

    Printed classes only (whole and half ones in 2015). Look at its outcome: a cleaner class needs larger samples, so
    it may be "not shown" by these. Errors as `classify`.
    """
    sizes = tuple(sizes_nm)
    standard = shipped().get(ISO_2015 if edition is Edition.OF_2015 else ISO_1999)
    for name in sorted(standard.class_names(), key=float):
        target = iso_target(name, state, edition)
        if len(applicable(target, sizes)) < len(sizes):
            continue
        result = classify(samples, target, sizes, area_m2, flow_l_min)
        if result.outcome in (Outcome.PASS, Outcome.NOT_SHOWN):
            return result
    return None
