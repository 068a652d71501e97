"""Individuals charts, c-charts and tabular CUSUM for whole histories, in numpy: equal to the scalar ones, bit for bit.

What `charts_arrays` is to EWMA, u-chart and Poisson CUSUM; the same holds here: series have time along the first axis,
`(samples,)` or `(samples, locations)`, `valid` marks the samples that count, the others are passed over as if they had
never been and never signal, and refusals name the value. Formulas and sources are those of `charts` and `cusum`
(NIST/SEMATECH e-Handbook, 6.3.2.2, 6.3.3.1 and 6.3.2.3).

Means of the individuals chart are exactly rounded sums, as in the scalar chart: another order of adding would differ in
the last digit. The CUSUM steps through time and takes all locations at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from motewatch.measure.charts import Individuals, c_limits, individuals
from motewatch.measure.charts_arrays import Flags, Floats, Integers, Sides, as_columns, which_count
from motewatch.measure.errors import BadInputError
from motewatch.measure.signals import above_zero, finite, not_negative


@dataclass(frozen=True, slots=True)
class IndividualsChart:
    """What the values of each location make of themselves."""

    limits: tuple[Individuals, ...]
    """One for each location."""
    sides: Sides
    """1 above the upper limit, -1 below the lower."""
    wide: Flags
    """The step to this value from the one before is beyond the limit of the moving range."""


@dataclass(frozen=True, slots=True)
class ValueSums:
    """What a tabular CUSUM did: both sums at each sample (before they begin again), and where each signals."""

    high: Floats
    low: Floats
    above: Flags
    below: Flags
    end: tuple[Floats, Floats]
    """To go on from, with `start`."""


def individuals_chart(values: ArrayLike, valid: ArrayLike | None = None) -> IndividualsChart:
    """See `charts.individuals`: limits from each location's own values, and which are beyond. Needs two of each."""
    given, keep = _finite(values, valid)
    columns, kept = as_columns(given), as_columns(keep)
    sides, wide = np.zeros(columns.shape, dtype=np.int8), np.zeros(columns.shape, dtype=np.bool_)
    limits = []
    for number in range(columns.shape[1]):
        there = kept[:, number]
        mine = columns[there, number]
        found = individuals(mine.tolist())
        limits.append(found)
        sides[there, number] = (mine > found.values.upper).astype(np.int8) - (mine < found.values.lower).astype(np.int8)
        # The first value has none before it.
        wide[np.flatnonzero(there)[1:], number] = np.abs(mine[1:] - mine[:-1]) > found.range_upper
    return IndividualsChart(tuple(limits), sides.reshape(given.shape), wide.reshape(given.shape))


def c_chart(counts: ArrayLike, means: ArrayLike, width: float = 3.0, valid: ArrayLike | None = None) -> Sides:
    """The side on which each count of equal volumes is beyond `charts.c_limits`; `means` is one or one for each
    location."""
    count: Integers = np.asarray(counts)
    if count.dtype.kind not in "iu" and count.size:
        raise BadInputError("counts", count.dtype, "whole numbers in an integer array")
    keep = which_count(count, valid)
    if (wrong := keep & (count < 0)).any():
        raise BadInputError("count", int(count[wrong][0]), "a whole number, 0 or more")
    columns = as_columns(count)
    mean = np.asarray(means, dtype=np.float64)
    if mean.ndim and mean.shape != columns.shape[1:]:
        raise BadInputError("shape of means", mean.shape, f"one number, or {columns.shape[1]}, one for each location")
    each = [c_limits(float(one), width) for one in np.broadcast_to(mean, columns.shape[1:])]
    upper, lower = np.array([one.upper for one in each]), np.array([one.lower for one in each])
    sides = (columns > upper).astype(np.int8) - (columns < lower).astype(np.int8)
    sides[~as_columns(keep)] = 0
    return sides.reshape(count.shape)


def cusum(
    values: ArrayLike,
    target: float,
    slack: float,
    limit: float,
    *,
    begin_again: bool = False,
    valid: ArrayLike | None = None,
    start: tuple[Floats, Floats] | None = None,
) -> ValueSums:
    """See `cusum.Cusum`."""
    finite("target", target)
    not_negative("slack", slack)
    above_zero("limit", limit)
    given, keep = _finite(values, valid)
    columns, kept = as_columns(given), as_columns(keep)
    # What is not valid must not spoil the sums by being no number.
    clean = np.where(kept, columns, 0.0)
    ups, downs = clean - (target + slack), (target - slack) - clean
    shape = columns.shape[1:]
    high_now, low_now = (np.zeros(shape), np.zeros(shape)) if start is None else _begun(start, shape)
    high, low = np.empty(columns.shape), np.empty(columns.shape)
    whole_rows: list[bool] = np.asarray(kept.all(axis=1)).tolist()
    for up, down, mine, whole, high_to, low_to in zip(ups, downs, kept, whole_rows, high, low, strict=True):
        np.maximum(0.0, high_now + up, out=high_to)
        np.maximum(0.0, low_now + down, out=low_to)
        if not whole:
            np.copyto(high_to, high_now, where=~mine)
            np.copyto(low_to, low_now, where=~mine)
        high_now, low_now = high_to, low_to
        if begin_again:
            signals = mine & ((high_to > limit) | (low_to > limit))
            if signals.any():
                high_now, low_now = np.where(signals, 0.0, high_to), np.where(signals, 0.0, low_to)
    return ValueSums(
        high.reshape(given.shape),
        low.reshape(given.shape),
        ((high > limit) & kept).reshape(given.shape),
        ((low > limit) & kept).reshape(given.shape),
        (high_now.copy().reshape(given.shape[1:]), low_now.copy().reshape(given.shape[1:])),
    )


def _finite(values: ArrayLike, valid: ArrayLike | None) -> tuple[Floats, Flags]:
    given = np.asarray(values, dtype=np.float64)
    keep = which_count(given, valid)
    wrong = keep & ~np.isfinite(given)
    if wrong.any():
        raise BadInputError("value", float(given[wrong][0]), "a finite number")
    return given, keep


def _begun(start: tuple[Floats, Floats], shape: tuple[int, ...]) -> tuple[Floats, Floats]:
    high, low = (np.array(part, dtype=np.float64).reshape(shape) for part in start)
    for name, sums in (("high", high), ("low", low)):
        if not (np.isfinite(sums) & (sums >= 0)).all():
            raise BadInputError(name, sums.tolist(), "finite numbers, 0 or more")
    return high, low
