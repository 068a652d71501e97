"""From the air at a probe to expected counts per channel: tube, flow, efficiency, coincidence, false counts.

An ideal counter (no response, no tube) adds up the rooms' bins by their edges. Everything here is expectation; nothing
is drawn but, once, what makes this counter differ from others of its kind.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from motewatch.measure.coincidence import Loss, Optics, optics_from_maximum
from motewatch_simulator import scenario as s
from motewatch_simulator.counting import Channels
from motewatch_simulator.response import coincide, false_counts, registration
from motewatch_simulator.spectra import Array
from motewatch_simulator.tubes import Tube, penetration

SHIFT_STEPS = 500.0
"""Thresholds are moved in steps of 1/500 of the logarithm, so that their tables can be kept (own choice)."""

FLOW_STEPS = 50.0
"""What a weak flow leaves of a tube's particles is worked out in steps of 2 % of the flow (own choice)."""
LEAST_FLOW = 0.01
"""Below this share of the flow a tube is taken as at it: hardly anything is drawn by then (own choice)."""

SHARP = 0.01
"""Width of the efficiency of a counter that has a tube and is ideal otherwise (own choice)."""


class Chain:
    """One counter between probe and count."""

    def __init__(
        self,
        grid_um: Sequence[float],
        sizes_um: Sequence[float],
        flow_l_min: float,
        *,
        response: s.Response | None,
        tubes: Sequence[s.Tubing | None],
        max_per_m3: float | None,
        rng: np.random.Generator,
    ) -> None:
        """`tubes`: one for each port; `rng` decides how this counter deviates."""
        self._grid_um = tuple(grid_um)
        self._sizes_um = tuple(sizes_um)
        self._response = response
        self._tubes = [None if tube is None else _tube(tube) for tube in tubes]
        self._ideal = Channels(grid_um, sizes_um) if response is None and not any(tubes) else None
        self._tables: dict[tuple[int, int, int], Array] = {}
        self.threshold_factor = self.flow_factor = 1.0
        if response is not None:
            threshold, flow = rng.standard_normal(2)
            self.threshold_factor += (response.threshold_error_pct + response.threshold_spread_pct * threshold) / 100.0
            self.flow_factor += (response.flow_error_pct + response.flow_spread_pct * flow) / 100.0
            # A spread that is drawn far out must not stop the pump or turn the optics over.
            self.threshold_factor, self.flow_factor = max(0.1, self.threshold_factor), max(0.01, self.flow_factor)
        self._flow_l_min = flow_l_min * self.flow_factor
        self.flow_m3_s = flow_l_min / 60_000.0 * self.flow_factor
        """What it really draws."""
        self._optics = _optics(response, self._flow_l_min, max_per_m3)

    def expected(
        self, air: Array, seconds: float, *, port: int = 0, flow_share: float = 1.0, shift: float = 1.0
    ) -> Array:
        """Expected counts per differential channel of an interval.

        `air` is the integral of the concentration at the probe, particles x s / m3 per bin; `flow_share` what is left
        of the flow, also in the tube, `shift` what multiplies the thresholds.
        """
        drawn = air * (self.flow_m3_s * flow_share)
        if self._ideal is not None:
            return self._ideal.expected(drawn)
        return self._registered(self._table(port, shift, flow_share) @ drawn, seconds)

    def expected_many(self, airs: Array, seconds: float) -> Array:
        """The same for samples one after the other in good order, a row for each; to the last bit."""
        drawn = airs * self.flow_m3_s
        if self._ideal is not None:
            return self._ideal.expected(drawn)
        return self._registered((self._table(0, 1.0) @ drawn[..., None])[..., 0], seconds)

    def _registered(self, reached: Array, seconds: float) -> Array:
        """What becomes of particles that reach the optics, per channel."""
        if self._optics is not None:
            reached = coincide(reached, seconds, self._optics)
        if self._response is not None:
            reached = reached + false_counts(self._sizes_um, self._response.false_per_min, seconds)
        return reached

    def _table(self, port: int, shift: float, flow_share: float = 1.0) -> Array:
        step, flow_step, tube = round(float(np.log(shift * self.threshold_factor)) * SHIFT_STEPS), 0, self._tubes[port]
        if tube is not None and flow_share != 1.0:
            flow_step = round(math.log(max(flow_share, LEAST_FLOW)) * FLOW_STEPS)
        table = self._tables.get((port, step, flow_step))
        if table is None:
            passes: Callable[[float], float] = lambda _: 1.0  # noqa: E731
            if tube is not None:
                flow_l_min = self._flow_l_min * math.exp(flow_step / FLOW_STEPS)
                passes = partial(penetration, tube=tube, flow_l_min=flow_l_min)
            width = SHARP if self._response is None else self._response.width
            table = registration(
                self._grid_um, self._sizes_um, width=width, shift=float(np.exp(step / SHIFT_STEPS)), passes=passes
            )
            self._tables[port, step, flow_step] = table
        return table


def _tube(tube: s.Tubing) -> Tube:
    return Tube(tube.length_m, tube.diameter_mm / 1000.0, tube.bends, tube.incline_deg)


def _optics(response: s.Response | None, flow_l_min: float, max_per_m3: float | None) -> Optics | None:
    if response is None or response.coincidence == "none":
        return None
    model = Loss(response.coincidence)
    if response.pulse_us is not None:
        return Optics(flow_l_min, response.pulse_us * 1e-6, model)
    return None if max_per_m3 is None else optics_from_maximum(max_per_m3, flow_l_min, model)
