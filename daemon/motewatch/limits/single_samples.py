"""The single samples of a classification, as they were taken or as the journal holds them.

A single sample is the air that a counter drew at one sampling location without a pause. Counts are cumulative: at or
above each size. Must not know classes or limits.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from motewatch.limits.errors import OutOfRangeError
from motewatch.measure.samples import SUSPECT, UL_PER_M3, Channel, Sample
from motewatch.site.basics import size_text
from motewatch.site.models import Occupancy


@dataclass(frozen=True, slots=True)
class SingleSample:
    """One sample of a test: channels by rising size, with whole counts from 0 in microlitres of air above 0.

    Positions are metres in the room's own plan, both or none. `duration_us` None: not recorded, to be told from the
    counter's flow. `suspect`: air measured by a faulty or over-ranged counter. Raises `OutOfRangeError`, for counts
    that increase with size too.
    """

    location: str
    number: int
    channels: tuple[Channel, ...]
    x_m: float | None = None
    y_m: float | None = None
    duration_us: int | None = None
    suspect: bool = False

    def __post_init__(self) -> None:
        if not self.location:
            raise OutOfRangeError("location", repr(self.location), "a name for the sampling location")
        if (self.x_m is None) != (self.y_m is None):
            raise OutOfRangeError("position", (self.x_m, self.y_m), "both x and y, or none")
        for channel in self.channels:
            if channel.count < 0:
                raise OutOfRangeError("count", channel.count, "a whole number from 0")
            if channel.volume_ul <= 0:
                raise OutOfRangeError("volume_ul", channel.volume_ul, "a volume above 0")
        for smaller, larger in pairwise(self.channels):
            if smaller.size_nm >= larger.size_nm:
                raise OutOfRangeError("size_nm", larger.size_nm, "rising sizes, each once")
            if smaller.volume_ul == larger.volume_ul and smaller.count < larger.count:
                raise OutOfRangeError(
                    f"count at {size_text(larger.size_nm)}",
                    larger.count,
                    f"cumulative counts, not more than the {smaller.count} at {size_text(smaller.size_nm)}",
                )

    def channel(self, size_nm: int) -> Channel | None:
        """The channel of exactly this size; None where it was not counted."""
        return next((channel for channel in self.channels if channel.size_nm == size_nm), None)


def concentration(channel: Channel) -> Fraction:
    """Particles per cubic metre, exact."""
    return Fraction(channel.count * UL_PER_M3, channel.volume_ul)


@dataclass(frozen=True, slots=True)
class Pooled:
    """Samples of the journal as single samples of a test, and what was left out of them."""

    samples: tuple[SingleSample, ...]
    periods: int
    """Sample periods of the journal that were pooled."""
    other_state: int
    """Left out: sampled in another occupancy state."""
    no_air: int
    """Left out: without any air."""


def pooled(recorded: Iterable[Sample], state: Occupancy) -> Pooled:
    """One single sample for each location: its periods in the occupancy state, counts and air summed.

    A fixed counter draws air all the time, so its periods together are one long sample (our choice). Air of partial
    periods counts as what it is; one suspect period makes the location's sample suspect.
    """
    air: dict[str, dict[int, Channel]] = {}
    duration: dict[str, int] = {}
    suspect: set[str] = set()
    periods = other_state = no_air = 0
    for sample in recorded:
        if sample.occupancy != state.value:
            other_state += 1
            continue
        if not sample.channels:
            no_air += 1
            continue
        periods += 1
        sums = air.setdefault(sample.location, {})
        for channel in sample.channels:
            before = sums.get(channel.size_nm, Channel(channel.size_nm, 0, 0))
            sums[channel.size_nm] = Channel(
                channel.size_nm, before.count + channel.count, before.volume_ul + channel.volume_ul
            )
        duration[sample.location] = duration.get(sample.location, 0) + sample.sampled_us
        if sample.quality & SUSPECT:
            suspect.add(sample.location)
    samples = tuple(
        SingleSample(
            location,
            1,
            tuple(sums[size] for size in sorted(sums) if sums[size].volume_ul > 0),
            duration_us=duration[location],
            suspect=location in suspect,
        )
        for location, sums in sorted(air.items())
    )
    return Pooled(samples, periods, other_state, no_air)
