"""More spread than Poisson's: a factor on the air a counter saw, 1 in the mean.

Two kinds. Gamma: a new factor for each reading; the counts of every channel are then negative binomial with variance
`m + alpha m^2` (0.05 at rest, 0.2 to 0.5 in operation: own choice). Log-OU: the logarithm wanders and forgets with a
time constant. People, doors and air changes make a room's counts wander by themselves, and that must not be added
twice: the log-OU kind is for places that the mixed room does not reach. One factor serves all channels of a reading.
"""

from __future__ import annotations

import math

import numpy as np


class GammaFactor:
    """Independent factors with variance `alpha`; a share of them is 0, and the others are greater for it."""

    def __init__(self, alpha: float, rng: np.random.Generator, zero_share: float = 0.0) -> None:
        self._alpha = alpha
        self._rng = rng
        self._zero_share = zero_share

    def next(self, _passed_s: float) -> float:
        """The factor of the next reading."""
        factor = float(self._rng.gamma(1.0 / self._alpha, self._alpha))
        if self._zero_share == 0.0:
            return factor
        return 0.0 if self._rng.random() < self._zero_share else factor / (1.0 - self._zero_share)


class LogOuFactor:
    """`exp(z - sd^2 / 2)`; z is normal with this spread and forgets with `tau_s`."""

    def __init__(self, sd: float, tau_s: float, rng: np.random.Generator) -> None:
        self._sd = sd
        self._tau_s = tau_s
        self._rng = rng
        self._z = sd * float(rng.standard_normal())

    def next(self, passed_s: float) -> float:
        """The factor of the next reading, so long after the last one."""
        kept = math.exp(-passed_s / self._tau_s)
        self._z = kept * self._z + self._sd * math.sqrt(1.0 - kept**2) * float(self._rng.standard_normal())
        return math.exp(self._z - self._sd**2 / 2.0)
