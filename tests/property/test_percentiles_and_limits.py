"""Percentiles and limits of counts: arrays equal scalars, numpy agrees, limits are monotone, refusals are clear."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from motewatch.measure.count_limits import level_below, upper_limit, upper_limits
from motewatch.measure.dispersion import tail
from motewatch.measure.errors import BadInputError
from motewatch.measure.percentiles import (
    PercentileMethod,
    percentile,
    percentiles,
    samples_for_tolerance,
    tolerance_rank,
)
from motewatch.measure.statistics import smallest_exceeding_count

NUMPY_NAMES = {
    "R1": "inverted_cdf",
    "R2": "averaged_inverted_cdf",
    "R3": "closest_observation",
    "R4": "interpolated_inverted_cdf",
    "R5": "hazen",
    "R6": "weibull",
    "R7": "linear",
    "R8": "median_unbiased",
    "R9": "normal_unbiased",
}
VALUES = st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=40)
PERCENT = st.one_of(st.integers(0, 100), st.sampled_from([2.5, 97.5, 99.5, 99.9]))
METHOD = st.sampled_from(list(PercentileMethod))
VOLUME = st.integers(1, 5_000_000_000)
PER_M3 = st.floats(0.001, 10_000)
ERROR = st.sampled_from([0.05, 0.01, 0.001, 1e-6])
ALPHA = st.sampled_from([0.0, 0.2, 1.0])


@given(VALUES, PERCENT, METHOD)
def test_arrays_equal_the_scalar(values: list[float], percent: float, method: PercentileMethod) -> None:
    alone = percentile(values, percent, method)
    assert float(percentiles(values, percent, method)) == alone
    both = percentiles(np.stack([values[::-1], np.zeros(len(values))], axis=1), percent, method)
    assert both.tolist() == [alone, 0.0]


@pytest.mark.parametrize("method", PercentileMethod)
@given(values=VALUES, eighths=st.integers(0, 8))
def test_numpy_agrees(method: PercentileMethod, values: list[float], eighths: int) -> None:
    """At eighths, which are exact in binary: elsewhere a library's rounding may take the next value of a step."""
    expected = float(np.percentile(values, 12.5 * eighths, method=NUMPY_NAMES[method]))  # type: ignore[call-overload]
    assert percentile(values, 12.5 * eighths, method) == pytest.approx(expected, rel=1e-9, abs=1e-9)


@given(VALUES, PERCENT, PERCENT, METHOD)
def test_percentiles_rise(values: list[float], one: float, other: float, method: PercentileMethod) -> None:
    low, high = sorted((one, other))
    assert min(values) - 1e-9 <= percentile(values, low, method)
    assert percentile(values, low, method) <= percentile(values, high, method) + 1e-9
    assert percentile(values, high, method) <= max(values) + 1e-9


def test_the_decimal_that_was_written_counts() -> None:
    """0.07 x 100 is 7.000000000000001 in binary; the 7th percentile of 100 values is the 7th value."""
    assert percentile(list(range(1, 101)), 7, PercentileMethod.R1) == 7
    assert float(percentiles(list(range(1, 101)), 7, PercentileMethod.R1)) == 7


@given(st.integers(1, 400), st.sampled_from([50, 90, 95, 99]), st.sampled_from([0.5, 0.9, 0.95]))
def test_tolerance_ranks_are_those_of_the_binomial(n: int, percent: float, confidence: float) -> None:
    rank = tolerance_rank(n, percent, confidence)
    # The value of rank r covers when at most r - 1 of the values lie below the percentile.
    covers = [float(stats.binom.cdf(r - 1, n, percent / 100)) >= confidence - 1e-9 for r in range(1, n + 1)]
    expected = covers.index(True) + 1 if any(covers) else None
    assert rank == expected
    assert (rank is None) == (n < samples_for_tolerance(percent, confidence))


@given(PER_M3, VOLUME, ERROR, ALPHA)
def test_a_limit_keeps_its_error(per_m3: float, volume: int, error: float, alpha: float) -> None:
    limit = upper_limit(per_m3, volume, error, alpha)
    assert limit.error == tail(limit.count, limit.mean, alpha) <= error
    assert tail(limit.count - 1, limit.mean, alpha) > error


@given(PER_M3, PER_M3, VOLUME, VOLUME, ERROR, ALPHA)
def test_limits_rise_with_mean_and_volume(
    per_m3: float, more: float, volume: int, more_air: int, error: float, alpha: float
) -> None:
    here = upper_limit(per_m3, volume, error, alpha).count
    assert upper_limit(per_m3 + more, volume, error, alpha).count >= here
    assert upper_limit(per_m3, volume + more_air, error, alpha).count >= here
    assert upper_limit(per_m3, volume, error / 2, alpha).count >= here


@given(PER_M3, st.integers(1, 1_000_000_000), ERROR)
def test_the_level_divides_the_counts(per_m3: float, volume: int, error: float) -> None:
    limit = upper_limit(per_m3, volume, error)
    level = limit.level_per_m3
    assert smallest_exceeding_count(level, volume) == limit.count
    assert level >= limit.per_m3
    assert level == 0 or level - 1 < limit.per_m3


@given(st.integers(1, 100), st.integers(1_000_000_001, 50_000_000_000))
def test_a_level_in_much_air_alarms_at_the_count_at_the_latest(count: int, volume: int) -> None:
    level = level_below(count, volume)
    assert smallest_exceeding_count(level, volume) <= count < smallest_exceeding_count(level + 1, volume)


@given(PER_M3, st.lists(VOLUME, max_size=8), ERROR, ALPHA)
def test_limits_of_many_volumes(per_m3: float, volumes: list[int], error: float, alpha: float) -> None:
    found = upper_limits(per_m3, np.array(volumes, dtype=np.int64), error, alpha)
    alone = [upper_limit(per_m3, volume, error, alpha) for volume in volumes]
    assert found.counts.tolist() == [limit.count for limit in alone]
    assert found.errors.tolist() == [limit.error for limit in alone]


def test_units() -> None:
    limit = upper_limit(1000, 28_300_000, 0.001)
    assert limit.mean == pytest.approx(28.3)
    assert limit.per_m3 == pytest.approx((limit.count - 1) / 0.0283)
    assert limit.per_l == pytest.approx((limit.count - 1) / 28.3)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: percentile([], 50, PercentileMethod.R7), "number of values = 0"),
        (lambda: percentile([1.0, math.nan], 50, PercentileMethod.R7), "value = nan"),
        (lambda: percentiles([1.0, math.inf], 50, PercentileMethod.R7), "value = inf"),
        (lambda: percentile([1.0], 101, PercentileMethod.R7), "percent = 101"),
        (lambda: tolerance_rank(5, 100, 0.9), "percent = 100"),
        (lambda: tolerance_rank(5, 90, 1.0), "confidence = 1.0"),
        (lambda: upper_limit(1, 0, 0.01), "volume_ul = 0"),
        (lambda: upper_limit(-1, 5, 0.01), "expected_per_m3 = -1"),
        (lambda: upper_limit(math.nan, 5, 0.01), "expected_per_m3 = nan"),
        (lambda: upper_limit(1, 5, 0.0), "error = 0.0"),
        (lambda: upper_limit(1, 5, 0.1, -1), "alpha = -1"),
        (lambda: upper_limits(1, [5, -5], 0.1), "volume_ul = -5"),
        (lambda: upper_limits(1, [5.5], 0.1), "volumes_ul = float64"),
        (lambda: level_below(0, 5), "count = 0"),
    ],
)
def test_refusals_name_the_value(call: Callable[[], object], named: str) -> None:
    with pytest.raises(BadInputError, match=named):
        call()
