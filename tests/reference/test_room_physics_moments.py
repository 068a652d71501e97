"""Counts of a bursting room and of a wandering intensity: moments as worked, and as the simulator makes them.

Seeds are fixed. 300,000 one-minute samples are worked for; their own scatter is said beside each tolerance.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from motewatch_simulator.moments import filtered_bursts, wandering_intensity
from motewatch_simulator.outdoors import LogWander
from motewatch_simulator.spectra import Array
from support.checks import check
from support.rooms import bare_room

SECTION = "Simulated counts: spread and autocorrelation"
CAMPBELL = "Campbell's theorem for a room of 67.5 m3 at 20 air changes/h, 0.5 bursts/min of 1.2e5"
WANDERING = "moments of the log-normal: mean 8, sd of ln 0.6, time constant 30 min"
SAMPLES = 300_000
LISTED = {1: 0.806, 2: 0.577, 3: 0.414, 5: 0.212}


def correlation(values: Array, lag: int) -> float:
    return float(np.corrcoef(values[:-lag], values[lag:])[0, 1])


def bursting_room(rng: np.random.Generator) -> Array:
    """Integral of the concentration over each minute, particles min / m3, by the simulator's own exact step."""
    plant = bare_room(67.5, 20.0, (0.5,))
    minute = plant.step(plant.normal, 60_000_000, 1.0)
    keep, gain = float(minute.keep[0, 0, 0]), float(minute.gain[0, 0, 0])
    loss = -float(plant.matrix(plant.normal)[0, 0, 0])
    bursts = rng.poisson(0.5, SAMPLES)
    minute_of = np.repeat(np.arange(SAMPLES), bursts)
    left_s = rng.uniform(0.0, 60.0, len(minute_of))
    rise = 1.2e5 / 67.5
    ends = np.bincount(minute_of, rise * np.exp(-loss * left_s), SAMPLES)
    within = np.bincount(minute_of, rise * (1.0 - np.exp(-loss * left_s)) / loss, SAMPLES)
    integrals = np.empty(SAMPLES)
    now = 0.5 * 1.2e5 * 3.0 / 67.5
    for i in range(SAMPLES):
        integrals[i] = now * gain + within[i]
        now = now * keep + ends[i]
    return integrals / 60.0


def test_bursts_in_a_room() -> None:
    # Example 18a.
    worked = filtered_bursts(
        bursts_per_min=0.5, particles=1.2e5, air_changes_per_h=20.0, volume_m3=67.5, flow_l_min=28.3, sample_min=1.0
    )
    known: dict[str, Any] = {"source": CAMPBELL, "confirmed": "recomputed"}
    check(SECTION, "bursts: mean count", 75.5, worked.mean, abs=0.05, **known)
    check(SECTION, "bursts: variance over mean", 23.6, worked.fano, abs=0.05, **known)
    rng = np.random.default_rng(18)
    seen = bursting_room(rng)
    counts = rng.poisson(seen * 0.0283)
    check(SECTION, "bursts, simulated: mean count", 75.5, counts.mean(), rel=0.02, **known)
    check(SECTION, "bursts, simulated: variance over mean", 23.6, counts.var() / counts.mean(), rel=0.02, **known)
    for lag, expected in LISTED.items():
        formula = worked.correlations[lag - 1]
        check(SECTION, f"bursts: correlation of the air at lag {lag}", expected, formula, abs=5.5e-4, **known)
        # The correlation of so many samples scatters by about 0.004 by itself.
        what = f"bursts, simulated: correlation of the air at lag {lag}"
        check(SECTION, what, expected, correlation(seen, lag), rel=0.02, abs=0.01, **known)


def test_a_wandering_intensity() -> None:
    # Example 18b.
    forgets = float(np.exp(-1.0 / 30.0))
    worked = wandering_intensity(mean=8.0, sd=0.6, correlation=forgets)
    known: dict[str, Any] = {"source": WANDERING, "confirmed": "recomputed"}
    check(SECTION, "wandering intensity: variance over mean", 4.47, worked.fano, abs=5e-3, **known)
    check(SECTION, "wandering intensity: correlation at lag 1", 0.746, worked.correlations[0], abs=5.5e-4, **known)
    wander = LogWander(0.6, forgets, np.random.default_rng(7))
    intensity = np.empty(SAMPLES)
    for i in range(SAMPLES):
        wander.step()
        intensity[i] = wander.factor
    counts = np.random.default_rng(8).poisson(8.0 * np.exp(-0.18) * intensity)
    assert counts.mean() == pytest.approx(8.0, rel=0.03)
    # 300,000 samples are but some 5,000 independent ones: this scatters by 5 % from seed to seed, the next by 2 %.
    check(SECTION, "wandering intensity, simulated: variance over mean", 4.47, counts.var() / counts.mean(), rel=0.02,
          **known)  # fmt: skip
    check(SECTION, "wandering intensity, simulated: correlation at lag 1", 0.746, correlation(counts, 1), rel=0.02,
          **known)  # fmt: skip
