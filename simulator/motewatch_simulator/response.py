"""What a counter's optics make of the particles that reach them: efficiency, coincidence, false counts.

A particle of size d is counted at a threshold with probability `Phi(ln(d / threshold) / width)` (width 0.15 gives 50 %
at the threshold and 99.7 % at 1.5 times it, recomputed), so a differential channel gets what passes its own threshold
and not the next one: channels stay monotone by construction. All on expected counts, before anything is drawn. Marks:
(M) from memory, not confirmed; (own choice) ours.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np

from motewatch.measure.coincidence import Optics, lost_share
from motewatch_simulator.spectra import Array

GRID_STEP = 0.18
"""Widest bin of the rooms' size grid in natural logarithm where a counter's efficiency matters (own choice)."""
BELOW = 1.6
"""The grid reaches so many times below the smallest threshold: what lies there is counted by less than 0.1 %."""
COARSEST_UM = 25.0
"""Where the grid ends, if no channel lies above (own choice)."""
INNER_SLOPE = 2.08
"""Slope of the cumulative numbers inside one bin, that of the classes of ISO 14644-1; the bins are narrow."""
OPEN_BIN = 4.0
"""The last bin is open; what lies above so many times its edge is taken as lying below that."""

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)


def fine_grid(sizes_um: Sequence[float]) -> tuple[float, ...]:
    """The sizes themselves, what lies below and above them, and steps between, so fine that an efficiency shows."""
    wanted = sorted(set(sizes_um))
    points = [wanted[0] / BELOW, *wanted]
    if wanted[-1] < COARSEST_UM:
        # Tubes tell sizes apart that the last channel throws together.
        points.append(COARSEST_UM)
    grid: list[float] = []
    for low, high in pairwise(points):
        parts = max(1, math.ceil(math.log(high / low) / GRID_STEP))
        grid += [low * (high / low) ** (i / parts) for i in range(parts)]
    return (*grid, points[-1])


def efficiency(size_um: float, threshold_um: float, width: float) -> float:
    """The share of particles of a size that is counted at a threshold, 0 to 1."""
    return _phi(math.log(size_um / threshold_um) / width)


def registration(
    grid_um: Sequence[float],
    channels_um: Sequence[float],
    *,
    width: float,
    shift: float = 1.0,
    passes: Callable[[float], float] = lambda _: 1.0,
) -> Array:
    """The share of each bin of the rooms (columns) that each differential channel (rows) gets.

    `shift` multiplies all thresholds; `passes` is what the tube lets through by size. Columns add up to at most 1.
    """
    edges = [*grid_um, grid_um[-1] * OPEN_BIN]
    thresholds = np.log(np.asarray(channels_um) * shift)
    shares = np.zeros((len(channels_um), len(grid_um)))
    for j, (low, high) in enumerate(pairwise(edges)):
        middle, half = math.log(low * high) / 2, math.log(high / low) / 2
        nodes = middle + half * _NODES
        weights = _WEIGHTS * np.exp(-INNER_SLOPE * (nodes - middle))
        weights *= [passes(float(np.exp(node))) for node in nodes]
        weights /= (_WEIGHTS * np.exp(-INNER_SLOPE * (nodes - middle))).sum()
        counted = np.array([[_phi((x - t) / width) for x in nodes] for t in thresholds]) @ weights
        shares[:, j] = counted - np.append(counted[1:], 0.0)
    return shares


def coincide(expected: Array, seconds: float, optics: Optics) -> Array:
    """Expected counts per channel (the last axis) after coincidence: fewer, and some of them one channel up.

    The share of particles that is lost follows from all of them (`motewatch.measure.coincidence`). A lost small
    particle makes another one look larger: of the lost ones that share again moves its partner to the next channel (M).
    The total is exactly what the loss leaves.
    """
    drawn_m3 = optics.flow_l_min / 60_000.0 * seconds
    true_per_m3 = np.asarray(expected.sum(axis=-1)) / drawn_m3
    shares = [lost_share(one, optics) for one in true_per_m3.ravel().tolist()]
    lost = np.array(shares).reshape((*true_per_m3.shape, 1))
    kept: Array = expected * (1.0 - lost)
    moved = np.minimum(expected * lost * lost, kept)
    moved[..., -1] = 0.0
    kept = kept - moved
    kept[..., 1:] += moved[..., :-1]
    return kept


def false_counts(channels_um: Sequence[float], per_min: float, seconds: float) -> Array:
    """Expected false counts per differential channel; `per_min` are those at or above the first threshold.

    At or above a threshold they fall with its third power (found, an abstract of 1990).
    """
    above = per_min * seconds / 60.0 * (channels_um[0] / np.asarray(channels_um)) ** 3
    result: Array = above - np.append(above[1:], 0.0)
    return result


def noise_per_min(first_um: float, per_min_at_0_3_um: float) -> float:
    """Counts a minute of an electronic noise in a counter whose first threshold is another one: third power."""
    return per_min_at_0_3_um * (0.3 / first_um) ** 3


def aged_shift(power: float, exponent: float) -> float:
    """What multiplies the thresholds when the laser gives the share `power` of its light: 1.057 at 0.8, exponent 4.

    The exponent says with which power of the size a pulse grows: 2 for large, up to 6 for small particles (M).
    """
    return float(power ** (-1.0 / exponent))


def _phi(x: float) -> float:
    """The normal distribution function."""
    return 0.5 * math.erfc(-x / math.sqrt(2.0))
