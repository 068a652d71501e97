"""What the samples on record show of one size at one location: counts, air, scatter, and how much they repeat.

Rules: only sound samples of one occupancy state are taken; what is left out is counted by its reason. An excursion is
part of the history unless somebody leaves it out by a stated concentration. Successive samples resemble each other,
so a thousand of them tell less than a thousand: the effective number is n over the autocorrelation time (initial
positive pairs, C. J. Geyer, Statistical Science 7, 1992, from memory), taking samples as they follow each other and
gaps as if they were none.

Must not know levels or limits.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from motewatch.measure.dispersion import estimate_alpha
from motewatch.measure.errors import BadInputError
from motewatch.measure.samples import INSUFFICIENT, SUSPECT, UL_PER_M3, Sample
from motewatch.measure.statistics import Interval, concentration_interval

OTHER_STATE = "another occupancy state"
SUSPECT_AIR = "suspect air"
LITTLE_AIR = "too little air"
NOT_MEASURED = "not measured in this size"
STATED = "above the stated concentration"


@dataclass(frozen=True)
class CountHistory:
    """Sound samples, oldest first; at least one."""

    counts: NDArray[np.int64]
    volumes_ul: NDArray[np.int64]
    ends_us: NDArray[np.int64]
    left_out: dict[str, int]

    @property
    def n(self) -> int:
        """Number of samples."""
        return len(self.counts)

    @property
    def span_us(self) -> int:
        """From the end of the first to the end of the last."""
        return int(self.ends_us[-1] - self.ends_us[0])

    @cached_property
    def count(self) -> int:
        """All particles."""
        return int(self.counts.sum())

    @cached_property
    def air_ul(self) -> int:
        """All air."""
        return int(self.volumes_ul.sum())

    @property
    def per_m3(self) -> float:
        """All counts over all air."""
        return self.count * UL_PER_M3 / self.air_ul

    @property
    def interval_per_m3(self) -> Interval:
        """Exact 95 % Poisson interval of `per_m3`; too narrow where samples scatter more or repeat each other."""
        found = concentration_interval(self.count, self.air_ul)
        assert found is not None
        return found

    @cached_property
    def concentrations(self) -> NDArray[np.float64]:
        """Each sample's, per m3."""
        return np.asarray(self.counts * UL_PER_M3 / self.volumes_ul)

    @cached_property
    def usual_volume_ul(self) -> int:
        """The volume most samples have; the greater of two equally frequent ones."""
        each, times = np.unique(self.volumes_ul, return_counts=True)
        return int(each[times == times.max()].max())

    @cached_property
    def spacing_us(self) -> int:
        """The usual time from sample to sample: the median; 0 for one sample."""
        return int(np.median(np.diff(self.ends_us))) if self.n > 1 else 0

    @cached_property
    def alpha(self) -> float:
        """Scatter beyond Poisson, see `dispersion`."""
        means = self.per_m3 * self.volumes_ul / UL_PER_M3
        return estimate_alpha(self.counts.tolist(), means.tolist())

    @cached_property
    def autocorrelations(self) -> NDArray[np.float64]:
        """Of the deviations from the mean concentration, from lag 0 (1) up; 1 alone where nothing varies."""
        means = self.per_m3 * self.volumes_ul / UL_PER_M3
        if self.count == 0:
            return np.ones(1)
        deviations = (self.counts - means) / np.sqrt(means)
        deviations -= deviations.mean()
        size = 1 << (2 * self.n - 1).bit_length()
        spectrum = np.fft.rfft(deviations, size)
        sums = np.fft.irfft(spectrum * np.conj(spectrum), size)[: self.n]
        if sums[0] <= 1e-12 * self.n:
            return np.ones(1)
        return np.asarray(sums / sums[0])

    @property
    def lag_one(self) -> float:
        """How alike two successive samples are: 0 not at all, 1 the same."""
        return float(self.autocorrelations[1]) if len(self.autocorrelations) > 1 else 0.0

    @cached_property
    def effective_n(self) -> float:
        """How many independent samples would tell as much; at most n."""
        found = self.autocorrelations
        total = 0.0
        for lag in range(0, len(found) - 1, 2):
            pair = float(found[lag] + found[lag + 1])
            if pair <= 0:
                break
            total += pair
        return self.n / max(1.0, 2 * total - 1)


def count_history(
    samples: Iterable[Sample], size_nm: int, occupancy: str, leave_out_above_per_m3: float | None = None
) -> CountHistory | None:
    """The sound samples of one size and state; None when there are none. Samples are one location's."""
    if leave_out_above_per_m3 is not None and not leave_out_above_per_m3 >= 0:
        raise BadInputError("leave_out_above_per_m3", leave_out_above_per_m3, "a concentration, 0 or more")
    left_out: Counter[str] = Counter()
    kept: list[tuple[int, int, int]] = []
    for sample in samples:
        channel = sample.channel(size_nm)
        if sample.occupancy != occupancy:
            left_out[OTHER_STATE] += 1
        elif sample.quality & INSUFFICIENT:
            left_out[LITTLE_AIR] += 1
        elif sample.quality & SUSPECT:
            left_out[SUSPECT_AIR] += 1
        elif channel is None or channel.volume_ul <= 0:
            left_out[NOT_MEASURED] += 1
        elif (
            leave_out_above_per_m3 is not None
            and channel.count * UL_PER_M3 > leave_out_above_per_m3 * channel.volume_ul
        ):
            left_out[STATED] += 1
        else:
            kept.append((sample.end_us, channel.count, channel.volume_ul))
    if not kept:
        return None
    kept.sort()
    ends, counts, volumes = (np.array(column, dtype=np.int64) for column in zip(*kept, strict=True))
    return CountHistory(counts, volumes, ends, dict(left_out))
