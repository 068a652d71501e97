"""Coincidence loss of a counter: particles that pass together are seen as one.

Two models of the loss, N the true and N_m the shown concentration, Q the flow, t_p the time one particle occupies:

- paralyzable (overlapping pulses prolong each other): N_m = N exp(-N Q t_p). The reading has a peak, 1 / (e Q t_p),
  and falls beyond it: an overloaded counter can look cleaner. A reading thus has two possible causes; the inverse
  here, by the principal branch of Lambert's W, gives the smaller one.
- non-paralyzable: N_m = N / (1 + N Q t_p), which only nears 1 / (Q t_p).

Sources: a paper of 2013 on dead-time correction by Lambert's W (abstract seen; the forms recomputed). Estimates, with
the uncertainty of t_p, and never a reason to correct a record: a loss is shown beside the reading. Numbers or numpy
arrays go through the same functions, but for the inverse, which is `true_per_m3` for one reading and `true_array` for
many. Units: particles per cubic metre, litres per minute, seconds. Must not know samples or sensors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from motewatch.measure.errors import BadInputError, MeasureError

STATED_LOSS: Final = 0.10
"""ISO 21501-4: coincidence loss up to 10 % at the stated maximum concentration (found in a secondary source)."""

_M3_PER_S: Final = 1 / 60_000
"""Cubic metres per second in one litre per minute."""


class Loss(StrEnum):
    """A model of the loss."""

    PARALYZABLE = "paralyzable"
    NON_PARALYZABLE = "non-paralyzable"


class OverloadedError(MeasureError):
    """A reading at or above the highest that a counter with this pulse time can show."""

    def __init__(self, measured_per_m3: float, peak_per_m3: float) -> None:
        self.measured_per_m3, self.peak_per_m3 = measured_per_m3, peak_per_m3
        super().__init__(
            f"a reading of {measured_per_m3:g} per m3 is impossible with this pulse time, which allows "
            f"{peak_per_m3:g}: the counter is overloaded, or the pulse time or flow is wrong"
        )


@dataclass(frozen=True, slots=True)
class Optics:
    """What decides the loss: flow in litres per minute, pulse time in seconds, and the model."""

    flow_l_min: float
    pulse_s: float
    model: Loss = Loss.PARALYZABLE

    def __post_init__(self) -> None:
        _positive("flow_l_min", self.flow_l_min)
        _positive("pulse_s", self.pulse_s)

    @property
    def busy_m3(self) -> float:
        """Air that passes within one pulse, in m3: Q t_p."""
        return self.flow_l_min * _M3_PER_S * self.pulse_s

    @property
    def peak_per_m3(self) -> float:
        """The highest reading: reached at 1 / (Q t_p) when paralyzable, never quite reached otherwise."""
        return 1 / (math.e * self.busy_m3 if self.model is Loss.PARALYZABLE else self.busy_m3)


def optics_from_maximum(
    max_per_m3: float, flow_l_min: float, model: Loss = Loss.PARALYZABLE, loss: float = STATED_LOSS
) -> Optics:
    """The pulse time that loses the share `loss` (0 to 1) at the stated maximum concentration, per m3.

    As the standard allows *up to* 10 %, a real counter may lose less. Raises `BadInputError`.
    """
    _positive("max_per_m3", max_per_m3)
    _positive("flow_l_min", flow_l_min)
    if not 0 < loss < 1:
        raise BadInputError("loss", loss, "a share above 0 and below 1")
    load = -math.log1p(-loss) if model is Loss.PARALYZABLE else loss / (1 - loss)
    return Optics(flow_l_min, load / (max_per_m3 * flow_l_min * _M3_PER_S), model)


def lost_share(true_per_m3: float, optics: Optics) -> float:
    """The share of particles not counted at a true concentration, 0 to 1. Raises `BadInputError`."""
    load = _from_zero("true_per_m3", true_per_m3) * optics.busy_m3
    return -math.expm1(-load) if optics.model is Loss.PARALYZABLE else load / (1 + load)


def shown_per_m3(true_per_m3: float, optics: Optics) -> float:
    """The concentration that a counter shows at a true one. Raises `BadInputError`."""
    return true_per_m3 * (1 - lost_share(true_per_m3, optics))


def true_per_m3(measured_per_m3: float, optics: Optics) -> float:
    """The smallest true concentration behind a reading; the exact inverse of `shown_per_m3` up to its peak.

    Raises `OverloadedError` for a reading that the counter cannot show, `BadInputError` for a negative one.
    """
    load = _from_zero("measured_per_m3", measured_per_m3) * optics.busy_m3
    if optics.model is Loss.NON_PARALYZABLE:
        if load >= 1:
            raise OverloadedError(measured_per_m3, optics.peak_per_m3)
        return measured_per_m3 / (1 - load)
    if load > 1 / math.e:
        if load > (1 + 1e-12) / math.e:
            raise OverloadedError(measured_per_m3, optics.peak_per_m3)
        load = 1 / math.e
    return -lambert_w(-load) / optics.busy_m3


def lambert_w(x: float) -> float:
    """The principal branch of Lambert's W: the w >= -1 with w exp(w) = x, for x from -1/e.

    Halley's iteration to a few units in the last place, near the branch point to 1e-8 (the function is vertical
    there). Raises `BadInputError` below -1/e.
    """
    if not -1 / math.e <= x < math.inf:
        raise BadInputError("x", x, "a finite number from -1/e")
    if x == 0:
        return 0.0
    # Near the branch point the series in p = sqrt(2 (e x + 1)); elsewhere anything near enough will do.
    p = math.sqrt(max(0.0, 2 * (math.e * x + 1)))
    if p < 1e-4:
        return -1 + p - p * p / 3
    w = -1 + p - p * p / 3 + 11 / 72 * p**3 if x < 0.3 else math.log1p(x) * 0.7
    for _ in range(50):
        exp = math.exp(w)
        off = w * exp - x
        step = off / (exp * (w + 1) - (w + 2) * off / (2 * w + 2))
        w -= step
        if abs(step) <= 4e-16 * (1 + abs(w)):
            break
    return w


# Many at once


def shown_array(true: ArrayLike, optics: Optics) -> NDArray[np.float64]:
    """`shown_per_m3` for an array of true concentrations."""
    values = _array_from_zero("true_per_m3", true)
    load = values * optics.busy_m3
    return np.asarray(values * np.exp(-load) if optics.model is Loss.PARALYZABLE else values / (1 + load))


def true_array(measured: ArrayLike, optics: Optics) -> NDArray[np.float64]:
    """`true_per_m3` for an array of readings; NaN where the reading is impossible (overloaded)."""
    values = _array_from_zero("measured_per_m3", measured)
    load = values * optics.busy_m3
    if optics.model is Loss.NON_PARALYZABLE:
        return np.where(load < 1, values / np.where(load < 1, 1 - load, 1.0), np.nan)
    possible = load <= (1 + 1e-12) / math.e
    x = -np.minimum(load, 1 / math.e)
    p = np.sqrt(np.maximum(0.0, 2 * (math.e * x + 1)))
    w = -1 + p - p * p / 3
    far = p >= 1e-4
    start = w + 11 / 72 * p**3
    v = start[far]
    for _ in range(50):
        exp = np.exp(v)
        off = v * exp - x[far]
        step = off / (exp * (v + 1) - (v + 2) * off / (2 * v + 2))
        v -= step
        if not (np.abs(step) > 4e-16 * (1 + np.abs(v))).any():
            break
    w[far] = v
    return np.where(possible, np.where(load == 0, 0.0, -w / optics.busy_m3), np.nan)


def _positive(name: str, value: float) -> float:
    if not 0 < value < math.inf:
        raise BadInputError(name, value, "a finite number above 0")
    return value


def _from_zero(name: str, value: float) -> float:
    if not 0 <= value < math.inf:
        raise BadInputError(name, value, "a finite number from 0")
    return value


def _array_from_zero(name: str, values: ArrayLike) -> NDArray[np.float64]:
    found = np.asarray(values, dtype=np.float64)
    wrong = found[~(np.isfinite(found) & (found >= 0))]
    if wrong.size:
        raise BadInputError(name, wrong.flat[0], "finite numbers from 0")
    return found
