"""Mean, spread and autocorrelation of counts that a room or a wandering intensity gives, in closed form.

For choosing rules and for testing the simulator against itself; nothing here draws anything. Both forms are
recomputed (Campbell's theorem for the filtered bursts, moments of the log-normal for the wandering intensity). The room
supplies the autocorrelation of its bursts by itself, so it must not be added twice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CountMoments:
    """Of the counts of equal samples one after another: mean, variance over mean, and correlation by lag 1, 2, ..."""

    mean: float
    fano: float
    correlations: tuple[float, ...]


def filtered_bursts(
    *,
    bursts_per_min: float,
    particles: float,
    air_changes_per_h: float,
    volume_m3: float,
    flow_l_min: float,
    sample_min: float,
    lags: int = 5,
) -> CountMoments:
    """Bursts of equal size at random times in a well-mixed room, seen by a counter.

    The correlations are those of the room's concentration, without the counting noise on top.
    """
    loss = air_changes_per_h / 60.0
    a = loss * sample_min
    smoothing = 2.0 * (a - 1.0 + math.exp(-a)) / a**2
    drawn = flow_l_min / 1000.0 * sample_min
    mean = drawn * bursts_per_min * particles / (loss * volume_m3)
    fano = 1.0 + drawn * particles / (2.0 * volume_m3) * smoothing
    first = (1.0 - math.exp(-a)) ** 2 / (2.0 * (a - 1.0 + math.exp(-a)))
    return CountMoments(mean, fano, tuple(math.exp(-a * (k - 1)) * first for k in range(1, lags + 1)))


def wandering_intensity(*, mean: float, sd: float, correlation: float, lags: int = 5) -> CountMoments:
    """Poisson counts whose intensity is log-normal AR(1) with this correlation of its logarithm between samples."""
    spread = math.expm1(sd**2)
    fano = 1.0 + mean * spread
    lagged = (mean * math.expm1(sd**2 * correlation**k) / fano for k in range(1, lags + 1))
    return CountMoments(mean, fano, tuple(lagged))
