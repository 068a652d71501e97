"""Counts are Poisson, bin by bin, and cumulative channels hang together."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from motewatch_simulator.counting import Channels, cumulative
from support.simulated import a_scenario, a_simulation, measured


def test_a_counter_adds_up_the_finer_bins_of_the_room() -> None:
    channels = Channels((0.3, 0.5, 1.0, 5.0), (0.5, 5.0))
    assert channels.expected(np.array([100.0, 20.0, 3.0, 1.0])) == pytest.approx([23.0, 1.0])


def test_cumulative_counts_are_sums_from_above() -> None:
    assert cumulative((5, 3, 0, 2)) == (10, 5, 2, 2)


def test_counts_follow_the_poisson_law() -> None:
    channels = Channels((0.5, 5.0), (0.5, 5.0))
    rng = np.random.default_rng(20260601)
    draws = np.array([channels.draw(np.array([6.0, 1.5]), rng) for _ in range(4_000)])
    for column, mean in ((0, 6.0), (1, 1.5)):
        top = int(mean * 2 + 4)
        observed = np.bincount(np.minimum(draws[:, column], top), minlength=top + 1)
        expected = stats.poisson.pmf(np.arange(top), mean)
        expected = np.append(expected, 1.0 - expected.sum()) * len(draws)
        assert stats.chisquare(observed, expected).pvalue > 0.01
    assert abs(np.corrcoef(draws.T)[0, 1]) < 0.05, "bins are independent"


def test_a_steady_room_gives_poisson_counts_at_its_concentration() -> None:
    scenario = a_scenario(connections=[], people=[{"room": "clean", "count": 2, "activity": 0.3}])
    counts = np.array([m.values for m in measured(a_simulation(scenario), 2_000)])
    # 0.6 x 17,000 /s in 1.125 m3/s: 9,067 /m3 (the demo room of grade B in operation), 0.4717 L per reading.
    mean = 9_067 * 0.4717e-3
    assert counts[:, 0].mean() == pytest.approx(mean, rel=0.03)
    assert counts[:, 0].var() / counts[:, 0].mean() == pytest.approx(1.0, abs=0.1)
    assert counts[:, 1].mean() == pytest.approx(332 * 0.4717e-3, rel=0.2)
    assert (counts[:, 0] >= counts[:, 1]).all()
