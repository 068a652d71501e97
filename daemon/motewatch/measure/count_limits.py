"""Upper limits of counts in a given volume of air: the count that chance alone reaches no more often than wanted.

Exact tails of the Poisson distribution, or of the negative binomial where counts scatter more (`alpha`, see
`dispersion`). A count is whole, so the error that is kept is mostly smaller than the one that was asked for; a limit
tells both. As a level in a site file a limit is a whole number per m3, chosen so that in this volume exactly the
alarming count and all above it exceed it; in another volume it exceeds at other counts.

Units: counts are particles in the sample, volumes microlitres, concentrations particles per m3. Must not know
standards; what caps a level is the caller's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from motewatch.measure.dispersion import smallest_count_beyond, tail
from motewatch.measure.errors import BadInputError
from motewatch.measure.signals import not_negative
from motewatch.measure.statistics import UL_PER_M3, smallest_exceeding_count

L_PER_M3 = 1_000


@dataclass(frozen=True, slots=True)
class CountLimit:
    """`count` is the first that is beyond; `error` its probability in air as expected, `asked` what was allowed."""

    count: int
    volume_ul: int
    mean: float
    error: float
    asked: float

    @property
    def per_m3(self) -> float:
        """The greatest concentration that is still within: one particle fewer, in this volume."""
        return (self.count - 1) * UL_PER_M3 / self.volume_ul

    @property
    def per_l(self) -> float:
        """The same per litre."""
        return self.per_m3 / L_PER_M3

    @property
    def level_per_m3(self) -> int:
        """The smallest whole level that `count` exceeds and one particle fewer does not."""
        return level_below(self.count, self.volume_ul)


def upper_limit(expected_per_m3: float, volume_ul: int, error: float, alpha: float = 0.0) -> CountLimit:
    """The smallest count that air of this concentration reaches with a probability of at most `error`."""
    mean = not_negative("expected_per_m3", expected_per_m3) * _air(volume_ul) / UL_PER_M3
    if not 0 < error < 1:
        raise BadInputError("error", error, "a share above 0 and below 1")
    count = smallest_count_beyond(error, mean, alpha)
    return CountLimit(count, volume_ul, mean, tail(count, mean, alpha), error)


class CountLimits(NamedTuple):
    """For each volume the first count beyond, and its probability."""

    counts: NDArray[np.int64]
    errors: NDArray[np.float64]


def upper_limits(expected_per_m3: float, volumes_ul: ArrayLike, error: float, alpha: float = 0.0) -> CountLimits:
    """`upper_limit` for each of many volumes (whole microlitres); each that occurs is worked out once."""
    volumes = np.asarray(volumes_ul)
    if volumes.dtype.kind not in "iu" and volumes.size:
        raise BadInputError("volumes_ul", volumes.dtype, "whole microlitres in an integer array")
    each, where = np.unique(volumes, return_inverse=True)
    found = [upper_limit(expected_per_m3, int(one), error, alpha) for one in each]
    counts = np.array([limit.count for limit in found], dtype=np.int64)
    errors = np.array([limit.error for limit in found], dtype=np.float64)
    return CountLimits(counts[where].reshape(volumes.shape), errors[where].reshape(volumes.shape))


def level_below(count: int, volume_ul: int) -> int:
    """The smallest whole level per m3 that `count` (1 or more) in this volume exceeds and `count - 1` does not.

    In much more than a cubic metre there may be no whole level between two counts; then the greatest that `count`
    exceeds.
    """
    if count < 1:
        raise BadInputError("count", count, "1 or more")
    level = -(-(count - 1) * UL_PER_M3 // _air(volume_ul))
    while smallest_exceeding_count(level, volume_ul) > count:
        level -= 1
    return level


def _air(volume_ul: int) -> int:
    if volume_ul <= 0:
        raise BadInputError("volume_ul", volume_ul, "a whole number of microlitres above 0")
    return volume_ul
