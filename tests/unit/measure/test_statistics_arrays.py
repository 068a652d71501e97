"""Whole series of counts give what one count after another gives."""

from __future__ import annotations

import math

import numpy as np
import pytest

from motewatch.measure.errors import BadInputError
from motewatch.measure.statistics import (
    concentration_excluded,
    concentration_interval,
    poisson_at_most,
    poisson_interval,
    poisson_lower,
    poisson_probability,
    poisson_tail,
    poisson_upper,
    volume_to_show_ul,
)
from motewatch.measure.statistics_arrays import (
    concentration_intervals,
    poisson_intervals,
    poisson_lowers,
    poisson_tails,
    poisson_uppers,
)

SERIES = np.array([[0, 1, 2, 0], [17, 400, 12_345, 3_000_000]])


def test_intervals_are_the_scalar_ones_to_the_last_bit() -> None:
    for counts in (SERIES, SERIES[0], SERIES[:, :2]):
        lower, upper = poisson_intervals(counts, 0.9)
        expected = [poisson_interval(int(count), 0.9) for count in counts.flat]
        assert lower.shape == upper.shape == counts.shape
        assert lower.ravel().tolist() == [pair.lower for pair in expected]
        assert upper.ravel().tolist() == [pair.upper for pair in expected]
        assert poisson_lowers(counts).ravel().tolist() == [poisson_lower(int(count)) for count in counts.flat]
        assert poisson_uppers(counts).ravel().tolist() == [poisson_upper(int(count)) for count in counts.flat]


def test_concentrations() -> None:
    counts, volumes = np.array([3, 0, 7]), np.array([28_300_000, 0, 50_000_000])
    lower, upper = concentration_intervals(counts, volumes)
    for place in (0, 2):
        expected = concentration_interval(int(counts[place]), int(volumes[place]))
        assert expected is not None
        assert (lower[place], upper[place]) == pytest.approx(expected, rel=1e-14)
    assert math.isnan(lower[1])
    assert math.isnan(upper[1])


def test_tails_are_the_scalar_ones() -> None:
    rng = np.random.default_rng(2)
    means = np.exp(rng.uniform(-6, 15, 4_000))
    counts = np.maximum(0, np.round(means + rng.normal(0, 3, 4_000) * np.sqrt(means) + rng.integers(-2, 30, 4_000)))
    whole = counts.astype(np.int64)
    # Far from the bulk too, and around the count at which the method changes.
    whole[:50] *= 3
    whole[50:90] //= 4
    whole[90:150], means[90:150] = np.arange(120, 180), 150.0
    found = poisson_tails(whole, means)
    expected = np.array([poisson_tail(int(count), float(mean)) for count, mean in zip(whole, means, strict=True)])
    assert found == pytest.approx(expected, rel=1e-11, abs=1e-300)
    assert poisson_tails([0, 0, 1, 2], [0.0, 3.0, 0.0, 0.5]).tolist() == pytest.approx(
        [1, 1, 0, poisson_tail(2, 0.5)], rel=1e-14
    )


def test_tails_broadcast() -> None:
    found = poisson_tails(np.arange(1, 4)[:, None], np.array([0.5, 2.0]))
    assert found.shape == (3, 2)
    assert found[2, 1] == pytest.approx(poisson_tail(3, 2.0), rel=1e-13)


def test_a_series_of_nothing() -> None:
    assert poisson_tails([], []).size == 0
    lower, upper = poisson_intervals([])
    assert lower.size == upper.size == 0
    assert poisson_uppers([]).size == 0


def test_refusals_name_the_value() -> None:
    with pytest.raises(BadInputError, match="count = -3"):
        poisson_intervals([1, -3])
    with pytest.raises(BadInputError, match="counts = float64: give whole numbers"):
        poisson_intervals([1.0, math.nan])
    with pytest.raises(BadInputError, match="mean count = nan"):
        poisson_tails([1, 2], [1.0, math.nan])
    with pytest.raises(BadInputError, match=r"mean count = -1\.0"):
        poisson_tails([1, 2], [1.0, -1.0])
    with pytest.raises(ValueError, match=r"confidence is 1\.5"):
        poisson_uppers([1], 1.5)


# The scalar additions


def test_air_that_shows_a_limit_is_the_least() -> None:
    for limit in (0.5, 20, 29, 352_000):
        for count in (0, 1, 12):
            air_ul = volume_to_show_ul(limit, 0.95, count)
            excluded, a_little_less = concentration_excluded(count, air_ul), concentration_excluded(count, air_ul - 1)
            assert excluded is not None
            assert a_little_less is not None
            assert excluded <= limit * (1 + 1e-15)
            assert a_little_less > limit
    assert concentration_excluded(0, 0) is None
    with pytest.raises(ValueError, match="a limit of 0 per m3"):
        volume_to_show_ul(0)


def test_lower_tail_and_probability() -> None:
    for count in (0, 3, 149, 150, 4_000):
        for mean in (0.2, 4.0, 150.0, 4_100.0):
            below = poisson_at_most(count, mean)
            assert below == pytest.approx(1 - poisson_tail(count + 1, mean), abs=1e-12)
            if count:
                gained = below - poisson_at_most(count - 1, mean)
                assert gained == pytest.approx(poisson_probability(count, mean), abs=1e-12)
    assert (poisson_at_most(-1, 2.0), poisson_at_most(0, 0.0)) == (0, 1)
    assert (poisson_probability(0, 0.0), poisson_probability(2, 0.0), poisson_probability(-1, 1.0)) == (1, 0, 0)
    # Far below the mean, where a complement would be nothing but rounding.
    assert poisson_at_most(1, 60.0) == pytest.approx(61 * math.exp(-60), rel=1e-12)
    for function in (poisson_at_most, poisson_probability):
        with pytest.raises(ValueError, match="mean count of nan"):
            function(1, math.nan)
