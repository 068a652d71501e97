"""The air outside as it wanders: a log-normal AR(1) by the hour with a factor for the time of day; or as measured.

`C(t) = median x diurnal(hour) x exp(z)`, `z` normal with standard deviation `sd` and correlation `phi` over an hour.
The median is typical urban air (found in public pages), `phi`, `sd` and the diurnal factor are those of an open data
set of 1,305 hours of urban air at and above 0.5 um (measured there). Between hours the same process goes on in shorter
steps. Knows no calendar: hours of the day are handed in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

HOURLY_CORRELATION = 0.92
LOG_SD = 0.8

DIURNAL = (
    *(1.19, 1.22, 1.17, 1.17, 1.13, 1.21, 1.29, 1.17, 1.02, 1.20, 1.11, 1.03),
    *(1.00, 0.87, 0.76, 0.76, 0.76, 0.75, 0.82, 0.98, 1.02, 1.04, 0.96, 1.01),
)
"""Median at or above 0.5 um in each hour of the day, local time, relative to the median of all hours."""


def diurnal(hour: float) -> float:
    """The factor at an hour of the day, 0 to 24, straight between the middles of the hours."""
    before = math.floor(hour - 0.5)
    part = hour - 0.5 - before
    return (1.0 - part) * DIURNAL[before % 24] + part * DIURNAL[(before + 1) % 24]


class LogWander:
    """`exp(z)` with `z` an AR(1) process of mean 0: median 1, correlation `phi` of `z` from step to step."""

    def __init__(self, sd: float, phi: float, rng: np.random.Generator) -> None:
        self._sd = sd
        self._phi = phi
        self._rng = rng
        self._z = sd * float(rng.standard_normal())

    @property
    def factor(self) -> float:
        """The present factor."""
        return math.exp(self._z)

    def step(self) -> None:
        """Go on by one step."""
        kick = self._sd * math.sqrt(1.0 - self._phi**2)
        self._z = self._phi * self._z + kick * float(self._rng.standard_normal())


class Wandering:
    """The factor over the median, moved on at each call by one step and by the hour of the day."""

    def __init__(self, wander: LogWander) -> None:
        self._wander = wander

    def next(self, passed_h: float, hour: float) -> float:
        """The factor `passed_h` after the start, at an hour of the day."""
        self._wander.step()
        return self._wander.factor * diurnal(hour)


class Measured:
    """Measured hours as factors over a median, one after the other and then anew, straight between on log paper."""

    def __init__(self, hourly: Sequence[float], median: float) -> None:
        self._logs = [math.log(value / median) for value in hourly]

    def next(self, passed_h: float, hour: float) -> float:
        """The factor `passed_h` after the start; the hour of the day is in the data."""
        whole = math.floor(passed_h)
        part = passed_h - whole
        before, after = (self._logs[i % len(self._logs)] for i in (whole, whole + 1))
        return math.exp((1.0 - part) * before + part * after)


def step_correlation(hourly: float, step_s: float) -> float:
    """The correlation over a step of the process that has `hourly` over an hour."""
    return float(hourly ** (step_s / 3600.0))
