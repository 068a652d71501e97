"""The shape and the refusals of the statistics; their values are in tests/reference."""

from __future__ import annotations

import math

import pytest

from motewatch.measure.statistics import (
    concentration_interval,
    exceeds_with_confidence,
    poisson_interval,
    poisson_lower,
    poisson_tail,
    poisson_upper,
    smallest_exceeding_count,
)


def test_zero_counts_two_and_one_sided() -> None:
    """3.689 is the two-sided upper bound, 2.996 the one-sided: the closed form -ln(error)."""
    assert poisson_interval(0).upper == pytest.approx(-math.log(0.025), rel=1e-14)
    assert poisson_upper(0) == pytest.approx(-math.log(0.05), rel=1e-14)
    assert poisson_interval(0).lower == poisson_lower(0) == 0.0


def test_concentration_interval_scales_and_needs_air() -> None:
    lower, upper = poisson_interval(12)
    found = concentration_interval(12, 28_300_000)
    assert found is not None
    assert found.lower == pytest.approx(lower / 0.0283, rel=1e-14)
    assert found.upper == pytest.approx(upper / 0.0283, rel=1e-14)
    assert concentration_interval(12, 0) is None


def test_tail_at_its_ends() -> None:
    assert poisson_tail(0, 5.0) == 1.0
    assert poisson_tail(-3, 5.0) == 1.0
    assert poisson_tail(3, 0.0) == 0.0
    assert poisson_tail(1, 1e-300) == pytest.approx(1e-300, rel=1e-12)
    assert poisson_tail(1, 700.0) == 1.0


def test_tail_far_outside_the_bulk() -> None:
    """Thousands of counts where none were to be expected, and the reverse: no overflow, no domain error."""
    assert poisson_tail(15_713, 1e-9) == 0.0
    assert poisson_tail(10**7, 5e-324) == 0.0
    assert poisson_tail(200, 1e9) == 1.0
    # 150 counts at a mean of 40: summed with 40 digits.
    assert poisson_tail(150, 40.0) == pytest.approx(2.0587951899818662e-40, rel=1e-11)


def test_refusals_say_what_to_give() -> None:
    with pytest.raises(ValueError, match="count of -1 is impossible"):
        poisson_interval(-1)
    with pytest.raises(ValueError, match=r"confidence is 1\.0: give a share between 0 and 1"):
        poisson_interval(3, 1.0)
    with pytest.raises(ValueError, match=r"confidence is 95: give a share between 0\.5 and 1, such as 0\.95"):
        poisson_upper(3, 95)
    with pytest.raises(ValueError, match=r"confidence is 0\.5"):
        poisson_lower(3, 0.5)
    with pytest.raises(ValueError, match="mean count of -2"):
        poisson_tail(3, -2)
    with pytest.raises(ValueError, match="confidence is 95"):
        exceeds_with_confidence(3, 1, 1, 95)


def test_confidence_needs_more_than_the_limit() -> None:
    """One count in 28.3 litres is above 29 per cubic metre, but far from surely so; five are."""
    assert not exceeds_with_confidence(1, 28_300_000, 29, 0.95)
    assert not exceeds_with_confidence(3, 28_300_000, 29, 0.95)
    assert exceeds_with_confidence(5, 28_300_000, 29, 0.95)


def test_confidence_at_a_limit_of_zero() -> None:
    assert exceeds_with_confidence(1, 28_300_000, 0, 0.999)
    assert not exceeds_with_confidence(0, 28_300_000, 0, 0.999)


def test_a_limit_of_zero_or_no_air_is_exceeded_by_one_count() -> None:
    assert smallest_exceeding_count(0, 28_300_000) == 1
    assert smallest_exceeding_count(3_520, 0) == 1


def test_integers_of_any_size() -> None:
    assert smallest_exceeding_count(10**12, 10**14) == 10**17 + 1
