"""The negative binomial: against scipy where scipy is exact, against rational arithmetic where it is not."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import special, stats

from motewatch.measure.dispersion import (
    at_most,
    estimate_alpha,
    probabilities,
    probability,
    smallest_count_beyond,
    tail,
)
from motewatch.measure.errors import BadInputError

ALPHAS = (1e-3, 0.05, 0.2, 0.5, 2.0, 10.0)
MEANS = (1e-4, 0.0283, 1.0, 5.0, 50.0, 1e3, 1e5)


def counts_around(mean: float, alpha: float) -> set[int]:
    spread = math.sqrt(mean + alpha * mean * mean)
    return {1, 2, 3, 10, *(max(1, int(mean + z * spread)) for z in (-3, -1, -0.2, 0, 0.2, 1, 3, 6))}


@pytest.mark.parametrize("alpha", ALPHAS)
@pytest.mark.parametrize("mean", MEANS)
def test_against_scipy(alpha: float, mean: float) -> None:
    size, success = 1 / alpha, 1 / (1 + alpha * mean)
    failure = alpha * mean / (1 + alpha * mean)
    for count in counts_around(mean, alpha):
        # scipy's own nbinom works with 1 - p, which has lost its digits where p is near 1.
        upper, lower = special.betainc(count, size, failure), special.betainc(size, count, success)
        assert tail(count, mean, alpha) == pytest.approx(upper, rel=2e-9, abs=1e-280)
        assert at_most(count - 1, mean, alpha) == pytest.approx(lower, rel=2e-9, abs=1e-280)
        if mean >= 1:
            expected = stats.nbinom.pmf(count, size, success)
            assert probability(count, mean, alpha) == pytest.approx(expected, rel=1e-9, abs=1e-280)
            assert tail(count, mean, alpha) == pytest.approx(stats.nbinom.sf(count - 1, size, success), rel=1e-9)


def exact(count: int, mean: int, alpha: float) -> tuple[float, float]:
    """P(X <= count) and P(X = count): terms summed as fractions, relative to P(X = 0)."""
    term = total = Fraction(1)
    share = Fraction(alpha)
    for j in range(count):
        term = term * (1 + share * j) * mean / ((j + 1) * (1 + share * mean))
        total += term
    none = math.exp(-math.log1p(alpha * mean) / alpha)
    return float(total) * none, float(term) * none


@pytest.mark.parametrize("alpha", [1e-14, 1e-12, 1e-10, 1e-8, 1e-6, 9e-5, 1.1e-4, 0.01, 0.2, 3.0])
def test_against_fractions(alpha: float) -> None:
    for count, mean in ((0, 3), (3, 10), (10, 40), (60, 100), (20, 22)):
        below, here = exact(count, mean, alpha)
        assert at_most(count, mean, alpha) == pytest.approx(below, rel=1e-12)
        assert probability(count, mean, alpha) == pytest.approx(here, rel=1e-12)


def test_no_dispersion_is_poisson() -> None:
    for count in (0, 1, 5, 160, 5_000):
        for mean in (0.01, 1.0, 140.0, 5_100.0):
            assert probability(count, mean) == pytest.approx(stats.poisson.pmf(count, mean), rel=1e-9, abs=1e-290)
            assert tail(count, mean) == pytest.approx(stats.poisson.sf(count - 1, mean), rel=1e-9, abs=1e-290)
            assert at_most(count, mean) == pytest.approx(stats.poisson.cdf(count, mean), rel=1e-9, abs=1e-290)


def test_a_little_dispersion_is_nearly_poisson() -> None:
    for alpha in (1e-18, 1e-15, 1e-12):
        assert tail(30, 20.0, alpha) == pytest.approx(tail(30, 20.0), rel=1e3 * alpha + 1e-12)


@pytest.mark.parametrize("alpha", [0.0, 1e-6, 0.2, 5.0])
@pytest.mark.parametrize("mean", [0.01, 3.0, 400.0])
def test_a_row_of_probabilities(alpha: float, mean: float) -> None:
    last = 2_000
    row = probabilities(0, last, mean, alpha)
    for count in (0, 1, 2, 3, 40, 400, 1_999):
        assert row[count] == pytest.approx(probability(count, mean, alpha), rel=1e-11, abs=1e-290)
    assert row.sum() + tail(last + 1, mean, alpha) == pytest.approx(1, abs=1e-11)
    assert probabilities(5, 60, mean, alpha) == pytest.approx(row[5:61], rel=1e-11, abs=1e-290)


def test_air_without_particles() -> None:
    assert probabilities(0, 2, 0.0, 0.2).tolist() == [1, 0, 0]
    assert probabilities(1, 2, 0.0).tolist() == [0, 0]
    assert (probability(0, 0.0, 0.2), tail(1, 0.0, 0.2), at_most(0, 0.0, 0.2)) == (1, 0, 1)
    assert (tail(0, 3.0), at_most(-1, 3.0), probability(-1, 3.0, 0.2)) == (1, 0, 0)


def test_variance_is_as_stated() -> None:
    mean, alpha = 6.0, 0.35
    row = probabilities(0, 2_000, mean, alpha)
    counts = np.arange(2_001)
    assert row @ counts == pytest.approx(mean)
    assert row @ (counts - mean) ** 2 == pytest.approx(mean + alpha * mean**2)


def test_sums_of_samples_are_of_the_same_kind() -> None:
    one = probabilities(0, 200, 2.5, 0.4)
    three = np.convolve(np.convolve(one, one), one)[:201]
    assert probabilities(0, 200, 7.5, 0.4 / 3) == pytest.approx(three, rel=1e-9)


@pytest.mark.parametrize("alpha", [0.0, 0.2])
def test_smallest_count_beyond(alpha: float) -> None:
    for mean in (0.0, 0.03, 5.0, 300.0):
        for error in (0.3, 0.01, 1e-6):
            count = smallest_count_beyond(error, mean, alpha)
            assert tail(count, mean, alpha) <= error
            assert count > 0
            assert tail(count - 1, mean, alpha) > error


def test_estimated_dispersion() -> None:
    rng = np.random.default_rng(5)
    means = rng.uniform(2, 20, 40_000)
    counts = rng.poisson(rng.gamma(1 / 0.3, 0.3 * means))
    assert estimate_alpha(counts.tolist(), means.tolist()) == pytest.approx(0.3, rel=0.05)
    assert estimate_alpha(rng.poisson(means).tolist(), means.tolist()) == pytest.approx(0, abs=0.005)
    assert estimate_alpha([5, 5, 5], [5.0, 5.0, 5.0]) == 0
    assert estimate_alpha([0, 0], [0.0, 0.0]) == 0


@pytest.mark.parametrize(
    ("mean", "alpha", "named"),
    [(-1.0, 0.0, "mean count = -1.0"), (math.nan, 0.0, "mean count = nan"), (1.0, -0.1, "alpha = -0.1"),
     (1.0, math.nan, "alpha = nan"), (math.inf, 0.0, "mean count = inf")],
)  # fmt: skip
def test_bad_values_are_named(mean: float, alpha: float, named: str) -> None:
    for function in (probability, tail, at_most):
        with pytest.raises(BadInputError, match=named):
            function(3, mean, alpha)


def test_other_refusals() -> None:
    with pytest.raises(BadInputError, match="error = 0"):
        smallest_count_beyond(0, 1.0)
    with pytest.raises(BadInputError, match="first = 4: give 0 to 3"):
        probabilities(4, 3, 1.0)
    with pytest.raises(BadInputError, match="means = 1"):
        estimate_alpha([1, 2], [1.0])
    with pytest.raises(BadInputError, match="means"):
        estimate_alpha([1], [-1.0])


@pytest.mark.parametrize("mean", [5e-324, 2.3e-308])
def test_the_smallest_means_there_are(mean: float) -> None:
    """A share of the count would be 0 in double precision, and its logarithm undefined."""
    assert tail(1, mean, 0.2) == pytest.approx(mean, abs=1e-307)
    assert at_most(0, mean, 0.2) == 1
    assert smallest_count_beyond(0.001, mean, 0.2) == 1
