"""The mass balance of well-mixed rooms, solved exactly while nothing changes.

For every size bin, with `c` the concentrations of the rooms:

    dc/dt = A c + b
    A_ij = Q_ji / V_i,  A_ii = -(all that leaves room i) / V_i,  b_i = (sources + what the air brings) / V_i

While flows and sources stand still the solution over a step is exact:

    c(t + dt) = P c + Q b        integral of c over the step = Q c + R b

with P, Q, R the top row of the exponential of [[A, I, 0], [0, 0, I], [0, 0, 0]] dt.

The integral, not the end value, is what a counter saw: for one room `integral / dt` is
`C_inf + (C - C_inf)(1 - exp(-L dt)) / (L dt)`. This module knows flows and volumes; it does not know people, doors,
sensors or what time it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from motewatch_simulator.spectra import Array

_TAYLOR_TERMS = 16
_SMALL_NORM = 0.5
"""Below this norm 16 terms leave an error under 1e-19, far below what a float holds."""


@dataclass(frozen=True)
class Airflows:
    """The air of `n` rooms at one moment, in m3/s; `between[i][j]` flows from room i to room j.

    What is supplied and flows in beyond what flows out leaves by the return; `returns` must not be negative.
    """

    volumes_m3: Array
    supply: Array
    between: Array
    inward: Array
    """From the surroundings, unfiltered."""
    outward: Array
    """To the surroundings."""

    @property
    def returns(self) -> Array:
        """What leaves each room by its return or exhaust, so that the air balance closes."""
        gained = self.supply + self.inward + self.between.sum(axis=0)
        lost = self.outward + self.between.sum(axis=1)
        result: Array = gained - lost
        return result

    def mixed_return(self, together: Array) -> Array:
        """Whose air comes back to whom, shape (n, n), rows add up to 1.

        `together[i][j]` is 1 where rooms i and j share an air handler, else 0: returns mix by their flow.
        """
        drawn = together * np.maximum(self.returns, 0.0)
        whole = drawn.sum(axis=1, keepdims=True)
        result: Array = np.where(whole > 0, drawn / np.where(whole > 0, whole, 1.0), np.eye(len(together)))
        return result

    def matrix(self, settling_m3_s: Array, recirculated: Array, together: Array | None = None) -> Array:
        """`A` for every bin, shape (bins, n, n), in 1/s.

        `settling_m3_s` is settling velocity times floor area, `recirculated` the share of the supply that is returned
        air come back through the filters; both have shape (bins, n). Each room's own air comes back to it unless rooms
        are `together`.
        """
        leaving = self.outward + self.between.sum(axis=1) + self.returns
        bins, rooms = settling_m3_s.shape
        matrix = np.broadcast_to(self.between.T, (bins, rooms, rooms)).copy()
        diagonal = np.arange(rooms)
        matrix[:, diagonal, diagonal] -= leaving + settling_m3_s
        back = np.eye(rooms) if together is None else self.mixed_return(together)
        matrix += (self.supply * recirculated)[:, :, None] * back
        matrix /= self.volumes_m3[:, None]
        return matrix


@dataclass(frozen=True)
class Step:
    """What `dt` seconds do to the rooms while `A` and `b` stand still."""

    dt_s: float
    keep: Array
    gain: Array
    gain_integral: Array

    def advance(self, now: Array, b: Array) -> tuple[Array, Array]:
        """Concentrations after the step and their time integral over it; arrays of shape (bins, n)."""
        after = (self.keep @ now[..., None] + self.gain @ b[..., None])[..., 0]
        integral = (self.gain @ now[..., None] + self.gain_integral @ b[..., None])[..., 0]
        # Round-off may leave -1e-17 of a particle where a room is empty.
        return np.maximum(after, 0.0), np.maximum(integral, 0.0)


def advance_through(steps: Sequence[Step], which: NDArray[np.intp], now: Array, b: Array) -> tuple[Array, Array]:
    """Many steps one after the other: concentrations after the last one, and the integrals over each.

    Step i is `steps[which[i]]` with the inputs `b[i]`. The same to the last bit as `Step.advance` again and again: each
    product of a matrix and a vector is made by itself, however many are asked for in one call.
    """
    gained, added, befores = np.empty_like(b), np.empty_like(b), np.empty_like(b)
    here = [np.flatnonzero(which == i) for i in range(len(steps))]
    for one, rows in zip(steps, here, strict=True):
        inputs = b[rows][..., None]
        gained[rows] = (one.gain @ inputs)[..., 0]
        added[rows] = (one.gain_integral @ inputs)[..., 0]
    keeps = [one.keep for one in steps]
    for i, kind in enumerate(which.tolist()):
        befores[i] = now
        now = np.maximum((keeps[kind] @ now[..., None])[..., 0] + gained[i], 0.0)
    for one, rows in zip(steps, here, strict=True):
        added[rows] += (one.gain @ befores[rows][..., None])[..., 0]
    return now, np.maximum(added, 0.0)


def step(matrix: Array, dt_s: float) -> Step:
    """The exact step of `dt_s` seconds for `A` of shape (bins, n, n).

    The three blocks of the exponential are built by their own series over a short time and doubled until it is `dt_s`:
    `P(2h) = P P`, `Q(2h) = Q + P Q`, `R(2h) = R + h Q + P R`. Nothing cancels, and the matrices stay of size n.
    """
    norm = float(np.abs(matrix).sum(axis=-1).max()) * dt_s
    doublings = max(0, int(np.ceil(np.log2(norm / _SMALL_NORM)))) if norm > 0 else 0
    h = dt_s / 2.0**doublings
    one = np.broadcast_to(np.eye(matrix.shape[-1]), matrix.shape)
    scaled: Array = matrix * h
    term: Array = one.astype(np.float64)
    gain: Array = term * h
    gain_integral: Array = term * (h * h / 2.0)
    factorial = 1.0
    for k in range(1, _TAYLOR_TERMS + 1):
        term = term @ scaled
        factorial *= k + 1
        gain += term * (h / factorial)
        gain_integral += term * (h * h / (factorial * (k + 2)))
    keep: Array = one + matrix @ gain
    for _ in range(doublings):
        gain_integral = gain_integral + h * gain + keep @ gain_integral
        gain = gain + keep @ gain
        keep = keep @ keep
        h *= 2.0
    return Step(dt_s, keep, gain, gain_integral)


def steady(matrix: Array, b: Array) -> Array:
    """Concentrations that no longer change, `-A^-1 b`; every room must lose air."""
    result: Array = np.linalg.solve(matrix, -b[..., None])[..., 0].astype(np.float64)
    return result
