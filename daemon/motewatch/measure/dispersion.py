"""Counts that scatter more than Poisson: the negative binomial with variance = mean + alpha mean^2.

Real air is not well stirred, so counts vary more than chance alone would have them; alpha says how much (0: Poisson;
our own assumption for rooms without data: 0.05 at rest, 0.2 to 0.5 in operation). Samples stay independent of each
other in this model: what a room remembers from one sample to the next is not in it.

Rules: counts are whole numbers of particles, means are particles in a sample (0 or more), alpha is 0 or more; other
values raise `BadInputError`. Probabilities are computed from deviances (C. Loader, "Fast and accurate computation of
binomial probabilities", 2000), tails as probability times the continued fraction of the incomplete beta function
(summed where that loses digits), always the smaller tail; relative errors stay below 1e-10 up to 10^7 counts.

The sum of w independent samples of mean m and dispersion alpha is again of this kind, with mean w m and dispersion
alpha / w. Must not know limits or rules.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from motewatch.measure.errors import BadInputError
from motewatch.measure.statistics import poisson_at_most, poisson_probability, poisson_tail
from motewatch.site.later import Later

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
else:
    np = Later("numpy")

_LIKE_POISSON = 1e-13
"""Below this alpha x count^2 nobody can tell the two distributions apart in double precision."""
_SUMMED_BELOW_ALPHA = 1e-4
"""Below this alpha the fraction of the lower tail loses digits, about as many as 1 / alpha has; then it is summed."""
_TINY = 1e-300


def probability(count: int, mean: float, alpha: float = 0.0) -> float:
    """P(X = count)."""
    _checked(mean, alpha)
    return _probability(count, mean, alpha)


def tail(count: int, mean: float, alpha: float = 0.0) -> float:
    """P(X >= count): exact where it is small. Where it is near 1 its complement is; see `at_most`."""
    _checked(mean, alpha)
    if count <= 0:
        return 1.0
    if _poisson_will_do(count, mean, alpha):
        return poisson_tail(count, mean)
    return _tails(count, mean, alpha)[1]


def at_most(count: int, mean: float, alpha: float = 0.0) -> float:
    """P(X <= count): exact where it is small."""
    _checked(mean, alpha)
    if count < 0:
        return 0.0
    if mean == 0:
        return 1.0
    if _poisson_will_do(count, mean, alpha):
        return poisson_at_most(count, mean)
    return _tails(count + 1, mean, alpha)[0]


def smallest_count_beyond(error: float, mean: float, alpha: float = 0.0) -> int:
    """The smallest count with P(X >= count) <= error (above 0, below 1): where an alarm may be set for that error."""
    _checked(mean, alpha)
    if not 0 < error < 1:
        raise BadInputError("error", error, "a share above 0 and below 1")
    low, high = 0, 1
    while tail(high, mean, alpha) > error:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        if tail(middle, mean, alpha) > error:
            low = middle
        else:
            high = middle
    return high


def probabilities(first: int, last: int, mean: float, alpha: float = 0.0) -> NDArray[np.float64]:
    """P(X = count) for each count from `first` (0 or more) to `last`: outwards from the likeliest, by ratios."""
    _checked(mean, alpha)
    if not 0 <= first <= last:
        raise BadInputError("first", first, f"0 to {last}, which is the last")
    if mean == 0:
        found = np.zeros(last - first + 1)
        found[: 1 - min(first, 1)] = 1.0
        return found
    counts = np.arange(first, last, dtype=np.float64)
    # P(j + 1) / P(j) = (1 + alpha j) mean / ((j + 1) (1 + alpha mean))
    steps = np.log((1 + alpha * counts) / (counts + 1) * (mean / (1 + alpha * mean)))
    start = min(max(int(mean), first), last) - first
    logs = np.zeros(last - first + 1)
    logs[start + 1 :] = np.cumsum(steps[start:])
    logs[:start] = -np.cumsum(steps[:start][::-1])[::-1]
    peak = _probability(start + first, mean, alpha)
    return np.asarray(peak * np.exp(logs))


def estimate_alpha(counts: Sequence[int], means: Sequence[float]) -> float:
    """Dispersion of counts around their expected values, by moments; 0 where they scatter no more than Poisson.

    alpha = sum((count - mean)^2 - mean) / sum(mean^2). Samples of unequal air have unequal means. With means taken
    from the same counts it is slightly low, by a share of about 1 / number of samples.
    """
    if len(counts) != len(means):
        raise BadInputError("means", len(means), f"as many as there are counts, {len(counts)}")
    seen, mean = np.asarray(counts, dtype=np.float64), np.asarray(means, dtype=np.float64)
    if not (mean >= 0).all():
        raise BadInputError("means", "a negative one", "0 or more")
    square = float(np.sum(mean * mean))
    if square == 0:
        return 0.0
    return max(0.0, float(np.sum((seen - mean) ** 2 - mean)) / square)


def _checked(mean: float, alpha: float) -> None:
    if not 0 <= mean < math.inf:
        raise BadInputError("mean count", mean, "0 or more")
    if not 0 <= alpha < math.inf:
        raise BadInputError("alpha", alpha, "0 (Poisson) or more")


def _poisson_will_do(count: int, mean: float, alpha: float) -> bool:
    return mean < _TINY or alpha * max(mean, count) ** 2 < _LIKE_POISSON


def _probability(count: int, mean: float, alpha: float) -> float:
    if count < 0 or _poisson_will_do(count, mean, alpha):
        return poisson_probability(count, mean)
    size = 1 / alpha
    if count == 0:
        return math.exp(-size * math.log1p(alpha * mean))
    # As the probability of `size` in a (real) binomial of size + count trials with success share size / (size + mean).
    total = size + count
    share = size / (size + mean)
    logarithm = _stirling_rest(total) - _stirling_rest(size) - _stirling_rest(count)
    logarithm -= _deviance(size, total * share) + _deviance(count, total * (mean / (size + mean)))
    spread = 2 * math.pi * size * count / total
    return math.exp(logarithm) / math.sqrt(spread) * size / total


def _stirling_rest(z: float) -> float:
    """What Stirling's formula leaves out of ln gamma(z + 1)."""
    if z < 15:
        return math.lgamma(z + 1) - (z + 0.5) * math.log(z) + z - 0.5 * math.log(2 * math.pi)
    square = z * z
    return (1 / 12 - (1 / 360 - (1 / 1260 - (1 / 1680 - 1 / (1188 * square)) / square) / square) / square) / z


def _deviance(x: float, mean: float) -> float:
    """x ln(x / mean) + mean - x, without the loss of digits where the two are near each other."""
    if abs(x - mean) < 0.1 * (x + mean):
        ratio = (x - mean) / (x + mean)
        total = (x - mean) * ratio
        power = 2 * x * ratio
        square = ratio * ratio
        for odd in range(3, 2001, 2):
            power *= square
            following = total + power / odd
            if following == total:
                break
            total = following
        return total
    return x * math.log(x / mean) + mean - x


def _tails(count: int, mean: float, alpha: float) -> tuple[float, float]:
    """P(X < count) and P(X >= count), for both above 0: the incomplete beta function of (count, 1 / alpha)."""
    size = 1 / alpha
    within = alpha * mean / (1 + alpha * mean)
    beyond = 1 / (1 + alpha * mean)
    # P(X = count) is just the factor before the continued fraction.
    factor = _probability(count, mean, alpha)
    if within * (count + size + 2) < count + 1:
        upper = min(1.0, factor * _continued_fraction(count, size, within))
        return 1 - upper, upper
    if alpha < _SUMMED_BELOW_ALPHA:
        reach = 50 + math.ceil(12 * math.sqrt(mean * (1 + alpha * mean)))
        lower = min(1.0, float(np.sum(probabilities(max(0, count - reach), count - 1, mean, alpha))))
        return lower, 1 - lower
    # By symmetry; x^a (1-x)^b / (b B(a, b)) is the factor times a / b.
    lower = min(1.0, factor * (count / size) * _continued_fraction(size, count, beyond))
    return lower, 1 - lower


def _continued_fraction(a: float, b: float, x: float) -> float:
    """The continued fraction of the incomplete beta function, by the modified Lentz method."""
    numerator = 1.0
    denominator = 1 / _away(1 - (a + b) * x / (a + 1))
    value = denominator
    for m in range(1, 1_000_000):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        denominator = 1 / _away(1 + even * denominator)
        numerator = _away(1 + even / numerator)
        value *= denominator * numerator
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        denominator = 1 / _away(1 + odd * denominator)
        numerator = _away(1 + odd / numerator)
        step = denominator * numerator
        value *= step
        if abs(step - 1) < 1e-15:
            return value
    raise ArithmeticError(f"the tail of the negative binomial did not converge: a {a}, b {b}, x {x}")


def _away(value: float) -> float:
    return value if abs(value) > _TINY else _TINY
