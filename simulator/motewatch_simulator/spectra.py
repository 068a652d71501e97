"""How many particles of which size: size laws of sources, settling, and what passes a filter.

Rules: sizes in micrometres; a `Spectrum` is cumulative (at or above a size) and a straight line between its points on
log-log paper; the balance works on differential bins `[d_k, d_k+1)`, the last one open upwards. Values marked (M) are
from memory and not confirmed, those marked (own choice) are ours: both are defaults, never limits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

AIR_VISCOSITY_PA_S = 1.81e-5
MEAN_FREE_PATH_UM = 0.066
PARTICLE_DENSITY_KG_M3 = 1000.0
GRAVITY_M_S2 = 9.807
"""Air at 20 C and 101.3 kPa, spheres of unit density."""


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Numbers at or above each of `sizes_um`; the outer slopes go on beyond the first and last size.

    The unit is the caller's: per second for a source, per cubic metre for air.
    """

    sizes_um: tuple[float, ...]
    at_least: tuple[float, ...]

    def cumulative(self, sizes_um: Sequence[float]) -> Array:
        """Numbers at or above each size asked for."""
        x = np.log(np.asarray(sizes_um, dtype=float))
        points, values = np.log(self.sizes_um), np.log(self.at_least)
        slopes = np.diff(values) / np.diff(points)
        segment = np.clip(np.searchsorted(points, x, side="right") - 1, 0, len(slopes) - 1)
        result: Array = np.exp(values[segment] + slopes[segment] * (x - points[segment]))
        return result

    def bins(self, sizes_um: Sequence[float]) -> Array:
        """Numbers per differential bin that starts at each size; the last is open upwards."""
        above = self.cumulative(sizes_um)
        result: Array = above - np.append(above[1:], 0.0)
        return result

    def times(self, factor: float) -> Spectrum:
        """The same shape, `factor` (above 0) times as many."""
        return Spectrum(self.sizes_um, tuple(value * factor for value in self.at_least))


def power_law(at_least: float, at_um: float, slope: float) -> Spectrum:
    """`C(>= d) = at_least (at_um / d)^slope`."""
    return Spectrum((at_um, 10.0 * at_um), (at_least, at_least * 10.0**-slope))


CLEANROOM_GARMENTS = Spectrum((0.5, 5.0), (1_020_000 / 60, 37_300 / 60))
"""One person in cleanroom garments at vigorous exercise, particles/s.

Whyte and Hejab, EJPPS 12(2), 2007 (abstract): means of 55 people per minute; the slope between is 1.44."""

INDOOR_CLOTHING = Spectrum((0.5, 5.0), (2_130_000 / 60, 332_000 / 60))
"""The same people in indoor clothing (same abstract); slope 0.81."""

SMOCK = INDOOR_CLOTHING.times(0.5)
"""Smock and cap: half of indoor clothing (M)."""

GARMENTS = {"cleanroom": CLEANROOM_GARMENTS, "smock": SMOCK, "indoor": INDOOR_CLOTHING}

OUTDOOR_SHAPE = Spectrum((0.3, 0.5, 1.0, 2.0), (4.1e8 / 6.4e7, 1.0, 3.9e6 / 6.4e7, 4.2e5 / 6.4e7))
"""Outdoor air relative to its number at or above 0.5 um: hourly medians of an open urban data set of 1,305 hours."""


def settling_velocity_m_s(size_um: float) -> float:
    """Settling velocity by Stokes with the slip of Allen and Raabe (good to 10 um, a little fast above)."""
    ratio = MEAN_FREE_PATH_UM / size_um
    slip = 1.0 + ratio * (2.34 + 1.05 * float(np.exp(-0.39 / ratio)))
    metres = size_um * 1e-6
    return PARTICLE_DENSITY_KG_M3 * metres**2 * GRAVITY_M_S2 * slip / (18.0 * AIR_VISCOSITY_PA_S)


def filter_penetration(size_um: float, at_worst: float, floor: float = 1e-7) -> float:
    """Share of particles that passes a high-efficiency filter, from its penetration at the worst size (0.21 um).

    A parabola in log size fitted to single-fibre theory; pinholes keep it from falling below `floor` (own choice).
    """
    octaves = np.log(size_um / 0.21) / np.log(2.0)
    return float(max(floor, at_worst ** (1.0 + 0.45 * octaves**2)))


def bin_middles_um(sizes_um: Sequence[float]) -> tuple[float, ...]:
    """One size that stands for each bin: its geometric middle; for the open last one its lower edge (own choice)."""
    inner = [float(np.sqrt(low * high)) for low, high in pairwise(sizes_um)]
    return (*inner, float(sizes_um[-1]))
