"""How many samples pass until a rule first alarms, as a distribution: its mean, and its chance within so many samples.

A run length starts with an empty window, which for every rule is the same as clean air before: what is counted is the
time from the moment the air turned to what it is. Beyond the samples that were worked out one by one the chance of an
alarm is the same in every further sample (it has settled), so the rest is a geometric series and no run is too long.
Must not know rules.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

LEAST_CHANCE_LOG10 = -280
"""An alarm with a smaller chance than 10^-280 in a sample is taken as none: below that, floats lose their digits."""


class Method(StrEnum):
    """How a figure was found."""

    EXACT = "exact"
    SIMULATED = "simulated"


@dataclass(frozen=True, slots=True, eq=False)
class RunLength:
    """Samples from clean air, or an empty window, to the first alarm. In air that never alarms the mean is infinite."""

    mean: float
    mean_error: float
    """Standard error of the mean; 0 where it is exact."""
    method: Method
    alarmed: NDArray[np.float64]
    """Chance of an alarm within 0, 1, 2, ... samples, as far as it was worked out."""
    left: float
    """Chance of no alarm so far at the end of `alarmed`."""
    hazard: float
    """Chance of an alarm in each further sample, where none was before."""
    runs: int = 0
    """Simulated runs behind `alarmed`; 0: none, it was calculated."""

    def within(self, samples: int) -> float:
        """Chance of an alarm within so many samples (0 or more)."""
        if samples < self.alarmed.size:
            return float(self.alarmed[max(samples, 0)])
        further = samples - (self.alarmed.size - 1)
        gained = self.left * -math.expm1(further * _log_miss(self.hazard)) if further else 0.0
        return min(1.0, float(self.alarmed[-1]) + gained)

    def within_error(self, samples: int) -> float:
        """Standard error of `within`; 0 where it is exact."""
        if self.method is Method.EXACT:
            return 0.0
        chance = self.within(samples)
        if self.runs:
            # One run more on each side: that no run missed it does not make it certain.
            share = (chance * self.runs + 1) / (self.runs + 2)
            return math.sqrt(share * (1 - share) / self.runs)
        # The settled chance of each sample is off by the share by which the mean is off.
        return 0.0 if chance in (0.0, 1.0) else -(1 - chance) * math.log1p(-chance) * self.mean_error / self.mean


def _log_miss(hazard: float) -> float:
    return math.log1p(-hazard) if hazard < 1 else -math.inf


def never() -> RunLength:
    """The run length of air that cannot alarm."""
    return RunLength(math.inf, 0.0, Method.EXACT, np.zeros(1), 1.0, 0.0)


def of_independent_samples(chance: float) -> RunLength:
    """Each sample alarms with the same chance, whatever the others held."""
    if chance < 10.0**LEAST_CHANCE_LOG10:
        return never()
    return RunLength(1 / chance, 0.0, Method.EXACT, np.zeros(1), 1.0, chance)
