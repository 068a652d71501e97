"""Stuck counts and zeros: the reason for each branch, what is refused, and series against scalars."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from motewatch.measure.errors import BadInputError
from motewatch.measure.suspicion import (
    Reason,
    all_equal_probability,
    all_zero_probability,
    runs,
    samples_until_suspicious,
    suspicion_of_run,
    suspicious_runs,
)


@pytest.mark.parametrize(
    ("value", "samples", "mean", "reason"),
    [
        (0, 10, 10.0, Reason.ALL_ZERO),
        (0, 10, 0.1, Reason.LIKELY_ENOUGH),
        (0, 1, 25.0, Reason.ALL_ZERO),
        (50, 1, 50.0, Reason.SINGLE),
        (50, 2, 50.0, Reason.LIKELY_ENOUGH),
        (50, 10, 50.0, Reason.STUCK),
        (50, 10, None, Reason.MEAN_UNKNOWN),
    ],
)
def test_reasons(value: int, samples: int, mean: float | None, reason: Reason) -> None:
    found = suspicion_of_run(value, samples, mean)
    assert found.reason is reason
    assert (found.probability is None) == (mean is None)


@pytest.mark.parametrize("alpha", [0.0, 0.3])
def test_longer_runs_are_less_probable(alpha: float) -> None:
    for mean in (0.01, 1.0, 8.5, 300.0):
        for probability in (all_zero_probability, all_equal_probability):
            series = [probability(samples, mean, alpha) for samples in range(1, 12)]
            assert all(0 <= after <= before <= 1 for before, after in itertools.pairwise(series))


def test_a_mean_of_zero_makes_zeros_certain() -> None:
    assert all_zero_probability(1_000, 0.0) == 1
    assert all_equal_probability(1_000, 0.0, 0.5) == 1
    assert suspicion_of_run(0, 1_000, 0.0).reason is Reason.LIKELY_ENOUGH


def test_dispersion_makes_zeros_likelier() -> None:
    assert all_zero_probability(3, 5.0, 0.5) > all_zero_probability(3, 5.0)
    assert all_zero_probability(3, 5.0, 1e-9) == pytest.approx(all_zero_probability(3, 5.0), rel=1e-6)
    assert all_zero_probability(3, 5.0, 1e-300) == all_zero_probability(3, 5.0)


@pytest.mark.parametrize(("value", "mean", "alpha"), [(0, 10.0, 0.0), (0, 0.3, 0.5), (7, 50.0, 0.0), (7, 3.0, 0.2)])
def test_samples_until_suspicious_is_the_first(value: int, mean: float, alpha: float) -> None:
    first = samples_until_suspicious(value, mean, alpha)
    assert first is not None
    assert suspicion_of_run(value, first, mean, alpha).reason.suspicious
    assert first == 1 or not suspicion_of_run(value, first - 1, mean, alpha).reason.suspicious


def test_zeros_of_very_clean_air_are_never_suspicious() -> None:
    assert samples_until_suspicious(0, 1e-5) is None


@pytest.mark.parametrize(
    ("samples", "mean", "alpha", "named"),
    [
        (0, 1.0, 0.0, "samples = 0"),
        (1, -1.0, 0.0, "mean = -1"),
        (1, math.nan, 0.0, "mean = nan"),
        (1, 1e8, 0.0, "mean = 100000000"),
        (1, 1.0, -0.1, "alpha = -0.1"),
    ],
)
def test_bad_input_is_named(samples: int, mean: float, alpha: float, named: str) -> None:
    for probability in (all_zero_probability, all_equal_probability):
        with pytest.raises(BadInputError, match=named):
            probability(samples, mean, alpha)


def test_bad_runs_are_named() -> None:
    with pytest.raises(BadInputError, match="value = -1"):
        suspicion_of_run(-1, 1, 1.0)
    with pytest.raises(BadInputError, match="threshold = 1"):
        suspicion_of_run(1, 1, 1.0, threshold=1.0)
    with pytest.raises(BadInputError, match="counts = -2"):
        runs([1, -2])
    with pytest.raises(BadInputError, match="whole numbers"):
        runs([1.0, math.nan])


def test_runs_of_a_series() -> None:
    found = runs([3, 3, 0, 0, 0, 5])
    assert found.start.tolist() == [0, 2, 5]
    assert found.length.tolist() == [2, 3, 1]
    assert found.value.tolist() == [3, 0, 5]
    assert runs([]).start.size == 0


@pytest.mark.parametrize(("mean", "alpha"), [(0.5, 0.0), (6.0, 0.0), (6.0, 0.4), (80.0, 0.0)])
def test_suspicious_runs_equal_the_scalar_judgement(mean: float, alpha: float) -> None:
    draw = np.random.default_rng(13)
    counts = np.concatenate([np.repeat(draw.poisson(mean), draw.integers(1, 60)) for _ in range(200)])
    found = suspicious_runs(counts, mean, alpha)
    expected = []
    position = 0
    for value, group in itertools.groupby(counts.tolist()):
        length = len(list(group))
        if suspicion_of_run(value, length, mean, alpha).reason.suspicious:
            expected.append((position, length, value))
        position += length
    assert expected
    assert list(zip(*(part.tolist() for part in found), strict=True)) == expected
