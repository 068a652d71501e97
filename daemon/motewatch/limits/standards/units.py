"""Units of the standards, exact: particles per cubic foot and per cubic metre, inches of water and pascal.

Pure arithmetic, for numbers and for numpy arrays alike. Must not know any standard.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Any, TypeVar

from motewatch.limits.errors import OutOfRangeError
from motewatch.site.later import Later

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
else:
    np = Later("numpy")

M3_PER_FT3 = Fraction(28_316_846_592, 10**12)
"""Cubic metres in a cubic foot: 0.028316846592, exact by definition of the international foot (0.3048 m)."""

FT3_PER_M3 = 1 / M3_PER_FT3
"""Cubic feet in a cubic metre: 35.31466672 (rounded)."""

PA_PER_INCH_WATER = 249.089
"""Pascal in a conventional inch of water at 4 C (recomputed to six figures)."""

Amount = TypeVar("Amount", float, "NDArray[Any]")


def per_m3_from_per_ft3(per_ft3: Amount) -> Amount:
    """Particles per cubic metre from particles per cubic foot: 100 per ft3 are 3 531.47 per m3, not 3 520.

    A number from 0, or an array of them; raises `OutOfRangeError` for negative or not finite ones.
    """
    _checked("concentration per ft3", per_ft3)
    return per_ft3 / float(M3_PER_FT3)


def per_ft3_from_per_m3(per_m3: Amount) -> Amount:
    """Particles per cubic foot from particles per cubic metre. Range and errors as `per_m3_from_per_ft3`."""
    _checked("concentration per m3", per_m3)
    return per_m3 * float(M3_PER_FT3)


def pa_from_inch_water(inches: float) -> float:
    """Pascal from inches of water at 4 C; any finite number, negative for a room below its neighbour."""
    return inches * PA_PER_INCH_WATER


def inch_water_from_pa(pascal: float) -> float:
    """Inches of water at 4 C from pascal; any finite number."""
    return pascal / PA_PER_INCH_WATER


def _checked(name: str, value: Any) -> None:
    if not isinstance(value, float | int) and isinstance(value, np.ndarray):
        wrong = value[~(np.isfinite(value) & (value >= 0))]
        if wrong.size:
            raise OutOfRangeError(name, wrong.flat[0], "finite numbers from 0")
    elif not 0 <= value < float("inf"):
        raise OutOfRangeError(name, value, "a finite number from 0")
