"""Humidity: what is refused, and the series against the scalars."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from motewatch.measure import humidity, humidity_arrays
from motewatch.measure.humidity import Formula, OutOfRangeError, Over, SupersaturatedError

NAN = float("nan")
FORMULAS = list(Formula)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: humidity.saturation_pressure_hpa(-45.1), "temperature -45.1 C"),
        (lambda: humidity.saturation_pressure_hpa(60.1), "temperature 60.1 C"),
        (lambda: humidity.saturation_pressure_hpa(NAN), "temperature nan C"),
        (lambda: humidity.saturation_pressure_hpa(0.1, Over.ICE), "temperature 0.1 C"),
        (lambda: humidity.saturation_pressure_hpa(-1, Over.WATER, Formula.HYLAND_WEXLER), "temperature -1 C"),
        (lambda: humidity.vapour_pressure_hpa(20, 100.5), "relative humidity 100.5 %"),
        (lambda: humidity.vapour_pressure_hpa(20, -1), "relative humidity -1 %"),
        (lambda: humidity.vapour_pressure_hpa(20, NAN), "relative humidity nan %"),
        (lambda: humidity.dew_point_c(20, 0), "vapour pressure 0 hPa"),
        (lambda: humidity.dew_point_c(5, 60, Formula.HYLAND_WEXLER), "vapour pressure"),
        (lambda: humidity.frost_point_c(20, 60), "vapour pressure"),
        (lambda: humidity.mixing_ratio_g_kg(20, 50, 101_325), "air pressure 101325 hPa"),
        (lambda: humidity.mixing_ratio_g_kg(150, 100, formula=Formula.HYLAND_WEXLER), "vapour pressure"),
        (lambda: humidity.enhancement_factor(0), "air pressure 0 hPa"),
        (lambda: humidity_arrays.saturation_pressures_hpa([20, 61.5]), "temperature 61.5 C .*element 1"),
        (lambda: humidity_arrays.dew_points_c([20, 21], [50, NAN]), "relative humidity nan % .*element 1"),
        (lambda: humidity_arrays.mixing_ratios_g_kg([20], [50], 1), "air pressure 1 hPa"),
    ],
)
def test_out_of_range_is_refused_by_value(call: Callable[[], object], named: str) -> None:
    with pytest.raises(OutOfRangeError, match=named):
        call()


def test_a_dew_point_above_the_temperature_is_refused() -> None:
    with pytest.raises(SupersaturatedError, match="dew or frost point 21 C lies above the air temperature 20 C"):
        humidity.relative_humidity_pct(20, 21)
    with pytest.raises(SupersaturatedError, match="21 C"):
        humidity_arrays.relative_humidities_pct([20, 20], [19, 21])


def test_saturated_air_is_at_its_dew_point() -> None:
    for formula in Formula:
        assert humidity.dew_point_c(20, 100, formula) == pytest.approx(20, abs=1e-9)
        assert humidity.relative_humidity_pct(20, 20, formula=formula) == pytest.approx(100)


def test_ends_of_the_range_belong_to_it() -> None:
    for (formula, over), curve in humidity.CURVES.items():
        for end in (curve.low_c, curve.high_c):
            vapour = humidity.saturation_pressure_hpa(end, over, formula)
            assert humidity.saturation_temperature_c(vapour, over, formula) == pytest.approx(end, abs=1e-9)


@pytest.mark.parametrize("formula", FORMULAS)
@pytest.mark.parametrize("pressure_hpa", [None, 950.0])
def test_series_equal_scalars(formula: Formula, pressure_hpa: float | None) -> None:
    draw = np.random.default_rng(5)
    t_c = draw.uniform(12, 55, 300)
    pct = draw.uniform(50, 100, 300)
    pairs: list[tuple[Callable[..., Any], Callable[..., Any]]] = [
        (humidity.vapour_pressure_hpa, humidity_arrays.vapour_pressures_hpa),
        (humidity.dew_point_c, humidity_arrays.dew_points_c),
        (humidity.absolute_humidity_g_m3, humidity_arrays.absolute_humidities_g_m3),
    ]
    for scalar, series in pairs:
        expected = [scalar(a, b, formula, pressure_hpa) for a, b in zip(t_c.tolist(), pct.tolist(), strict=True)]
        np.testing.assert_allclose(series(t_c, pct, formula, pressure_hpa), expected, rtol=1e-12, err_msg=str(scalar))
    enhanced = pressure_hpa is not None
    expected = [
        humidity.mixing_ratio_g_kg(a, b, pressure_hpa or 1000.0, formula, enhanced)
        for a, b in zip(t_c.tolist(), pct.tolist(), strict=True)
    ]
    series_ratio = humidity_arrays.mixing_ratios_g_kg(t_c, pct, pressure_hpa or 1000.0, formula, enhanced)
    np.testing.assert_allclose(series_ratio, expected, rtol=1e-12)


@pytest.mark.parametrize("formula", FORMULAS)
@pytest.mark.parametrize("over", list(Over))
def test_saturation_series_equal_scalars(formula: Formula, over: Over) -> None:
    curve = humidity.CURVES[formula, over]
    t_c = np.linspace(curve.low_c, curve.high_c, 401)
    expected = [humidity.saturation_pressure_hpa(t, over, formula) for t in t_c.tolist()]
    found = humidity_arrays.saturation_pressures_hpa(t_c, over, formula)
    np.testing.assert_allclose(found, expected, rtol=1e-13)
    np.testing.assert_allclose(humidity_arrays.saturation_temperatures_c(found, over, formula), t_c, atol=1e-9)


def test_frost_points_and_humidities_of_series_equal_scalars() -> None:
    t_c, pct = np.array([-20.0, -5.0, 3.0, 5.0]), np.array([40.0, 80.0, 50.0, 60.0])
    for formula in (Formula.WMO,):
        expected = [humidity.frost_point_c(a, b, formula) for a, b in zip(t_c.tolist(), pct.tolist(), strict=True)]
        points = humidity_arrays.frost_points_c(t_c, pct, formula)
        np.testing.assert_allclose(points, expected, rtol=1e-12)
        np.testing.assert_allclose(humidity_arrays.relative_humidities_pct(t_c, points, Over.ICE, formula), pct)
        for a, b, c in zip(t_c.tolist(), points.tolist(), pct.tolist(), strict=True):
            assert humidity.relative_humidity_pct(a, b, Over.ICE, formula) == pytest.approx(c)
