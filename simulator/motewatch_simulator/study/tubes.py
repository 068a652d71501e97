"""What lies between a place and a count: the simulator's `tubes` and `chain`, for a study's positions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from motewatch_simulator.chain import Chain
from motewatch_simulator.scenario import Tubing
from motewatch_simulator.spectra import Array, bin_middles_um
from motewatch_simulator.study import model as m
from motewatch_simulator.tubes import Tube, penetration

TRUSTED_UM = 1.0
"""Above this a tube's loss is an estimate with an uncertainty of its own, never a correction."""


def _tube(tube: m.Tube) -> Tube:
    return Tube(tube.length_m, tube.inner_mm / 1000.0, tube.bends)


def passed(position: m.Position, counter: m.Counter, sizes_um: Sequence[float]) -> Array:
    """The share of each differential bin that reaches the counter of a place."""
    if position.tube is None:
        return np.ones(len(sizes_um))
    tube = _tube(position.tube)
    return np.array([penetration(size, tube, counter.flow_l_min) for size in bin_middles_um(sizes_um)])


def optics(position: m.Position, counter: m.Counter, sizes_um: Sequence[float], rng: np.random.Generator) -> Chain:
    """One counter with real optics at a place, behind its tube; `rng` decides how it differs from others."""
    tube = position.tube
    tubing = None if tube is None else Tubing(length_m=tube.length_m, diameter_mm=tube.inner_mm, bends=tube.bends)
    return Chain(
        sizes_um,
        counter.sizes_um,
        counter.flow_l_min,
        response=counter.response,
        tubes=[tubing],
        max_per_m3=counter.max_concentration_per_m3,
        rng=rng,
    )


def arrives(position: m.Position, counter: m.Counter, size_um: float) -> float:
    """The share of particles of one size that reaches the counter."""
    return 1.0 if position.tube is None else penetration(size_um, _tube(position.tube), counter.flow_l_min)


def transit_s(position: m.Position, counter: m.Counter) -> float:
    """How long the air is under way in the tube."""
    return 0.0 if position.tube is None else _tube(position.tube).volume_m3 / (counter.flow_l_min / 60_000.0)


def cures(position: m.Position, counter: m.Counter) -> list[tuple[str, float]]:
    """What would bring more of the largest size through: changes of the tube, with the share that then arrives."""
    if position.tube is None:
        return []
    tube, size = position.tube, counter.sizes_um[-1]
    tried = [("no tube", None), ("1 m of the same tube, straight", m.Tube(length_m=1.0, inner_mm=tube.inner_mm))]
    if tube.bends:
        tried.append(("the same without bends", m.Tube(length_m=tube.length_m, inner_mm=tube.inner_mm)))
    return [(words, arrives(position.model_copy(update={"tube": other}), counter, size)) for words, other in tried]
