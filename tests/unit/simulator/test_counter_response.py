"""The optics of a counter: efficiency at the threshold, what each channel gets, coincidence, false counts, ageing."""

from __future__ import annotations

import numpy as np
import pytest

from motewatch.measure.coincidence import Loss, Optics
from motewatch_simulator.response import (
    aged_shift,
    coincide,
    efficiency,
    false_counts,
    fine_grid,
    noise_per_min,
    registration,
)
from motewatch_simulator.spectra import Array, power_law

CHANNELS = (0.3, 0.5, 1.0, 5.0)
GRID = fine_grid(CHANNELS)
AIR = power_law(10_176, 0.3, 2.08).bins(GRID)


def counted(width: float = 0.15, shift: float = 1.0) -> Array:
    """Expected per m3 at or above each channel, in air of slope 2.08."""
    shares = registration(GRID, CHANNELS, width=width, shift=shift)
    return np.cumsum((shares @ AIR)[::-1])[::-1]


def test_half_is_counted_at_the_threshold_and_nearly_all_half_as_high_again() -> None:
    assert efficiency(0.5, 0.5, 0.15) == 0.5
    assert efficiency(0.75, 0.5, 0.15) == pytest.approx(0.9966, abs=1e-4)
    assert efficiency(0.25, 0.5, 0.15) < 1e-5


def test_the_fine_grid_holds_the_channels_and_rises_in_small_steps() -> None:
    assert set(CHANNELS) <= set(GRID)
    ratios = np.diff(np.log(GRID))
    assert ratios.min() > 0
    assert ratios.max() <= 0.18 + 1e-12
    assert GRID[0] < 0.3 * np.exp(-3 * 0.15)


def test_a_sharp_counter_counts_what_is_there() -> None:
    assert counted(width=1e-4) == pytest.approx(power_law(10_176, 0.3, 2.08).cumulative(CHANNELS), rel=2e-3)


def test_a_real_efficiency_lets_in_more_from_below_than_it_loses() -> None:
    """In air of slope n a normal efficiency in log size counts exp(n^2 s^2 / 2) times as many."""
    expected = np.exp((2.08 * 0.15) ** 2 / 2) * power_law(10_176, 0.3, 2.08).cumulative(CHANNELS)
    assert counted()[1:3] == pytest.approx(expected[1:3], rel=2e-3)


def test_a_threshold_five_percent_high_costs_ten_percent_of_the_counts() -> None:
    assert counted(shift=1.05)[1] / counted()[1] == pytest.approx(1.05**-2.08, rel=2e-3)


def test_an_aged_laser_shifts_and_loses_as_computed_before() -> None:
    assert aged_shift(0.8, 4.0) == pytest.approx(1.057, abs=5e-4)
    assert counted(shift=aged_shift(0.8, 4.0))[1] / counted()[1] == pytest.approx(0.89, abs=0.005)
    assert aged_shift(1.0, 4.0) == 1.0


def test_what_the_tube_holds_back_is_not_counted() -> None:
    whole = registration(GRID, CHANNELS, width=0.15)
    half = registration(GRID, CHANNELS, width=0.15, passes=lambda _: 0.5)
    assert half == pytest.approx(whole / 2)


@pytest.mark.parametrize("model", list(Loss))
def test_coincidence_leaves_what_the_model_says_and_moves_some_up(model: Loss) -> None:
    optics = Optics(28.3, 6.328e-6, model)
    # 35.3 /cm3 over one second, most of it small.
    true = 35.3e6 * 28.3 / 60_000
    shares = np.array([0.9, 0.09, 0.009, 0.001])
    seen = coincide(shares * true, 1.0, optics)
    load = 35.3e6 * 28.3 / 60_000 * 6.328e-6
    kept = np.exp(-load) if model is Loss.PARALYZABLE else 1 / (1 + load)
    assert seen.sum() == pytest.approx(true * kept, rel=1e-9)
    assert seen[1] > shares[1] * true * kept
    assert seen[0] < shares[0] * true * kept


def test_nothing_coincides_where_nothing_is() -> None:
    optics = Optics(28.3, 6e-6)
    assert coincide(np.zeros(4), 1.0, optics).tolist() == [0, 0, 0, 0]
    few = np.array([3.0, 1.0, 0.0, 0.0])
    assert coincide(few, 60.0, optics) == pytest.approx(few, rel=1e-6)


def test_false_counts_fall_with_the_third_power_of_the_threshold() -> None:
    bins = false_counts((0.5, 1.0, 5.0), per_min=0.2, seconds=300.0)
    above = np.cumsum(bins[::-1])[::-1]
    assert above == pytest.approx([1.0, 1 / 8, 1 / 1000])
    assert noise_per_min(0.5, 100.0) == pytest.approx(21.6)
