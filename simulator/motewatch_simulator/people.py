"""People as sources: how busy one person is from moment to moment.

A semi-Markov process: a person steps between four levels of activity, each held for a random time of its own length,
so that the mean is 0.3 of vigorous exercise while working. Levels, shares and times are own choice. Knows nothing of
rooms, garments or sizes.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from itertools import accumulate

import numpy as np

LEVELS = (0.05, 0.2, 1.0, 2.0)
"""Still, bench work, walking, gowning or abrupt motion; 1 is the exercise of the source figures (own choice)."""

GOWNING_LEVEL = LEVELS[-1]

SHARES = (0.35, 0.484375, 0.145625, 0.02)
"""Share of time at each level; the mean level is exactly 0.3."""

HOLDS_S = (60.0, 60.0, 20.0, 10.0)
"""Mean time at each level, in physical seconds (own choice)."""

HOLD_SHAPE = 2.0
"""Of the gamma distribution of these times: less scattered than exponential, as tasks are (own choice)."""

_PER_S = [share / hold for share, hold in zip(SHARES, HOLDS_S, strict=True)]
CHANCES = tuple(rate / sum(_PER_S) for rate in _PER_S)
"""Chance of each level at a step, so that the shares of time come out."""

_SHARES_BELOW, _CHANCES_BELOW = tuple(accumulate(SHARES)), tuple(accumulate(CHANCES))

_SCALE_S = {level: hold / HOLD_SHAPE for level, hold in zip(LEVELS, HOLDS_S, strict=True)}

MEAN_HOLD_S = 1.0 / sum(_PER_S)
"""Mean time between two steps."""

PERSON_SPREAD = 0.5
"""Standard deviation of the logarithm of dispersion between people (M)."""

HEAT_W = 100.0
MOISTURE_G_H = 60.0
"""What one person gives to the room at light work (M)."""


class Person:
    """One person; `strength` is the present share of vigorous dispersion."""

    def __init__(self, activity: float | None, spread: float, rng: np.random.Generator) -> None:
        """`activity` None: steps between the levels; a number: held for ever."""
        self._rng = rng
        self._habit = float(np.exp(spread * rng.standard_normal() - spread**2 / 2.0))
        self._steady = activity
        self.level = activity if activity is not None else self._draw(_SHARES_BELOW)

    @property
    def habit(self) -> float:
        """This person's own dispersion, relative to the mean of all."""
        return self._habit

    @property
    def strength(self) -> float:
        """Present level times this person's own dispersion."""
        return self.level * self._habit

    def hold_s(self) -> float | None:
        """How long the present level lasts, in physical seconds; None for ever. Draws anew at each call."""
        if self._steady is not None:
            return None
        return _SCALE_S[self.level] * self._rng.standard_gamma(HOLD_SHAPE)

    def change(self) -> None:
        """Step to another moment of work."""
        self.level = self._draw(_CHANCES_BELOW)

    def changes(
        self, at_us: int, until_us: int, after: Callable[[int, float], int]
    ) -> tuple[list[int], list[float], int]:
        """Step at this instant and at each that follows before `until_us`: instants, levels, and when it goes on.

        `after` says at which instant a time in seconds after another one is over.
        """
        assert self._steady is None, "a level that is held for ever is not asked for changes"
        instants, levels = [], []
        draw, wait = self._rng.random, self._rng.standard_gamma
        level = self.level
        while at_us < until_us:
            level = _level(_CHANCES_BELOW, draw())
            instants.append(at_us)
            levels.append(level)
            at_us = after(at_us, _SCALE_S[level] * wait(HOLD_SHAPE))
        self.level = level
        return instants, levels, at_us

    def mean_strength(self) -> float:
        """The long-term mean, for starting a room where it will settle."""
        mean = sum(level * share for level, share in zip(LEVELS, SHARES, strict=True))
        return self._habit * (mean if self._steady is None else self._steady)

    def _draw(self, below: tuple[float, ...]) -> float:
        return _level(below, self._rng.random())


def _level(below: tuple[float, ...], point: float) -> float:
    # As `choice` does it, at a thirtieth of its time.
    return LEVELS[min(bisect_right(below, point), len(LEVELS) - 1)]
