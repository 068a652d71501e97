"""The tails and intervals of `statistics` for whole series of counts, in numpy: same conventions, same refusals.

Intervals depend on the count alone, so each count that occurs is worked out once by the scalar functions and looked
up: equal to them to the last bit. Tails depend on count and mean; they follow the scalar code step by step (sums of
falling positive terms, Gauss-Legendre where counts are large) and are tested to agree with it within 1e-12. Counts
are whole numbers in an integer array; NaN has no place here, take missing samples out first.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from motewatch.measure.errors import BadInputError
from motewatch.measure.statistics import (
    GAUSS_LEGENDRE,
    REACH_SIGMA,
    SUMMED_BELOW,
    UL_PER_M3,
    poisson_interval,
    poisson_lower,
    poisson_upper,
)

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

_LOG_FACTORIALS = np.concatenate(([0.0], np.cumsum(np.log(np.arange(1, SUMMED_BELOW)))))
_TABLE_UP_TO = 1 << 20
"""Counts up to here are looked up in a table by themselves; greater ones by a sorted list of those that occur."""


def poisson_intervals(counts: ArrayLike, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Lower and upper bounds; see `statistics.poisson_interval`."""
    scalar = poisson_interval.__wrapped__
    pairs, where = _each_once(counts, lambda count: scalar(count, confidence))
    return pairs[:, 0][where], pairs[:, 1][where]


def poisson_lowers(counts: ArrayLike, confidence: float = 0.95) -> Floats:
    """One-sided lower bounds; see `statistics.poisson_lower`."""
    scalar = poisson_lower.__wrapped__
    bounds, where = _each_once(counts, lambda count: scalar(count, confidence))
    return np.asarray(bounds[where])


def poisson_uppers(counts: ArrayLike, confidence: float = 0.95) -> Floats:
    """One-sided upper bounds; see `statistics.poisson_upper`."""
    scalar = poisson_upper.__wrapped__
    bounds, where = _each_once(counts, lambda count: scalar(count, confidence))
    return np.asarray(bounds[where])


def concentration_intervals(
    counts: ArrayLike, volumes_ul: ArrayLike, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Bounds per cubic metre; NaN where there is no air (`statistics.concentration_interval` has None there)."""
    lower, upper = poisson_intervals(counts, confidence)
    volumes = np.asarray(volumes_ul, dtype=np.float64)
    air = np.where(volumes > 0, volumes, np.nan)
    return lower * UL_PER_M3 / air, upper * UL_PER_M3 / air


def poisson_tails(counts: ArrayLike, means: ArrayLike) -> Floats:
    """P(X >= count) for each count and mean, broadcast against each other; see `statistics.poisson_tail`."""
    given, mean = np.broadcast_arrays(_whole(counts, least=None), np.asarray(means, dtype=np.float64))
    wrong = ~((mean >= 0) & (mean < np.inf))
    if wrong.any():
        raise BadInputError("mean count", float(mean[wrong].flat[0]), "0 or more")
    found = np.ones(given.shape)
    found[(given > 0) & (mean == 0)] = 0.0
    above = (given > 0) & (mean > 0)
    upper = above & (mean < given)
    found[upper] = _at_least(given[upper], mean[upper])
    lower = above & ~upper
    found[lower] = 1.0 - _at_most(given[lower] - 1, mean[lower])
    return found


def _each_once(counts: ArrayLike, function: Callable[[int], Any]) -> tuple[Floats, Counts]:
    """The function's value for each count that occurs, and where each of the series finds its own."""
    given = _whole(counts, least=0)
    if given.size and given.max() <= _TABLE_UP_TO:
        occurring = np.flatnonzero(np.bincount(given.ravel()))
        places = np.zeros(int(occurring[-1]) + 1, dtype=np.int64)
        places[occurring] = np.arange(occurring.size)
        where = places[given]
    else:
        occurring, flat = np.unique(given, return_inverse=True)
        where = flat.reshape(given.shape)
    values = [function(int(count)) for count in occurring]
    return np.array(values if values else np.zeros((0, 2)), dtype=np.float64), where


def _whole(counts: ArrayLike, least: int | None) -> Counts:
    given = np.asarray(counts)
    if given.size == 0:
        given = given.astype(np.int64)
    if given.dtype.kind not in "iu":
        raise BadInputError("counts", given.dtype, "whole numbers in an integer array")
    if least is not None and given.size and given.min() < least:
        raise BadInputError("count", int(given.min()), f"{least} or more")
    return given.astype(np.int64, copy=False)


# As in `statistics`, on flat arrays.


def _at_least(count: Counts, mean: Floats) -> Floats:
    near = (count >= SUMMED_BELOW) & (2 * mean > count)
    found = np.empty(count.shape)
    found[near] = _integral(count[near] - 1, mean[near], -1)
    far = ~near
    found[far] = _summed(count[far], mean[far], up=True)
    return np.minimum(found, 1.0)


def _at_most(count: Counts, mean: Floats) -> Floats:
    near = (count >= SUMMED_BELOW) & (mean < 2 * count)
    found = np.empty(count.shape)
    found[near] = _integral(count[near], mean[near], 1)
    far = ~near
    found[far] = _summed(count[far], mean[far], up=False)
    return np.minimum(found, 1.0)


def _summed(count: Counts, mean: Floats, *, up: bool) -> Floats:
    term = _probability(count, mean)
    total = term.copy()
    left = np.flatnonzero(term > 0)
    count, mean, term = count[left].astype(np.float64), mean[left], term[left]
    while left.size:
        if up:
            count += 1
            term *= mean / count
        else:
            term *= count / mean
            count -= 1
        total[left] += term
        going = term > 1e-17 * total[left]
        if not going.all():
            left, count, mean, term = left[going], count[going], mean[going], term[going]
    return total


def _probability(count: Counts, mean: Floats) -> Floats:
    found = np.empty(count.shape)
    small = count < SUMMED_BELOW
    few, low = count[small], mean[small]
    found[small] = np.exp(few * np.log(low) - low - _LOG_FACTORIALS[few])
    large = ~small
    many, high = count[large].astype(np.float64), mean[large]
    off = (high - many) / many
    # Near -1 there is no digit left in `off` for log1p to work with.
    logarithm = np.where(off > -0.5, np.log1p(np.maximum(off, -0.5)), np.log(high) - np.log(many))
    found[large] = _peak(many) * np.exp(-many * (off - logarithm))
    return found


def _peak(count: Floats) -> Floats:
    square = count * count
    series = (1 / 12 - (1 / 360 - (1 / 1260 - 1 / (1680 * square)) / square) / square) / count
    return np.asarray(np.exp(-series) / np.sqrt(2 * np.pi * count))


def _integral(whole: Counts, mean: Floats, side: int) -> Floats:
    count = whole.astype(np.float64)
    sigma = np.sqrt(count)
    begin = (mean - count) / count
    distance = side * begin * sigma
    reach = np.where(distance < 3, REACH_SIGMA, np.maximum(40 / np.maximum(distance, 3.0), 0.5))
    reach -= np.minimum(distance, 0.0)
    end = np.maximum(begin + side * reach / sigma, -1.0)
    half = np.abs(end - begin) / 2
    middle = (begin + end) / 2
    total = np.zeros(count.shape)
    for node, weight in GAUSS_LEGENDRE:
        off = middle + half * node
        total += weight * np.exp(-count * (off - np.log1p(off)))
    return np.asarray(np.minimum(1.0, total * half * count * _peak(count)))
