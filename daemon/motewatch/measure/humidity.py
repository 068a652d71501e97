"""Humidity from temperature and relative humidity: dew point, frost point, absolute humidity, mixing ratio.

Two formulas for the saturation pressure of water vapour, by name, because results are quoted with theirs:

- `Formula.WMO`: WMO-No. 8, Annex 4.B. Over water from -45 to 60 degrees Celsius (constants found in a manual that
  quotes it), over ice from -65 to 0 (from memory). Up to 0.31 % below IAPWS-95 between 0 and 40 degrees (recomputed).
- `Formula.HYLAND_WEXLER`: Hyland and Wexler (1983) as printed in ASHRAE Handbook, Fundamentals 2017, chapter 1,
  equations 5 and 6. Over water from 0 to 200 degrees, over ice from -100 to 0. Within 0.02 % of IAPWS-95 between 0 and
  40 degrees (recomputed) and within 0.03 % of the ASHRAE table.

Outside its range a formula refuses: nothing is extrapolated. Relative humidity is over water at every temperature
(WMO's convention). Below 0 degrees the dew point (over water) and the frost point (over ice) are different points.

Units are in the names: degrees Celsius, hectopascal, percent, grams. Scalars, `math` only; whole series go through
`humidity_arrays`, which is tested to be equal. Must not know sensors, rooms or limits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from motewatch.measure.errors import MeasureError

KELVIN: Final = 273.15
"""Kelvin at 0 degrees Celsius."""

GAS_CONSTANT_VAPOUR: Final = 461.5
"""J/(kg K), specific gas constant of water vapour (from memory, not confirmed)."""

PRESSURE_RANGE_HPA: Final = (500.0, 1100.0)
"""Air pressures accepted, from about 5 500 m to the highest at sea level (our choice)."""


class Formula(StrEnum):
    """A formula for the saturation pressure."""

    WMO = "WMO-No. 8, Annex 4.B"
    HYLAND_WEXLER = "Hyland-Wexler (ASHRAE)"


class Over(StrEnum):
    """What the vapour is in balance with."""

    WATER = "water"
    ICE = "ice"


class HumidityError(MeasureError):
    """Base: a humidity that cannot be computed.

    HumidityError
     +- OutOfRangeError
     +- SupersaturatedError
    """


class OutOfRangeError(HumidityError):
    """A value outside the stated range of a formula, or no number at all."""

    def __init__(self, name: str, value: float, low: float, high: float, unit: str, where: str = "") -> None:
        self.name, self.value, self.low, self.high, self.unit = name, value, low, high, unit
        place = f" ({where})" if where else ""
        super().__init__(f"{name} {value:g} {unit}{place} is out of range: it must be from {low:g} to {high:g} {unit}")


class SupersaturatedError(HumidityError):
    """A dew or frost point above the air's own temperature."""

    def __init__(self, point_c: float, temperature_c: float) -> None:
        self.point_c, self.temperature_c = point_c, temperature_c
        super().__init__(
            f"dew or frost point {point_c:g} C lies above the air temperature {temperature_c:g} C: "
            "the air would hold more than it can; check which value is which"
        )


@dataclass(frozen=True, slots=True)
class Magnus:
    """e = 6.112 hPa exp(a t / (b + t))."""

    a: float
    b: float
    low_c: float
    high_c: float

    def log_hpa(self, t_c: float) -> float:
        """Natural logarithm of the saturation pressure in hPa."""
        return MAGNUS_LOG + self.a * t_c / (self.b + t_c)


@dataclass(frozen=True, slots=True)
class HylandWexler:
    """ln(e / Pa) = c0/T + c1 + c2 T + c3 T^2 + c4 T^3 + c5 T^4 + c6 ln T, T in kelvin."""

    c: tuple[float, float, float, float, float, float, float]
    low_c: float
    high_c: float

    def log_hpa(self, t_c: float) -> float:
        """Natural logarithm of the saturation pressure in hPa."""
        c, t = self.c, t_c + KELVIN
        return c[0] / t + c[1] + t * (c[2] + t * (c[3] + t * (c[4] + t * c[5]))) + c[6] * math.log(t) - LOG_100

    def slope(self, t_c: float) -> float:
        """d ln(e) / dt, per kelvin."""
        c, t = self.c, t_c + KELVIN
        return -c[0] / (t * t) + c[2] + t * (2 * c[3] + t * (3 * c[4] + t * 4 * c[5])) + c[6] / t


LOG_100: Final = math.log(100.0)
MAGNUS_LOG: Final = math.log(6.112)

CURVES: Final[dict[tuple[Formula, Over], Magnus | HylandWexler]] = {
    (Formula.WMO, Over.WATER): Magnus(17.62, 243.12, -45.0, 60.0),
    (Formula.WMO, Over.ICE): Magnus(22.46, 272.62, -65.0, 0.0),
    (Formula.HYLAND_WEXLER, Over.WATER): HylandWexler(
        (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 0.0, 6.5459673), 0.0, 200.0
    ),
    (Formula.HYLAND_WEXLER, Over.ICE): HylandWexler(
        (-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019), -100.0, 0.0
    ),
}

MOLAR_RATIO: Final = {Formula.WMO: 0.62198, Formula.HYLAND_WEXLER: 0.621945}
"""Molar mass of water over that of dry air, by the custom of each source (0.62198 from memory; 0.621945 ASHRAE)."""

NEWTON_STEPS: Final = 60
_SETTLED: Final = 1e-12


def enhancement_factor(pressure_hpa: float) -> float:
    """WMO's factor f(p) by which moist air holds more vapour than a vacuum: 1.0016 + 3.15e-6 p - 0.074 / p.

    p in hPa from 500 to 1100; f(1013.25) = 1.00472. From memory, use of f seen in a secondary source.
    Raises `OutOfRangeError`.
    """
    _within("air pressure", pressure_hpa, *PRESSURE_RANGE_HPA, "hPa")
    return 1.0016 + 3.15e-6 * pressure_hpa - 0.074 / pressure_hpa


def saturation_pressure_hpa(
    temperature_c: float,
    over: Over = Over.WATER,
    formula: Formula = Formula.WMO,
    pressure_hpa: float | None = None,
) -> float:
    """Saturation pressure of water vapour in hPa at a temperature within the formula's range.

    Without `pressure_hpa` that of pure vapour; with it, that in moist air of this pressure: times WMO's f(p), with
    either formula. Sources and errors: see the module. Raises `OutOfRangeError`.
    """
    curve = CURVES[formula, over]
    _within("temperature", temperature_c, curve.low_c, curve.high_c, "C", f"{formula} over {over}")
    return math.exp(curve.log_hpa(temperature_c)) * _factor(pressure_hpa)


def vapour_pressure_hpa(
    temperature_c: float, humidity_pct: float, formula: Formula = Formula.WMO, pressure_hpa: float | None = None
) -> float:
    """Pressure of the vapour in the air in hPa: humidity (0 to 100 %, over water) of the saturation pressure.

    Raises `OutOfRangeError`.
    """
    _within("relative humidity", humidity_pct, 0.0, 100.0, "%")
    return humidity_pct / 100 * saturation_pressure_hpa(temperature_c, Over.WATER, formula, pressure_hpa)


def saturation_temperature_c(
    vapour_hpa: float,
    over: Over = Over.WATER,
    formula: Formula = Formula.WMO,
    pressure_hpa: float | None = None,
) -> float:
    """The temperature at which this vapour pressure is the saturation pressure: dew point over water, frost over ice.

    The exact inverse of `saturation_pressure_hpa` (WMO closed, Hyland-Wexler by Newton to 1e-12 K).
    Raises `OutOfRangeError` where the point lies outside the formula's range.
    """
    curve = CURVES[formula, over]
    factor = _factor(pressure_hpa)
    low, high = (math.exp(curve.log_hpa(t_c)) * factor for t_c in (curve.low_c, curve.high_c))
    # The ends themselves belong to the range, whatever the last digit of an exponential says.
    if not low * (1 - 1e-12) <= vapour_hpa <= high * (1 + 1e-12):
        raise OutOfRangeError("vapour pressure", vapour_hpa, low, high, "hPa", f"{formula} over {over}")
    wanted = math.log(vapour_hpa / factor)
    if isinstance(curve, Magnus):
        ratio = wanted - MAGNUS_LOG
        return curve.b * ratio / (curve.a - ratio)
    point = 0.0
    for _ in range(NEWTON_STEPS):
        move = (curve.log_hpa(point) - wanted) / curve.slope(point)
        point -= move
        if abs(move) < _SETTLED:
            break
    return min(max(point, curve.low_c), curve.high_c)


def dew_point_c(
    temperature_c: float, humidity_pct: float, formula: Formula = Formula.WMO, pressure_hpa: float | None = None
) -> float:
    """Dew point (over water) in degrees Celsius; humidity above 0 and up to 100 %.

    Error: about 0.03 K of formula below the humidity's own (WMO against Hyland-Wexler above 0 degrees, recomputed).
    Raises `OutOfRangeError`; Hyland-Wexler refuses dew points below 0: ask for the frost point there.
    """
    vapour = vapour_pressure_hpa(temperature_c, humidity_pct, formula, pressure_hpa)
    # At 100 % the last digit may lie above the temperature, and the way back would call that supersaturated.
    return min(saturation_temperature_c(vapour, Over.WATER, formula, pressure_hpa), temperature_c)


def frost_point_c(
    temperature_c: float, humidity_pct: float, formula: Formula = Formula.WMO, pressure_hpa: float | None = None
) -> float:
    """Frost point (over ice) in degrees Celsius, from a humidity over water; only where it lies at or below 0.

    Raises `OutOfRangeError` where it would lie above 0 (there is no ice then) or below the formula's range.
    """
    vapour = vapour_pressure_hpa(temperature_c, humidity_pct, formula, pressure_hpa)
    return saturation_temperature_c(vapour, Over.ICE, formula, pressure_hpa)


def relative_humidity_pct(
    temperature_c: float, point_c: float, over: Over = Over.WATER, formula: Formula = Formula.WMO
) -> float:
    """Relative humidity (over water) in percent from the air's temperature and its dew point (`over` ice: frost point).

    Raises `SupersaturatedError` for a point above the temperature, `OutOfRangeError`.
    """
    saturation = saturation_pressure_hpa(temperature_c, Over.WATER, formula)
    vapour = saturation_pressure_hpa(point_c, over, formula)
    # Two temperatures a last digit apart may come out of the exponential in the wrong order.
    if point_c > temperature_c or vapour > saturation * (1 + 1e-12):
        raise SupersaturatedError(point_c, temperature_c)
    return 100 * min(1.0, vapour / saturation)


def absolute_humidity_g_m3(
    temperature_c: float, humidity_pct: float, formula: Formula = Formula.WMO, pressure_hpa: float | None = None
) -> float:
    """Water in the air in grams per cubic metre: e / (461.5 (t + 273.15)), ideal gas.

    Formulas differ by up to 0.3 %, the ideal gas costs up to 0.6 % (recomputed). Raises `OutOfRangeError`.
    """
    vapour = vapour_pressure_hpa(temperature_c, humidity_pct, formula, pressure_hpa)
    return 100_000 * vapour / (GAS_CONSTANT_VAPOUR * (temperature_c + KELVIN))


def mixing_ratio_g_kg(
    temperature_c: float,
    humidity_pct: float,
    pressure_hpa: float = 1013.25,
    formula: Formula = Formula.WMO,
    enhanced: bool = False,
) -> float:
    """Grams of water per kilogram of dry air: 621.98 e / (p - e) (ASHRAE writes 621.945), p from 500 to 1100 hPa.

    `enhanced`: with WMO's f(p). Without it 0.4 to 0.6 % below tables that include it, such as ASHRAE's.
    Raises `OutOfRangeError`, also where the vapour would be the whole air.
    """
    _within("air pressure", pressure_hpa, *PRESSURE_RANGE_HPA, "hPa")
    vapour = vapour_pressure_hpa(temperature_c, humidity_pct, formula, pressure_hpa if enhanced else None)
    if vapour >= pressure_hpa:
        raise OutOfRangeError("vapour pressure", vapour, 0.0, pressure_hpa, "hPa", "the pressure of the air")
    return 1000 * MOLAR_RATIO[formula] * vapour / (pressure_hpa - vapour)


def _factor(pressure_hpa: float | None) -> float:
    return 1.0 if pressure_hpa is None else enhancement_factor(pressure_hpa)


def _within(name: str, value: float, low: float, high: float, unit: str, where: str = "") -> None:
    # Written so that NaN is refused.
    if not low <= value <= high:
        raise OutOfRangeError(name, value, low, high, unit, where)
