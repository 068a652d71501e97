"""People as sources: how busy one person is from moment to moment.

A person steps between four levels of activity, each held for a random time, so that the mean is 0.3 of vigorous
exercise while working (own choice). Knows nothing of rooms, garments or sizes.
"""

from __future__ import annotations

import numpy as np

LEVELS = (0.05, 0.2, 1.0, 2.0)
"""Still, bench work, walking, gowning or abrupt motion; 1 is the exercise of the source figures (own choice)."""

SHARES = (0.35, 0.484375, 0.145625, 0.02)
"""Share of time at each level; the mean level is exactly 0.3."""

MEAN_HOLD_S = 45.0
"""Mean time at one level, in physical seconds (own choice)."""

PERSON_SPREAD = 0.5
"""Standard deviation of the logarithm of dispersion between people (M)."""


class Person:
    """One person; `strength` is the present share of vigorous dispersion."""

    def __init__(self, activity: float | None, spread: float, rng: np.random.Generator) -> None:
        """`activity` None: steps between the levels; a number: held for ever."""
        self._rng = rng
        self._habit = float(np.exp(spread * rng.standard_normal() - spread**2 / 2.0))
        self._steady = activity
        self.level = activity if activity is not None else self._draw()

    @property
    def strength(self) -> float:
        """Present level times this person's own dispersion."""
        return self.level * self._habit

    def hold_s(self) -> float | None:
        """How long the present level lasts, in physical seconds; None for ever. Draws anew at each call."""
        return None if self._steady is not None else float(self._rng.exponential(MEAN_HOLD_S))

    def change(self) -> None:
        """Step to another moment of work."""
        self.level = self._draw()

    def mean_strength(self) -> float:
        """The long-term mean, for starting a room where it will settle."""
        mean = sum(level * share for level, share in zip(LEVELS, SHARES, strict=True))
        return self._habit * (mean if self._steady is None else self._steady)

    def _draw(self) -> float:
        return float(self._rng.choice(LEVELS, p=SHARES))
