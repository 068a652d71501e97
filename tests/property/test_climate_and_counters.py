"""What must hold of humidity, coincidence and repeats whatever the air: order, bounds, and the way back."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from motewatch.measure.coincidence import Loss, optics_from_maximum, shown_per_m3, true_per_m3
from motewatch.measure.humidity import Formula, dew_point_c, mixing_ratio_g_kg, relative_humidity_pct
from motewatch.measure.suspicion import all_equal_probability, all_zero_probability

TEMPERATURES = st.floats(15, 55)
HUMIDITIES = st.floats(45, 100)
FORMULAS = st.sampled_from(Formula)


@given(TEMPERATURES, HUMIDITIES, FORMULAS)
@example(54.0172603694031, 100.0, Formula.WMO)
def test_dew_point_and_humidity_are_each_others_way_back(t_c: float, humidity_pct: float, formula: Formula) -> None:
    point_c = dew_point_c(t_c, humidity_pct, formula)
    assert point_c <= t_c
    assert relative_humidity_pct(t_c, point_c, formula=formula) == pytest.approx(humidity_pct, rel=1e-9)


@given(TEMPERATURES, HUMIDITIES, HUMIDITIES, FORMULAS)
def test_more_humidity_is_a_higher_dew_point_and_more_water(
    t_c: float, one: float, other: float, formula: Formula
) -> None:
    drier, damper = sorted((one, other))
    assert dew_point_c(t_c, drier, formula) <= dew_point_c(t_c, damper, formula)
    assert mixing_ratio_g_kg(t_c, drier, formula=formula) <= mixing_ratio_g_kg(t_c, damper, formula=formula)


@given(st.floats(1e4, 1e9), st.floats(0.1, 100), st.floats(0, 1), st.sampled_from(Loss))
def test_coincidence_hides_and_the_inverse_finds(most: float, flow: float, share: float, model: Loss) -> None:
    optics = optics_from_maximum(most, flow, model)
    true = share * most
    shown = shown_per_m3(true, optics)
    assert true * 0.9 * (1 - 1e-9) <= shown <= true
    assert true_per_m3(shown, optics) == pytest.approx(true, rel=1e-9)


@given(st.integers(1, 40), st.floats(0, 300), st.floats(0, 3))
def test_zeros_are_one_way_of_being_equal(samples: int, mean: float, alpha: float) -> None:
    zeros = all_zero_probability(samples, mean, alpha)
    equal = all_equal_probability(samples, mean, alpha)
    assert 0 <= zeros <= equal * (1 + 1e-9) <= 1 + 1e-9
    assert all_equal_probability(samples + 1, mean, alpha) <= equal * (1 + 1e-9)
