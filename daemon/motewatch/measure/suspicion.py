"""Stuck counts and empty air: how improbable is it that a healthy counter says the same thing so often?

For independent samples of a usual mean m, P(k) the probability of a count:

- n samples all zero: P(0)^n, which is exp(-n m) for Poisson. Ten zeros at m = 10 are exp(-100).
- n samples all equal, whatever the count: the sum over k of P(k)^n. Two equal ones at m = 50 happen in 4 % of cases
  (about 1 / (2 sqrt(pi m))), so a handful of repeats is near-proof; in clean air (small m) zeros are no suspicion.

Counts that vary more than Poisson are negative binomial, variance m + alpha m^2: more zeros, fewer repeats. Samples
that follow each other are not quite independent (air stays in the room), so real probabilities are larger: ask for a
very small one before saying anything. A lower bound of the usual mean makes both suspicions the more careful.

Sources: pure probability; the two examples are printed in our design notes and recomputed. Scalars for one sample
after another; `runs` finds the repeats of a whole series in numpy, tested equal. Must not know sensors or alarms.
"""

from __future__ import annotations

import math
from enum import Enum
from functools import lru_cache
from typing import TYPE_CHECKING, Final, NamedTuple

from motewatch.measure.dispersion import probability
from motewatch.measure.errors import BadInputError
from motewatch.site.later import Later

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray
else:
    np = Later("numpy")

DEFAULT_THRESHOLD: Final = 1e-9
"""Below this a run is suspicious (our choice): at one sample a minute once in about two thousand years by chance."""

GREATEST_MEAN: Final = 1e7
_NEGLIGIBLE: Final = 1e-17


class Reason(Enum):
    """Why a run is suspicious, or why not."""

    suspicious: bool
    text: str

    ALL_ZERO = (True, "no counts for so long is not to be believed at the usual mean")
    STUCK = (True, "the same count so often is not to be believed at the usual mean")
    LIKELY_ENOUGH = (False, "a run like this happens by chance")
    SINGLE = (False, "one sample alone repeats nothing")
    MEAN_UNKNOWN = (False, "without a usual mean nobody can tell")

    def __init__(self, suspicious: bool, text: str) -> None:
        self.suspicious = suspicious
        self.text = text


class Suspicion(NamedTuple):
    """The probability of a run (None without a mean) and what it means."""

    probability: float | None
    reason: Reason


def all_zero_probability(samples: int, mean: float, alpha: float = 0.0) -> float:
    """P that `samples` (from 1) independent counts are all 0 at a usual mean count (0 to 1e7) per sample.

    `alpha` 0: Poisson; above 0 (to 100): negative binomial. 0.0 where it is below the smallest number. Exact to 1e-12
    relative. Raises `BadInputError`.
    """
    _check(samples, mean, alpha)
    return math.exp(samples * _log_zero(mean, alpha))


@lru_cache(maxsize=4_096)
def all_equal_probability(samples: int, mean: float, alpha: float = 0.0) -> float:
    """P that `samples` independent counts are all one and the same number, whichever: the sum over k of P(k)^n.

    Range and errors as `all_zero_probability`; exact to about 1e-9 relative (that of lgamma at large means).
    """
    _check(samples, mean, alpha)
    if samples == 1 or mean == 0:
        return 1.0
    mode = _mode(mean, alpha)
    peak = math.log(probability(mode, mean, alpha))
    # Terms relative to the greatest, outwards from it, each from its neighbour: P(k+1) / P(k) is a simple fraction.
    total = 1.0
    for up in (True, False):
        log_ratio, count = 0.0, mode
        while up or count > 0:
            count, step = (
                (count + 1, _log_step(count, mean, alpha))
                if up
                else (
                    count - 1,
                    -_log_step(count - 1, mean, alpha),
                )
            )
            log_ratio += step
            term = math.exp(samples * log_ratio)
            total += term
            if term < _NEGLIGIBLE * total:
                break
    return min(1.0, math.exp(samples * peak + math.log(total)))


def suspicion_of_run(
    value: int,
    samples: int,
    usual_mean: float | None,
    alpha: float = 0.0,
    threshold: float = DEFAULT_THRESHOLD,
) -> Suspicion:
    """What a run of `samples` equal counts of `value` says, at a usual mean count per sample and a threshold (0 to 1).

    Of several channels give the one with the greatest mean: that all of them repeat is less probable still.
    Raises `BadInputError`.
    """
    if value < 0:
        raise BadInputError("value", value, "a count from 0")
    if not 0 < threshold < 1:
        raise BadInputError("threshold", threshold, "a probability above 0 and below 1, such as 1e-9")
    if usual_mean is None:
        return Suspicion(None, Reason.MEAN_UNKNOWN)
    if value == 0:
        probability = all_zero_probability(samples, usual_mean, alpha)
        return Suspicion(probability, Reason.ALL_ZERO if probability < threshold else Reason.LIKELY_ENOUGH)
    probability = all_equal_probability(samples, usual_mean, alpha)
    if samples == 1:
        return Suspicion(probability, Reason.SINGLE)
    return Suspicion(probability, Reason.STUCK if probability < threshold else Reason.LIKELY_ENOUGH)


def samples_until_suspicious(
    value: int, usual_mean: float, alpha: float = 0.0, threshold: float = DEFAULT_THRESHOLD, most: int = 100_000
) -> int | None:
    """After how many equal samples a run becomes suspicious; None where `most` are not enough (clean air, zeros).

    Raises `BadInputError`.
    """
    low, high = 0, 1
    while not suspicion_of_run(value, high, usual_mean, alpha, threshold).reason.suspicious:
        if high >= most:
            return None
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        if suspicion_of_run(value, middle, usual_mean, alpha, threshold).reason.suspicious:
            high = middle
        else:
            low = middle
    return high


# A whole series


class Runs(NamedTuple):
    """Runs of equal counts in a series: where each starts, how long it is, and its count."""

    start: NDArray[np.int64]
    length: NDArray[np.int64]
    value: NDArray[np.int64]


def runs(counts: ArrayLike) -> Runs:
    """All runs of a series of counts, single samples included; their lengths add up to the series.

    Raises `BadInputError` for negative counts and for what are no whole numbers.
    """
    series = np.asarray(counts)
    if series.ndim != 1 or (series.size and not np.issubdtype(series.dtype, np.integer)):
        raise BadInputError("counts", f"an array of {series.dtype}, {series.ndim} axes", "one series of whole numbers")
    negative = series[series < 0]
    if negative.size:
        raise BadInputError("counts", negative[0], "whole numbers from 0")
    series = series.astype(np.int64)
    if not series.size:
        nothing = np.zeros(0, dtype=np.int64)
        return Runs(nothing, nothing, nothing)
    start = np.concatenate(([0], np.flatnonzero(np.diff(series)) + 1)).astype(np.int64)
    return Runs(start, np.diff(np.append(start, series.size)), series[start])


def suspicious_runs(
    counts: ArrayLike, usual_mean: float, alpha: float = 0.0, threshold: float = DEFAULT_THRESHOLD
) -> Runs:
    """The runs of a series that `suspicion_of_run` calls suspicious. Raises `BadInputError`."""
    found = runs(counts)
    enough = np.zeros(found.start.size, dtype=bool)
    for zero in (True, False):
        least = samples_until_suspicious(0 if zero else 1, usual_mean, alpha, threshold)
        if least is not None:
            enough |= ((found.value == 0) == zero) & (found.length >= least)
    return Runs(found.start[enough], found.length[enough], found.value[enough])


# Probabilities of one count. Negative binomial: size r = 1/alpha, success share 1 / (1 + alpha m).


def _check(samples: int, mean: float, alpha: float) -> None:
    if samples < 1:
        raise BadInputError("samples", samples, "1 or more")
    if not 0 <= mean <= GREATEST_MEAN:
        raise BadInputError("mean", mean, f"a mean count from 0 to {GREATEST_MEAN:g}")
    if not 0 <= alpha <= 100:
        raise BadInputError("alpha", alpha, "a dispersion from 0 (Poisson) to 100")


def _log_zero(mean: float, alpha: float) -> float:
    # log1p(a m) / a tends to m; below this the two differ by less than the last digit.
    return -mean if alpha * mean < 1e-16 else -math.log1p(alpha * mean) / alpha


def _mode(mean: float, alpha: float) -> int:
    return max(0, math.floor(mean - alpha * mean))


def _log_step(count: int, mean: float, alpha: float) -> float:
    """ln P(count + 1) - ln P(count)."""
    return math.log(mean * (1 + alpha * count) / ((count + 1) * (1 + alpha * mean)))
