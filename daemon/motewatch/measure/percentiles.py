"""Percentiles by named methods, and non-parametric tolerance limits.

The same data have several 90th percentiles, so a percentile without its method is no figure. The nine methods are
those of R. J. Hyndman and Y. Fan, American Statistician 50 (1996), numbered R1 to R9 as is usual (numbering from
memory; R6 to R8 and R1 are confirmed by NIST/SEMATECH e-Handbook 7.2.6.2). Each takes the value at a place in the
sorted data; the place is worked out with fractions, so that the 7th percentile of 100 values is the 7th value and
not, by a rounding, the 8th.

Values are of any one unit and finite. `percentile` is for one percentile of a list, `percentiles` for arrays; equal
to the last bit. Must not know samples.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from fractions import Fraction
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from motewatch.measure.errors import BadInputError


class PercentileMethod(StrEnum):
    """The nine methods. The first three give values that occur (or their middle), the others interpolate."""

    R1 = "R1"
    """Inverted distribution function: the smallest value that at least this share does not exceed."""
    R2 = "R2"
    """As R1, with the middle of two values where the share falls just between them."""
    R3 = "R3"
    """The nearest value, the even one of two."""
    R4 = "R4"
    """Linear interpolation of the distribution function."""
    R5 = "R5"
    """Hazen's: half-way points of the steps."""
    R6 = "R6"
    """Weibull's, (n + 1) p."""
    R7 = "R7"
    """Linear between the modes, (n - 1) p + 1: the default of most spreadsheets and of numpy."""
    R8 = "R8"
    """Median unbiased whatever the distribution, nearly."""
    R9 = "R9"
    """Unbiased for normal data, nearly."""


_STEPS: Final = frozenset({PercentileMethod.R1, PercentileMethod.R2, PercentileMethod.R3})


class _Place(NamedTuple):
    """Between the sorted values `first` and `first + 1` (from 0), this share of the way up."""

    first: int
    share: float


def percentile(values: Sequence[float], percent: float, method: PercentileMethod) -> float:
    """The percentile (0 to 100) of at least one value."""
    ordered = sorted(values)
    for value in ordered:
        if not math.isfinite(value):
            raise BadInputError("value", value, "a finite number")
    place = _place(len(ordered), percent, method)
    low = ordered[place.first]
    if place.share == 0:
        return float(low)
    return float(low + place.share * (ordered[place.first + 1] - low))


def percentiles(values: ArrayLike, percent: float, method: PercentileMethod) -> NDArray[np.float64]:
    """The percentile along the first axis: one for each column of `(samples, locations)`, a 0-d array for `(samples,)`.

    The data are not sorted as a whole, only as far as the percentile needs.
    """
    given = np.asarray(values, dtype=np.float64)
    if given.ndim not in (1, 2):
        raise BadInputError("number of axes", given.ndim, "1 (samples) or 2 (samples, locations)")
    wrong = ~np.isfinite(given)
    if wrong.any():
        raise BadInputError("value", float(given[wrong][0]), "a finite number")
    place = _place(len(given), percent, method)
    if place.share == 0:
        return np.asarray(np.partition(given, place.first, axis=0)[place.first])
    parted = np.partition(given, [place.first, place.first + 1], axis=0)
    low = parted[place.first]
    return np.asarray(low + place.share * (parted[place.first + 1] - low))


def _place(n: int, percent: float, method: PercentileMethod) -> _Place:
    if n < 1:
        raise BadInputError("number of values", n, "1 or more")
    if not 0 <= percent <= 100:
        raise BadInputError("percent", percent, "0 to 100")
    # The decimal that was written, not the binary number next to it.
    share = Fraction(str(percent)) / 100
    position = n * share + _shift(share, method)
    whole = math.floor(position)
    part = position - whole
    if method in _STEPS:
        part = _step(part, whole, method)
    # From 1 to 0 as the first index, and never outside the data.
    if whole < 1:
        return _Place(0, 0.0)
    if whole >= n:
        return _Place(n - 1, 0.0)
    return _Place(whole, 0.0) if part == 1 else _Place(whole - 1, float(part))


def _shift(share: Fraction, method: PercentileMethod) -> Fraction:
    return {
        PercentileMethod.R1: Fraction(0),
        PercentileMethod.R2: Fraction(0),
        PercentileMethod.R3: Fraction(-1, 2),
        PercentileMethod.R4: Fraction(0),
        PercentileMethod.R5: Fraction(1, 2),
        PercentileMethod.R6: share,
        PercentileMethod.R7: 1 - share,
        PercentileMethod.R8: (share + 1) / 3,
        PercentileMethod.R9: share / 4 + Fraction(3, 8),
    }[method]


def _step(part: Fraction, whole: int, method: PercentileMethod) -> Fraction:
    if part > 0:
        return Fraction(1)
    if method is PercentileMethod.R2:
        return Fraction(1, 2)
    if method is PercentileMethod.R3:
        return Fraction(whole % 2)
    return Fraction(0)


# Tolerance limits


def samples_for_tolerance(percent: float, confidence: float) -> int:
    """How many independent values are needed for the greatest of them to cover `percent` with this confidence.

    59 for 95 % at 0.95: 1 - 0.95^59 is just above 0.95.
    """
    share = _share(percent, confidence)
    needed = max(1, math.ceil(math.log1p(-confidence) / math.log(share) - 1e-12))
    return needed if 1 - share**needed >= confidence else needed + 1


def tolerance_rank(n: int, percent: float, confidence: float) -> int | None:
    """The rank (1 the smallest) of the value that covers at least `percent` of all air with this confidence.

    No distribution is assumed, only that the values are independent. None where there are too few: then even the
    greatest does not.
    """
    share = _share(percent, confidence)
    if n < 1:
        raise BadInputError("number of values", n, "1 or more")
    # P(rank r covers) = P(at most r - 1 of n values lie below the percentile); n - r lie above it at least.
    # From the top: the chance that exactly `above` values do.
    odds = math.log((1 - share) / share)
    logarithm = n * math.log(share)
    tail, above = math.exp(logarithm), 0
    allowed = (1 - confidence) * (1 + 1e-12)
    rank: int | None = None
    while tail <= allowed and above < n:
        rank = n - above
        above += 1
        logarithm += math.log((n - above + 1) / above) + odds
        tail += math.exp(logarithm)
    return rank


def _share(percent: float, confidence: float) -> float:
    if not 0 < percent < 100:
        raise BadInputError("percent", percent, "above 0 and below 100")
    if not 0 < confidence < 1:
        raise BadInputError("confidence", confidence, "a share above 0 and below 1, such as 0.95")
    return percent / 100
