"""Poisson statistics of counts: exact intervals, tail probabilities, and comparisons with a limit.

Rules: a comparison of a count with a limit is made with integers, so that a value equal to the limit passes whatever
floats would make of it. Intervals are exact in Garwood's sense (F. Garwood, Biometrika 28, 1936): a bound is the mean
at which a tail of the Poisson distribution holds just the error probability. Sums and integrals here add positive
terms only and start at the larger end, so nothing cancels; bounds are good to 1e-10 relative up to 10^7 counts.
`math` only: the daemon needs neither numpy nor scipy for this, and the tests compare with scipy. Must not know
samples, sizes or standards.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from statistics import NormalDist
from typing import NamedTuple

UL_PER_M3 = 1_000_000_000

SUMMED_BELOW = 150
"""From this many counts on a tail near the bulk is integrated (fixed cost), not summed (cost grows with its root).

Further out than twice or half the count terms fall so fast that a sum is short whatever the count."""
REACH_SIGMA = 10.0
"""How far an integral goes beyond its near end, in standard deviations: what is left out is below 1e-16 of it."""
_CLOSE = 1e-5
"""A cubically convergent step smaller than this (in standard deviations) leaves an error far below 1e-12."""


class Interval(NamedTuple):
    """Bounds of a mean count (or of a concentration, where a function says so)."""

    lower: float
    upper: float


def smallest_exceeding_count(limit_per_m3: int, volume_ul: int) -> int:
    """The smallest count in `volume_ul` microlitres that lies above the limit; the count equal to it passes."""
    return limit_per_m3 * volume_ul // UL_PER_M3 + 1


def exceeds(count: int, volume_ul: int, limit_per_m3: int) -> bool:
    """Is the concentration above the limit? Exact, and equal is not above."""
    return count * UL_PER_M3 > limit_per_m3 * volume_ul


def exceeds_with_confidence(count: int, volume_ul: int, limit_per_m3: int, confidence: float) -> bool:
    """Does the one-sided exact lower bound at `confidence` (0.5 to 1) lie above the limit?

    Asked the other way round, which needs no inversion: is a count this high less probable than `1 - confidence` in
    air that is exactly at the limit?
    """
    if not 0.5 < confidence < 1:
        raise ValueError(f"confidence is {confidence}: give a share between 0.5 and 1, such as 0.95")
    if not exceeds(count, volume_ul, limit_per_m3):
        return False
    return poisson_tail(count, limit_per_m3 * volume_ul / UL_PER_M3) < 1 - confidence


def poisson_tail(count: int, mean: float) -> float:
    """P(X >= count) for a Poisson mean; the small of the two tails is computed, the other is its complement."""
    if mean < 0:
        raise ValueError(f"a mean count of {mean} is impossible: give 0 or more")
    if count <= 0:
        return 1.0
    if mean == 0:
        return 0.0
    return _at_least(count, mean) if mean < count else 1.0 - _at_most(count - 1, mean)


def poisson_at_most(count: int, mean: float) -> float:
    """P(X <= count) for a Poisson mean, exact where it is small; `poisson_tail` is exact where that is small."""
    if not 0 <= mean < math.inf:
        raise ValueError(f"a mean count of {mean} is impossible: give 0 or more")
    if count < 0:
        return 0.0
    if mean == 0:
        return 1.0
    return 1.0 - _at_least(count + 1, mean) if mean < count + 1 else _at_most(count, mean)


@lru_cache(maxsize=65_536)
def poisson_interval(count: int, confidence: float = 0.95) -> Interval:
    """The exact two-sided interval of the mean behind `count`: half the error probability on each side."""
    error = _error(count, confidence, 0.0) / 2
    return Interval(_lower(count, error), _upper(count, error))


@lru_cache(maxsize=16_384)
def poisson_lower(count: int, confidence: float = 0.95) -> float:
    """The exact one-sided lower bound of the mean behind `count`: 0 for no counts."""
    return _lower(count, _error(count, confidence, 0.5))


@lru_cache(maxsize=16_384)
def poisson_upper(count: int, confidence: float = 0.95) -> float:
    """The exact one-sided upper bound of the mean behind `count`: 2.996 for no counts at 0.95, not 3.689."""
    return _upper(count, _error(count, confidence, 0.5))


def concentration_interval(count: int, volume_ul: int, confidence: float = 0.95) -> Interval | None:
    """The exact two-sided interval as particles per cubic metre; None without air."""
    if volume_ul <= 0:
        return None
    lower, upper = poisson_interval(count, confidence)
    return Interval(lower * UL_PER_M3 / volume_ul, upper * UL_PER_M3 / volume_ul)


def concentration_excluded(count: int, volume_ul: int, confidence: float = 0.95) -> float | None:
    """What `count` in that air excludes: concentrations above this, per cubic metre, one-sided; None without air.

    No counts in 28.3 litres exclude 105.9 per m3 at 0.95, not 29: a sample shows no more than its air can.
    """
    return poisson_upper(count, confidence) * UL_PER_M3 / volume_ul if volume_ul > 0 else None


def volume_to_show_ul(limit_per_m3: float, confidence: float = 0.95, count: int = 0) -> int:
    """The least air, in whole microlitres, in which `count` particles exclude every concentration above the limit.

    One-sided exact Poisson bound: -ln(1 - confidence) / limit for no counts, so 103.3 litres for 29 per m3 at 0.95.
    """
    if not 0 < limit_per_m3 < math.inf:
        raise ValueError(f"a limit of {limit_per_m3} per m3 cannot be shown: give a number above 0")
    return math.ceil(poisson_upper(count, confidence) * UL_PER_M3 / limit_per_m3)


def poisson_probability(count: int, mean: float) -> float:
    """P(X = count) for a Poisson mean; relative error below 1e-11 as far as 10^7 counts."""
    if not 0 <= mean < math.inf:
        raise ValueError(f"a mean count of {mean} is impossible: give 0 or more")
    if count < 0:
        return 0.0
    if mean == 0 or count == 0:
        return math.exp(-mean) if count == 0 else 0.0
    return _probability(count, mean)


def _error(count: int, confidence: float, least: float) -> float:
    if count < 0:
        raise ValueError(f"a count of {count} is impossible: give 0 or more")
    if not least < confidence < 1:
        raise ValueError(f"confidence is {confidence}: give a share between {least:g} and 1, such as 0.95")
    return 1 - confidence


# Bounds: the mean at which one tail equals the error probability.


def _lower(count: int, error: float) -> float:
    if count == 0:
        return 0.0
    if count == 1:
        return -math.log1p(-error)
    return _solve(_at_least, count, count - 1, 1, _start(count, error, -1), error)


def _upper(count: int, error: float) -> float:
    if count == 0:
        return -math.log(error)
    return _solve(_at_most, count, count, -1, _start(count + 1, error, 1), error)


def _start(shape: int, error: float, side: int) -> float:
    """A first guess. Large shapes: the expansion of the gamma quantile in powers of 1/sqrt(shape), four terms."""
    z = side * _normal_quantile(1 - error)
    if shape >= SUMMED_BELOW:
        root = math.sqrt(shape)
        return shape + z * root + (z * z - 1) / 3 + z * (z * z - 7) / (36 * root)
    # Wilson and Hilferty's cube root.
    cube = 1 - 1 / (9 * shape) + z / (3 * math.sqrt(shape))
    if cube > 0.1:
        return shape * cube * cube * cube
    # Far out in the lower tail only the first term of the sum counts: error = mean^shape / shape!
    return math.exp((math.log(error) + math.lgamma(shape + 1)) / shape)


@lru_cache(maxsize=64)
def _normal_quantile(share: float) -> float:
    return NormalDist().inv_cdf(share) if share < 1 else 9.0


def _solve(tail: Callable[[int, float], float], count: int, power: int, sign: int, start: float, error: float) -> float:
    """The mean at which `tail(count, mean)` is `error`: Halley's steps, kept inside a bracket.

    The tail's derivative by the mean is `sign` times the Poisson probability of `power`.
    """
    low, high = 0.0, math.inf
    mean = start
    for _ in range(200):
        value = tail(count, mean)
        gap = sign * (value - error)
        if gap > 0:
            high = min(high, mean)
        else:
            low = max(low, mean)
        density = _probability(power, mean)
        scale = min(mean, math.sqrt(mean))
        if density > 0:
            newton = gap / density
            curved = 1 - newton * (power / mean - 1) / 2
            step = newton / curved if curved > 0.5 else newton
            following = mean - step
            if low < following < high:
                if abs(step) <= _CLOSE * scale:
                    return following
                mean = following
                continue
            if abs(step) <= 1e-14 * mean:
                return mean
        mean = 2 * mean if high == math.inf else (low + high) / 2
        if high - low <= 1e-14 * high:
            return mean
    return mean


# Tails and probabilities.


def _at_least(count: int, mean: float) -> float:
    """P(X >= count), meant for `mean` below about `count`: terms fall from the first."""
    if count >= SUMMED_BELOW and 2 * mean > count:
        return _integral(count - 1, mean, -1)
    term = total = _probability(count, mean)
    while term > 1e-17 * total:
        count += 1
        term *= mean / count
        total += term
    return min(1.0, total)


def _at_most(count: int, mean: float) -> float:
    """P(X <= count), meant for `mean` above about `count`: terms fall from the last."""
    if count >= SUMMED_BELOW and mean < 2 * count:
        return _integral(count, mean, 1)
    term = total = _probability(count, mean)
    while count > 0 and term > 1e-17 * total:
        term *= count / mean
        total += term
        count -= 1
    return min(1.0, total)


def _probability(count: int, mean: float) -> float:
    """P(X = count). For large counts Stirling's form: the logarithm of a large factorial would lose digits."""
    if count < SUMMED_BELOW:
        return math.exp(count * math.log(mean) - mean - math.lgamma(count + 1))
    off = (mean - count) / count
    # Near -1 there is no digit left in `off` for log1p to work with.
    logarithm = math.log1p(off) if off > -0.5 else math.log(mean) - math.log(count)
    return _peak(count) * math.exp(-count * (off - logarithm))


def _peak(count: int) -> float:
    """P(X = count) at a mean of `count`, by Stirling's series."""
    square = count * count
    series = (1 / 12 - (1 / 360 - (1 / 1260 - 1 / (1680 * square)) / square) / square) / count
    return math.exp(-series) / math.sqrt(2 * math.pi * count)


def _integral(count: int, mean: float, side: int) -> float:
    """A tail as the integral of P(X = count) over the means from `mean` outwards (`side` 1 up, -1 down to 0).

    P(X <= count | mean) is the integral up, P(X >= count + 1 | mean) the one down: the identity of the Poisson and
    gamma distributions. Gauss-Legendre is exact far beyond need here: the integrand is smooth and falls outwards.
    """
    sigma = math.sqrt(count)
    begin = (mean - count) / count
    # Beyond the bulk the integrand falls faster than the bulk is wide; then a shorter stretch is also a finer one.
    distance = side * begin * sigma
    reach = REACH_SIGMA if distance < 3 else max(40 / distance, 0.5)
    if distance < 0:
        reach -= distance
    end = max(begin + side * reach / sigma, -1.0)
    half = abs(end - begin) / 2
    middle = (begin + end) / 2
    total = 0.0
    exp, log1p = math.exp, math.log1p
    for node, weight in GAUSS_LEGENDRE:
        off = middle + half * node
        total += weight * exp(-count * (off - log1p(off)))
    return min(1.0, total * half * count * _peak(count))


def _gauss_legendre(order: int) -> tuple[tuple[float, float], ...]:
    """Nodes and weights on (-1, 1): Newton on the Legendre polynomial, from the usual cosine guess."""
    found = []
    for index in range(1, order + 1):
        x = math.cos(math.pi * (index - 0.25) / (order + 0.5))
        slope = 1.0
        for _ in range(100):
            before, value = 1.0, x
            for degree in range(2, order + 1):
                before, value = value, ((2 * degree - 1) * x * value - (degree - 1) * before) / degree
            slope = order * (x * value - before) / (x * x - 1)
            step = value / slope
            x -= step
            if abs(step) < 1e-15:
                break
        found.append((x, 2 / ((1 - x * x) * slope * slope)))
    return tuple(found)


GAUSS_LEGENDRE = _gauss_legendre(32)
