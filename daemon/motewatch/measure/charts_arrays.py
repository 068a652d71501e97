"""The charts of `charts`, `cusum` and `run_rules` for whole histories, in numpy: equal to them to the last bit.

Series are arrays with time along the first axis: `(samples,)` for one location, `(samples, locations)` for many. A
sum that depends on the one before cannot be worked out side by side in time without other rounding, so EWMA and CUSUM
step through time and take all locations at once: give them many. Run rules and u-charts look at all times at once.

`valid` marks the samples that count; the others are passed over as if they had never been, and never signal. What
`start` is given (`end` of the piece before) goes on from there, so a long history can be taken in pieces. Refusals
are those of the scalar charts and name the value.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from motewatch.measure.charts import EwmaSettings, UChart
from motewatch.measure.cusum import MOST_PARTICLES, UNIT, PoissonCusumSettings
from motewatch.measure.errors import BadInputError
from motewatch.measure.run_rules import Pattern, Rule
from motewatch.measure.signals import above_zero, not_negative
from motewatch.measure.statistics import UL_PER_M3

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Sides = NDArray[np.int8]
_T = TypeVar("_T", bound=np.generic)

NO_SIDE: Final = 2
"""A signal of a rule that knows no side; 1 is above, -1 below, 0 no signal."""
_PIECE: Final = 8_192
"""Samples worked on at a time, so that what is in between fits the processor's memory."""


@dataclass(frozen=True, slots=True)
class Averages:
    """What an EWMA did: its deviation and reach at each sample, and the side on which it signals (0: it does not)."""

    deviation: Floats
    reach: Floats
    sides: Sides
    end: tuple[Floats, Floats]


@dataclass(frozen=True, slots=True)
class Sums:
    """What a Poisson CUSUM did: where it signals, and its sums at the end (10^-12 particles)."""

    signals: Flags
    end: Integers


def ewma(
    values: ArrayLike,
    target: float,
    sigma: float,
    settings: EwmaSettings | None = None,
    valid: ArrayLike | None = None,
    start: tuple[Floats, Floats] | None = None,
) -> Averages:
    """See `charts.Ewma`; NaN is refused where `valid` does not exclude it."""
    given = np.asarray(values, dtype=np.float64)
    above_zero("sigma", sigma)
    keep = which_count(given, valid)
    wrong = keep & ~np.isfinite(given)
    if wrong.any():
        raise BadInputError("value", float(given[wrong][0]), "a finite number")
    means = np.full(given.shape, float(target))
    variances = np.full(given.shape, sigma * sigma)
    return _averages(given, means, variances, settings or EwmaSettings(), keep, start)


def count_ewma(
    counts: ArrayLike,
    volumes_ul: ArrayLike,
    expected_per_m3: ArrayLike,
    settings: EwmaSettings | None = None,
    alpha: float = 0.0,
    valid: ArrayLike | None = None,
    start: tuple[Floats, Floats] | None = None,
) -> Averages:
    """See `charts.CountEwma`; `expected_per_m3` is one number or one for each location."""
    count, volume, keep = _air(counts, volumes_ul, valid)
    not_negative("alpha", alpha)
    expected = _expected(expected_per_m3)
    means = expected * volume / UL_PER_M3
    variances = means + alpha * means * means
    return _averages(count.astype(np.float64), means, variances, settings or EwmaSettings(), keep, start)


def poisson_cusum(
    counts: ArrayLike,
    volumes_ul: ArrayLike,
    settings: PoissonCusumSettings | Sequence[PoissonCusumSettings],
    valid: ArrayLike | None = None,
    start: Integers | None = None,
) -> Sums:
    """See `cusum.PoissonCusum`; `settings` are one for all locations or one for each."""
    count, volume, keep = _air(counts, volumes_ul, valid)
    shape = count.shape
    count, volume, keep = as_columns(count), as_columns(volume), as_columns(keep)
    many = [settings] * count.shape[1] if isinstance(settings, PoissonCusumSettings) else list(settings)
    if len(many) != count.shape[1]:
        raise BadInputError("number of settings", len(many), f"1 or {count.shape[1]}, one for each location")
    reference = np.array([each.reference_milli_per_m3 for each in many], dtype=np.int64)
    limit = np.array([each.limit_milli * UL_PER_M3 for each in many], dtype=np.int64)
    head = np.array([each.head_start_milli * UL_PER_M3 for each in many], dtype=np.int64)
    again = np.array([each.restart for each in many])
    _within_int64(count, volume, keep, reference)
    most, restarting = 2 * limit, bool(again.any())
    now = head.copy() if start is None else np.array(start, dtype=np.int64).reshape(head.shape)
    signals = np.zeros(count.shape, dtype=np.bool_)
    totals = np.empty((min(_PIECE, len(count)), count.shape[1]), dtype=np.int64)
    for first in range(0, len(count), _PIECE):
        here = slice(first, first + _PIECE)
        steps = count[here] * UNIT - reference * volume[here]
        steps[~keep[here]] = 0
        for step, total in zip(steps, totals, strict=False):
            np.add(now, step, out=total)
            np.maximum(total, 0, out=total)
            np.minimum(total, most, out=now)
            if restarting:
                np.copyto(now, head, where=again & (total >= limit))
        signals[here] = (totals[: len(steps)] >= limit) & keep[here]
    return Sums(signals.reshape(shape), now.reshape(shape[1:]))


def u_chart(counts: ArrayLike, volumes_ul: ArrayLike, chart: UChart, valid: ArrayLike | None = None) -> Sides:
    """The side on which each sample is beyond the limits of its own volume, as `UChart.observe` says it."""
    count, volume, keep = _air(counts, volumes_ul, valid)
    found = np.zeros(count.shape, dtype=np.int8)
    # Nearly all samples of a programme have one volume; what is left is looked up.
    usual = int(volume.flat[0]) if volume.size else 1
    rest = volume != usual
    limits = chart.limits(max(1, usual))
    low, high = np.full(1, limits.lower), np.full(1, limits.upper)
    found[count > high] = 1
    if not chart.upper_only:
        found[count < low] = -1
    if rest.any():
        each, where = np.unique(np.maximum(volume[rest], 1), return_inverse=True)
        held = np.array([chart.limits(int(one)) for one in each])
        few = count[rest]
        side = (few > held[where, 2]).astype(np.int8)
        if not chart.upper_only:
            side -= (few < held[where, 0]).astype(np.int8)
        found[rest] = side
    found[~keep] = 0
    return found


def deviations(
    counts: ArrayLike,
    volumes_ul: ArrayLike,
    expected_per_m3: ArrayLike,
    alpha: float = 0.0,
    valid: ArrayLike | None = None,
) -> Floats:
    """See `charts.deviation`; `expected_per_m3` is one number or one for each location. NaN where not valid."""
    count, volume, keep = _air(counts, volumes_ul, valid)
    not_negative("alpha", alpha)
    means = _expected(expected_per_m3) * np.where(keep, volume, UL_PER_M3) / UL_PER_M3
    found = (count - means) / np.sqrt(means + alpha * means * means)
    found[~keep] = np.nan
    return np.asarray(found)


def run_rules(sigmas: ArrayLike, rules: Sequence[Rule], valid: ArrayLike | None = None) -> Mapping[str, Sides]:
    """For each rule the side on which it signals at each point (`NO_SIDE` for rules without one)."""
    given = np.asarray(sigmas, dtype=np.float64)
    keep = which_count(given, valid)
    wrong = keep & ~np.isfinite(given)
    if wrong.any():
        raise BadInputError("deviation", float(given[wrong][0]), "a finite number")
    columns, kept = as_columns(given), as_columns(keep)
    found = {rule.name: np.zeros(columns.shape, dtype=np.int8) for rule in rules}
    for number in range(columns.shape[1]):
        there = kept[:, number]
        points = columns[there, number]
        for rule in rules:
            found[rule.name][there, number] = _pattern(points, rule)
    return {name: sides.reshape(given.shape) for name, sides in found.items()}


# Patterns


def _pattern(points: Floats, rule: Rule) -> Sides:
    found = np.zeros(points.shape, dtype=np.int8)
    if rule.pattern is Pattern.SAME_SIDE:
        above, below = points > rule.sigmas, points < -rule.sigmas
        found[_of_last(above, rule.k, rule.n) & above] = 1
        found[_of_last(below, rule.k, rule.n) & below] = -1
    elif rule.pattern is Pattern.STEADY:
        found[1:][_of_last(points[1:] > points[:-1], rule.n - 1, rule.n - 1)] = 1
        found[1:][_of_last(points[1:] < points[:-1], rule.n - 1, rule.n - 1)] = -1
    elif rule.pattern is Pattern.ALTERNATING:
        way = np.sign(points[1:] - points[:-1]).astype(np.int8)
        turns = way[1:] * way[:-1] < 0
        found[2:][_of_last(turns, rule.n - 2, rule.n - 2)] = NO_SIDE
    else:
        beyond = np.abs(points) > rule.sigmas
        wanted = beyond if rule.pattern is Pattern.OUTSIDE else ~beyond
        found[_of_last(wanted, rule.k, rule.n)] = NO_SIDE
    return found


def _of_last(flags: Flags, k: int, n: int) -> Flags:
    """At each point: do at least k of the last n (fewer at the beginning) have the flag?"""
    if k == n:
        # In a row: runs of 1, 2, 4, ... by halves.
        found, length = flags.copy(), 1
        while length < n:
            more = min(length, n - length)
            found[more:] &= found[:-more].copy()
            found[:more] = False
            length += more
        if len(found) and n > 1:
            found[: n - 1] = False
        return found
    total = flags.astype(np.uint8)
    for back in range(1, n):
        total[back:] += flags[: max(0, len(flags) - back)]
    return total >= k


# Sums through time


def _averages(
    values: Floats,
    means: Floats,
    variances: Floats,
    settings: EwmaSettings,
    keep: Flags,
    start: tuple[Floats, Floats] | None,
) -> Averages:
    shape = values.shape
    weight = settings.weight
    rest = 1 - weight
    value, kept, variance = as_columns(values), as_columns(keep), as_columns(np.broadcast_to(variances, shape))
    expected = as_columns(np.broadcast_to(means, shape))
    mean: NDArray[Any]
    spread: NDArray[Any]
    if start is None:
        mean, spread = np.zeros(value.shape[1]), np.full(value.shape[1], np.nan)
    else:
        mean, spread = (np.array(part, dtype=np.float64).reshape(value.shape[1:]) for part in start)
    first_of = np.argmax(kept, axis=0) if len(kept) else np.zeros(value.shape[1], dtype=np.int64)
    new = np.isnan(spread) & (kept.any(axis=0) if len(kept) else False)
    if settings.start_up:
        spread[new] = 0.0
    else:
        spread[new] = variance[first_of[new], np.flatnonzero(new)] * (weight / (2 - weight))
    deviation, held = np.empty(value.shape), np.empty(value.shape)
    for first in range(0, len(value), _PIECE):
        here = slice(first, first + _PIECE)
        steps = weight * (value[here] - expected[here])
        more = weight * weight * variance[here]
        gaps = ~kept[here]
        gap_in_row: list[bool] = np.asarray(gaps.any(axis=1)).tolist()
        rows = zip(steps, more, deviation[here], held[here], gaps, gap_in_row, strict=True)
        for step, add, after, spread_after, gap, some in rows:
            np.multiply(mean, rest, out=after)
            np.add(step, after, out=after)
            np.multiply(spread, rest * rest, out=spread_after)
            np.add(add, spread_after, out=spread_after)
            if some:
                np.copyto(after, mean, where=gap)
                np.copyto(spread_after, spread, where=gap)
            mean, spread = after, spread_after
    # Before its first sample a chart has no limits.
    held[np.arange(len(held))[:, np.newaxis] < np.where(new, first_of, 0)] = 0.0
    reach = settings.width * np.sqrt(np.nan_to_num(held))
    sides = (deviation > reach).astype(np.int8)
    if not settings.upper_only:
        sides -= (deviation < -reach).astype(np.int8)
    sides[~kept] = 0
    tail = shape[1:]
    end = (mean.copy().reshape(tail), spread.copy().reshape(tail))
    return Averages(deviation.reshape(shape), reach.reshape(shape), sides.reshape(shape), end)


# What is taken in


def as_columns(series: NDArray[_T]) -> NDArray[_T]:
    """One location is one column."""
    return series[:, np.newaxis] if series.ndim == 1 else series


def which_count(series: NDArray[np.generic], valid: ArrayLike | None) -> Flags:
    """Which samples count, in the shape of the series."""
    if series.ndim not in (1, 2):
        raise BadInputError("number of axes", series.ndim, "1 (samples) or 2 (samples, locations)")
    if valid is None:
        return np.ones(series.shape, dtype=np.bool_)
    keep = np.asarray(valid, dtype=np.bool_)
    if keep.shape != series.shape:
        raise BadInputError("shape of valid", keep.shape, f"that of the series, {series.shape}")
    return keep


def _air(counts: ArrayLike, volumes_ul: ArrayLike, valid: ArrayLike | None) -> tuple[Integers, Integers, Flags]:
    count, volume = np.asarray(counts), np.asarray(volumes_ul)
    for name, given in (("counts", count), ("volumes_ul", volume)):
        if given.dtype.kind not in "iu" and given.size:
            raise BadInputError(name, given.dtype, "whole numbers in an integer array")
    volume = np.broadcast_to(volume, count.shape)
    keep = which_count(count, valid)
    if (wrong := keep & (count < 0)).any():
        raise BadInputError("count", int(count[wrong][0]), "a whole number, 0 or more")
    if (wrong := keep & (volume <= 0)).any():
        raise BadInputError("volume_ul", int(volume[wrong][0]), "a whole number of microlitres above 0")
    return count.astype(np.int64, copy=False), volume.astype(np.int64, copy=False), keep


def _expected(per_m3: ArrayLike) -> Floats:
    given = np.asarray(per_m3, dtype=np.float64)
    wrong = ~(np.isfinite(given) & (given > 0))
    if wrong.any():
        raise BadInputError("expected_per_m3", float(given[wrong].flat[0]), "a finite number above 0")
    return given


def _within_int64(count: Integers, volume: Integers, keep: Flags, reference: Integers) -> None:
    if (wrong := keep & (count > MOST_PARTICLES)).any():
        raise BadInputError("count", int(count[wrong][0]), f"at most {MOST_PARTICLES} particles in a sample")
    if (wrong := keep & (volume > MOST_PARTICLES * UNIT // reference)).any():
        most = f"air with at most {MOST_PARTICLES} particles at the reference"
        raise BadInputError("volume_ul", int(volume[wrong][0]), most)
