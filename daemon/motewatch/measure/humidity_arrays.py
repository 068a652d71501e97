"""The functions of `humidity` for whole series: the same formulas, ranges, units and refusals, in numpy.

One value out of range, or NaN, refuses the whole series and names the first of them: a hole in the middle of a result
is found too late. Take missing samples out first. Tested to be equal to the scalar functions.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from motewatch.measure.humidity import (
    CURVES,
    GAS_CONSTANT_VAPOUR,
    KELVIN,
    LOG_100,
    MAGNUS_LOG,
    MOLAR_RATIO,
    NEWTON_STEPS,
    PRESSURE_RANGE_HPA,
    Formula,
    HylandWexler,
    Magnus,
    OutOfRangeError,
    Over,
    SupersaturatedError,
    enhancement_factor,
)

Floats = NDArray[np.float64]


def saturation_pressures_hpa(
    temperatures_c: ArrayLike,
    over: Over = Over.WATER,
    formula: Formula = Formula.WMO,
    pressure_hpa: float | None = None,
) -> Floats:
    """See `humidity.saturation_pressure_hpa`."""
    curve = CURVES[formula, over]
    t_c = _within("temperature", temperatures_c, curve.low_c, curve.high_c, "C", f"{formula} over {over}")
    return np.asarray(np.exp(_log_hpa(curve, t_c)) * _factor(pressure_hpa))


def vapour_pressures_hpa(
    temperatures_c: ArrayLike,
    humidities_pct: ArrayLike,
    formula: Formula = Formula.WMO,
    pressure_hpa: float | None = None,
) -> Floats:
    """See `humidity.vapour_pressure_hpa`."""
    humidity = _within("relative humidity", humidities_pct, 0.0, 100.0, "%")
    return humidity / 100 * saturation_pressures_hpa(temperatures_c, Over.WATER, formula, pressure_hpa)


def saturation_temperatures_c(
    vapours_hpa: ArrayLike,
    over: Over = Over.WATER,
    formula: Formula = Formula.WMO,
    pressure_hpa: float | None = None,
) -> Floats:
    """See `humidity.saturation_temperature_c`."""
    curve = CURVES[formula, over]
    factor = _factor(pressure_hpa)
    low, high = np.exp(_log_hpa(curve, np.array([curve.low_c, curve.high_c]))) * factor
    where = f"{formula} over {over}"
    vapour = _within("vapour pressure", vapours_hpa, low * (1 - 1e-12), high * (1 + 1e-12), "hPa", where)
    wanted = np.log(vapour / factor)
    if isinstance(curve, Magnus):
        ratio = wanted - MAGNUS_LOG
        return np.asarray(curve.b * ratio / (curve.a - ratio))
    point = np.zeros_like(wanted)
    for _ in range(NEWTON_STEPS):
        move = (_log_hpa(curve, point) - wanted) / _slope(curve, point)
        point -= move
        if not (np.abs(move) >= 1e-12).any():
            break
    return np.clip(point, curve.low_c, curve.high_c)


def dew_points_c(
    temperatures_c: ArrayLike,
    humidities_pct: ArrayLike,
    formula: Formula = Formula.WMO,
    pressure_hpa: float | None = None,
) -> Floats:
    """See `humidity.dew_point_c`."""
    vapour = vapour_pressures_hpa(temperatures_c, humidities_pct, formula, pressure_hpa)
    return saturation_temperatures_c(vapour, Over.WATER, formula, pressure_hpa)


def frost_points_c(
    temperatures_c: ArrayLike,
    humidities_pct: ArrayLike,
    formula: Formula = Formula.WMO,
    pressure_hpa: float | None = None,
) -> Floats:
    """See `humidity.frost_point_c`."""
    vapour = vapour_pressures_hpa(temperatures_c, humidities_pct, formula, pressure_hpa)
    return saturation_temperatures_c(vapour, Over.ICE, formula, pressure_hpa)


def relative_humidities_pct(
    temperatures_c: ArrayLike,
    points_c: ArrayLike,
    over: Over = Over.WATER,
    formula: Formula = Formula.WMO,
) -> Floats:
    """See `humidity.relative_humidity_pct`."""
    saturation = saturation_pressures_hpa(temperatures_c, Over.WATER, formula)
    vapour = saturation_pressures_hpa(points_c, over, formula)
    t_c, point_c, saturation, vapour = np.broadcast_arrays(
        np.asarray(temperatures_c, float), np.asarray(points_c, float), saturation, vapour
    )
    wrong = (point_c > t_c) | (vapour > saturation)
    if wrong.any():
        first = int(np.flatnonzero(wrong)[0])
        raise SupersaturatedError(float(point_c.flat[first]), float(t_c.flat[first]))
    return np.asarray(100 * vapour / saturation)


def absolute_humidities_g_m3(
    temperatures_c: ArrayLike,
    humidities_pct: ArrayLike,
    formula: Formula = Formula.WMO,
    pressure_hpa: float | None = None,
) -> Floats:
    """See `humidity.absolute_humidity_g_m3`."""
    vapour = vapour_pressures_hpa(temperatures_c, humidities_pct, formula, pressure_hpa)
    return 100_000 * vapour / (GAS_CONSTANT_VAPOUR * (np.asarray(temperatures_c, float) + KELVIN))


def mixing_ratios_g_kg(
    temperatures_c: ArrayLike,
    humidities_pct: ArrayLike,
    pressure_hpa: float = 1013.25,
    formula: Formula = Formula.WMO,
    enhanced: bool = False,
) -> Floats:
    """See `humidity.mixing_ratio_g_kg`. One air pressure for the whole series."""
    _within("air pressure", pressure_hpa, *PRESSURE_RANGE_HPA, "hPa")
    vapour = vapour_pressures_hpa(temperatures_c, humidities_pct, formula, pressure_hpa if enhanced else None)
    below = float(np.nextafter(pressure_hpa, 0.0))
    _within("vapour pressure", vapour, 0.0, below, "hPa", "the pressure of the air")
    return 1000 * MOLAR_RATIO[formula] * vapour / (pressure_hpa - vapour)


def _log_hpa(curve: Magnus | HylandWexler, t_c: Floats) -> Floats:
    if isinstance(curve, Magnus):
        return MAGNUS_LOG + curve.a * t_c / (curve.b + t_c)
    c, t = curve.c, t_c + KELVIN
    return c[0] / t + c[1] + t * (c[2] + t * (c[3] + t * (c[4] + t * c[5]))) + c[6] * np.log(t) - LOG_100


def _slope(curve: HylandWexler, t_c: Floats) -> Floats:
    c, t = curve.c, t_c + KELVIN
    return -c[0] / (t * t) + c[2] + t * (2 * c[3] + t * (3 * c[4] + t * 4 * c[5])) + c[6] / t


def _factor(pressure_hpa: float | None) -> float:
    return 1.0 if pressure_hpa is None else enhancement_factor(pressure_hpa)


def _within(name: str, values: ArrayLike, low: float, high: float, unit: str, where: str = "") -> Floats:
    found = np.asarray(values, dtype=np.float64)
    # Written so that NaN is refused.
    inside = (found >= low) & (found <= high)
    if not inside.all():
        first = int(np.flatnonzero(~inside)[0])
        place = f"{where}, element {first}" if where else f"element {first}"
        raise OutOfRangeError(name, float(found.flat[first]), low, high, unit, place)
    return found
