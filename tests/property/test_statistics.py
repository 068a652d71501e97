"""What must hold of intervals and tails whatever the numbers."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from motewatch.measure.statistics import (
    exceeds,
    exceeds_with_confidence,
    poisson_interval,
    poisson_lower,
    poisson_tail,
    poisson_upper,
    smallest_exceeding_count,
)

COUNTS = st.integers(0, 300) | st.integers(0, 10**7)
CONFIDENCES = st.floats(0.5001, 0.999999)


@given(COUNTS, CONFIDENCES)
def test_an_interval_brackets_its_count(count: int, confidence: float) -> None:
    lower, upper = poisson_interval(count, confidence)
    assert 0 <= lower <= count < upper
    assert (lower == 0) == (count == 0)
    # One-sided bounds at the same confidence lie inside.
    assert lower <= poisson_lower(count, confidence)
    assert poisson_upper(count, confidence) <= upper


@given(COUNTS, CONFIDENCES)
def test_bounds_rise_with_the_count(count: int, confidence: float) -> None:
    here, following = poisson_interval(count, confidence), poisson_interval(count + 1, confidence)
    assert here.lower < following.lower
    assert here.upper < following.upper


@given(COUNTS, st.floats(0.51, 0.98))
def test_bounds_widen_with_confidence(count: int, confidence: float) -> None:
    narrow, wide = poisson_interval(count, confidence), poisson_interval(count, confidence + 0.01)
    assert wide.lower <= narrow.lower
    assert narrow.upper < wide.upper


@given(st.integers(1, 2_000) | st.integers(1, 10**7), st.floats(0.6, 0.9999))
def test_a_bound_gives_back_its_error(count: int, confidence: float) -> None:
    """The definition of the bounds: the tail at the bound is the error probability."""
    error = 1 - confidence
    assert abs(poisson_tail(count, poisson_lower(count, confidence)) / error - 1) < 1e-9
    assert abs((1 - poisson_tail(count + 1, poisson_upper(count, confidence))) / error - 1) < 1e-9


@given(st.integers(0, 10**5), st.floats(1e-3, 1e5))
def test_a_tail_is_a_probability_and_falls(count: int, mean: float) -> None:
    here, following = poisson_tail(count, mean), poisson_tail(count + 1, mean)
    assert 0 <= following <= here <= 1


@given(st.integers(0, 10**9), st.integers(1, 10**12))
def test_the_smallest_exceeding_count_is_the_smallest(limit: int, volume_ul: int) -> None:
    count = smallest_exceeding_count(limit, volume_ul)
    assert exceeds(count, volume_ul, limit)
    assert not exceeds(count - 1, volume_ul, limit)


@given(st.integers(0, 10**6), st.integers(1, 1_000))
def test_equal_to_the_limit_passes(limit: int, cubic_metres: int) -> None:
    assert not exceeds(limit * cubic_metres, cubic_metres * 10**9, limit)
    assert exceeds(limit * cubic_metres + 1, cubic_metres * 10**9, limit)


@given(st.integers(0, 10**5), st.integers(1, 10**9), st.integers(0, 10**6), st.floats(0.5001, 0.9999))
def test_confidence_is_stricter_than_the_plain_comparison(
    count: int, volume_ul: int, limit: int, confidence: float
) -> None:
    if exceeds_with_confidence(count, volume_ul, limit, confidence):
        assert exceeds(count, volume_ul, limit)
        assert exceeds_with_confidence(count + 1, volume_ul, limit, confidence)
