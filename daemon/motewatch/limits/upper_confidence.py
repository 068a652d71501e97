"""The 95 % upper confidence limit of ISO 14644-1:1999: legacy, removed in 2015. And Student's t that it needs.

UCL = mean of the location averages + t x s / sqrt(m), for 2 to 9 locations; the class is met if each average and the
UCL are not above the limit. Its known defect is why it went: one very clean location raises the spread and can fail
a room, and more particles there can make the verdict better. `math` only. Must not know classes or samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from functools import lru_cache
from math import atan, cos, pi, sin, sqrt

from motewatch.limits.errors import OutOfRangeError

T_PRINTED = {2: 6.3, 3: 2.9, 4: 2.4, 5: 2.1, 6: 2.0, 7: 1.9, 8: 1.9, 9: 1.9}
"""Student's t by number of locations: ISO 14644-1:1999, Table C.1 (that it exists found, values from memory)."""

LEAST_LOCATIONS, MOST_LOCATIONS = 2, 9
_LARGEST_FREEDOM = 10_000


class StudentT(StrEnum):
    """Which t: the one decimal that the edition prints, or the exact quantile."""

    PRINTED = "printed"
    EXACT = "exact"


@dataclass(frozen=True, slots=True)
class UpperLimit:
    """The upper confidence limit of one size, in the unit of the averages."""

    locations: int
    mean: Fraction
    variance: Fraction
    """Of the location averages, with m - 1."""
    t: float

    @property
    def deviation(self) -> float:
        """The standard deviation of the location averages."""
        return sqrt(self.variance)

    @property
    def value(self) -> float:
        """The limit itself."""
        return float(self.mean) + self.t * sqrt(self.variance / self.locations)

    def is_above(self, limit: float) -> bool:
        """Is it above the class's limit? Exact for the given t: equal is not above."""
        room = Fraction(limit) - self.mean
        return room < 0 or Fraction(self.t) ** 2 * self.variance > self.locations * room**2


def applies(locations: int) -> bool:
    """Does the 1999 edition ask for an upper confidence limit with so many locations? From 2 to 9."""
    return LEAST_LOCATIONS <= locations <= MOST_LOCATIONS


def upper_limit(averages: Sequence[float | Fraction], t_from: StudentT = StudentT.PRINTED) -> UpperLimit:
    """The 95 % upper confidence limit of 2 to 9 location averages (particles per m3, from 0).

    Source: ISO 14644-1:1999, Annex C, from memory. Raises `OutOfRangeError`.
    """
    count = len(averages)
    if not applies(count):
        raise OutOfRangeError("number of locations", count, "2 to 9: the rule is for these only")
    for average in averages:
        if not 0 <= average < float("inf"):
            raise OutOfRangeError("location average", average, "a finite number from 0")
    exact = [Fraction(average) for average in averages]
    mean = sum(exact, Fraction()) / count
    variance = sum(((each - mean) ** 2 for each in exact), Fraction()) / (count - 1)
    t = T_PRINTED[count] if t_from is StudentT.PRINTED else student_quantile(0.95, count - 1)
    return UpperLimit(count, mean, variance, t)


@lru_cache(maxsize=1024)
def student_quantile(share: float, freedom: int) -> float:
    """Student's t that a `share` (0.5 to below 1) of the distribution lies below, for 1 to 10 000 degrees of freedom.

    By halving on the closed form of the distribution; good to 1e-10. Raises `OutOfRangeError`.
    """
    if not 0.5 <= share < 1:
        raise OutOfRangeError("share", share, "a share from 0.5 to below 1, such as 0.95")
    if not 1 <= freedom <= _LARGEST_FREEDOM:
        raise OutOfRangeError("degrees of freedom", freedom, f"a whole number from 1 to {_LARGEST_FREEDOM}")
    low, high = 0.0, pi / 2
    # Halving the angle whose tangent is t / sqrt(freedom): it is bounded, t is not.
    for _ in range(80):
        middle = (low + high) / 2
        if _two_sided(middle, freedom) < 2 * share - 1:
            low = middle
        else:
            high = middle
    angle = (low + high) / 2
    return sqrt(freedom) * sin(angle) / cos(angle)


def student_two_sided(t: float, freedom: int) -> float:
    """The probability that Student's t lies between -t and t (t from 0)."""
    return _two_sided(atan(t / sqrt(freedom)), freedom)


def _two_sided(angle: float, freedom: int) -> float:
    """Finite sums for whole degrees of freedom (Abramowitz and Stegun 26.7.3 and 26.7.4, from memory)."""
    square = cos(angle) ** 2
    odd = freedom % 2 == 1
    term = total = cos(angle) if odd else 1.0
    for number in range(3 if odd else 2, freedom - 1, 2):
        term *= square * (number - 1) / number
        total += term
    if not odd:
        return sin(angle) * total
    return 2 / pi * (angle + (sin(angle) * total if freedom > 1 else 0.0))
