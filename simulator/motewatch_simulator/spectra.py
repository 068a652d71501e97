"""How many particles of which size: the size laws of sources and of outdoor air.

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

OUTDOOR_SHAPE = Spectrum((0.1, 0.2, 0.3, 0.5, 1.0, 2.0), (40.9, 14.6, 4.1e8 / 6.4e7, 1.0, 3.9e6 / 6.4e7, 4.2e5 / 6.4e7))
"""Outdoor air relative to its number at or above 0.5 um: hourly medians of an open urban data set of 1,305 hours."""


def bin_middles_um(sizes_um: Sequence[float]) -> tuple[float, ...]:
    """One size that stands for each bin: its geometric middle; for the open last one its lower edge (own choice)."""
    inner = [float(np.sqrt(low * high)) for low, high in pairwise(sizes_um)]
    return (*inner, float(sizes_um[-1]))
