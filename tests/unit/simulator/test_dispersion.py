"""Factors are 1 in the mean; Poisson counts behind a gamma factor are negative binomial, channel by channel."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from motewatch_simulator.dispersion import GammaFactor, LogOuFactor
from motewatch_simulator.moments import wandering_intensity


def test_counts_behind_a_gamma_factor_are_negative_binomial() -> None:
    rng = np.random.default_rng(6)
    factor, alpha, mean = GammaFactor(0.3, np.random.default_rng(5)), 0.3, 8.0
    draws = np.array([rng.poisson(mean * factor.next(60.0)) for _ in range(6_000)])
    top = 40
    observed = np.bincount(np.minimum(draws, top), minlength=top + 1)
    expected = stats.nbinom.pmf(np.arange(top), 1 / alpha, 1 / (1 + alpha * mean))
    expected = np.append(expected, 1.0 - expected.sum()) * len(draws)
    assert stats.chisquare(observed, expected).pvalue > 0.01
    assert draws.var() == pytest.approx(mean + alpha * mean**2, rel=0.08)
    poisson = stats.poisson.pmf(np.arange(25), mean)
    poisson = np.append(poisson, 1 - poisson.sum()) * len(draws)
    assert stats.chisquare(np.bincount(np.minimum(draws, 25), minlength=26), poisson).pvalue < 1e-9, "and not Poisson"


def test_surplus_zeros_keep_the_mean() -> None:
    rng = np.random.default_rng(9)
    factor = GammaFactor(0.2, np.random.default_rng(10), zero_share=0.3)
    draws = np.array([rng.poisson(8.0 * factor.next(60.0)) for _ in range(20_000)])
    assert draws.mean() == pytest.approx(8.0, rel=0.03)
    alone = stats.nbinom.pmf(0, 5, 1 / (1 + 0.2 * 8.0 / 0.7))
    assert (draws == 0).mean() == pytest.approx(0.3 + 0.7 * alone, abs=0.01)
    # E f^2 is (1 + alpha) / (1 - share).
    assert draws.var() == pytest.approx(8.0 + 64.0 * (1.2 / 0.7 - 1), rel=0.06)


def test_a_wandering_intensity_has_the_moments_of_its_closed_form() -> None:
    rng = np.random.default_rng(8)
    factor = LogOuFactor(0.6, 1_800.0, np.random.default_rng(7))
    draws = np.array([rng.poisson(8.0 * factor.next(60.0)) for _ in range(150_000)])
    form = wandering_intensity(mean=8.0, sd=0.6, correlation=np.exp(-60 / 1_800))
    assert draws.mean() == pytest.approx(8.0, rel=0.05)
    assert draws.var() / draws.mean() == pytest.approx(form.fano, rel=0.1)
    assert np.corrcoef(draws[1:], draws[:-1])[0, 1] == pytest.approx(form.correlations[0], rel=0.03)


def test_a_long_pause_forgets() -> None:
    factor = LogOuFactor(0.6, 60.0, np.random.default_rng(3))
    logs = np.log([factor.next(6_000.0) for _ in range(4_000)])
    assert abs(np.corrcoef(logs[1:], logs[:-1])[0, 1]) < 0.05
    assert logs.std() == pytest.approx(0.6, rel=0.05)
