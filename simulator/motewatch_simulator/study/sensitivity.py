"""What the answers hang on: elasticities one input at a time, and rank correlations of the drawn rooms. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log

import numpy as np

from motewatch_simulator.spectra import Array
from motewatch_simulator.study import model as m
from motewatch_simulator.study.class_held import Cell, settled
from motewatch_simulator.study.room import INPUTS, Draw, StudyRoom

STEP = 1.1


@dataclass(frozen=True, slots=True)
class Influence:
    """One input on one cell. `elasticity`: percent more particles for one percent more of the input.

    `rank`: Spearman's correlation over the drawn rooms; None for an input that is not drawn.
    """

    name: str
    elasticity: float
    rank: float | None


def influences(study: m.Study, cell: Cell, columns: dict[str, Array]) -> tuple[Influence, ...]:
    """Every input, by falling rank correlation, then by elasticity."""
    found = []
    for name in INPUTS:
        up, down = (settled(StudyRoom(study, replace(Draw(), **{name: factor})), cell) for factor in (STEP, 1.0 / STEP))
        elasticity = log(up / down) / (2.0 * log(STEP)) if up > 0 and down > 0 else 0.0
        given = columns.get(f"input/{name}")
        rank = None if given is None else spearman(given, columns[f"per-m3/{cell.key}"])
        found.append(Influence(name, elasticity, rank))
    return tuple(sorted(found, key=lambda one: (-abs(one.rank or 0.0), -abs(one.elasticity), one.name)))


def spearman(a: Array, b: Array) -> float:
    """Rank correlation; 0 where one of the two does not vary. Ties get the mean of their ranks."""
    ranks_a, ranks_b = _ranks(a), _ranks(b)
    if ranks_a.std() == 0 or ranks_b.std() == 0:
        return 0.0
    return float(np.corrcoef(ranks_a, ranks_b)[0, 1])


def _ranks(values: Array) -> Array:
    _, place, count = np.unique(values, return_inverse=True, return_counts=True)
    ends = np.cumsum(count)
    result: Array = (ends - (count - 1) / 2.0)[place]
    return result
