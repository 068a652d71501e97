"""Does the room hold its class? Drawn rooms against the limits, the simple sums beside them, air needed, recovery.

One `Chunk` of draws gives columns of numbers, so that chunks can be worked off anywhere and joined in order. The class
is held where the settled concentration at the working height is at or below the limit at every size. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import erf, exp, log, sqrt

import numpy as np

from motewatch_simulator.plant import AirState
from motewatch_simulator.spectra import Array
from motewatch_simulator.study import model as m
from motewatch_simulator.study.limits import limits_of, parts_of
from motewatch_simulator.study.room import INPUTS, Draw, StudyRoom, at_least

STATES = ("at-rest", "in-operation")
_SEARCH = 60
"""Halvings of a factor: far below a thousandth."""
_MOST = 1000.0
"""More air than this times the design is no answer."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One limit: a part of the room, a state and a size."""

    part: str
    state: str
    size_um: float
    limit_per_m3: int
    source: str

    @property
    def key(self) -> str:
        """Its name in a table of columns."""
        return f"{self.part}/{self.state}/{self.size_um:g}"


def cells(study: m.Study) -> tuple[Cell, ...]:
    """Every limit of the study that the room's air can be compared with."""
    return tuple(
        Cell(part, state, limit.size_um, limit.per_m3, limit.source)
        for part in parts_of(study)
        for state in STATES
        for limit in limits_of(study, part, at_rest=state == "at-rest")
    )


def drawn(study: m.Study, rng: np.random.Generator) -> Draw:
    """One room as it may turn out. Factors have median 1, but people have mean 1: their source figures are means."""
    u = study.uncertain

    def factor(spread: float) -> float:
        return float(np.exp(spread * rng.standard_normal()))

    # Each person's own dispersion; groups count by what they give off at 0.5 um is left out: by heads (own choice).
    heads = sum(group.count for group in study.people)
    habits = np.exp(u.persons * rng.standard_normal(max(1, heads)) - u.persons**2 / 2.0)
    return Draw(
        persons=float(habits.mean()),
        activity=factor(u.activity),
        garments=factor(u.garments),
        machines=factor(u.machines),
        outdoors=factor(u.outdoors),
        filters=factor(u.filters),
        supply=factor(u.supply),
        effectiveness=factor(u.effectiveness),
        transfer=factor(u.transfer),
    )


def chunk(study: m.Study, draws: int, rng: np.random.Generator) -> dict[str, list[float]]:
    """Columns of a chunk: each input's factor, each cell's concentration and the supply that would meet its limit.

    Supplies are factors of the design's.
    """
    wanted = cells(study)
    columns: dict[str, list[float]] = {f"input/{name}": [] for name in INPUTS if name != "settling"}
    columns |= {f"per-m3/{cell.key}": [] for cell in wanted} | {f"supply/{cell.key}": [] for cell in wanted}
    for _ in range(draws):
        draw = drawn(study, rng)
        for name in INPUTS:
            if name != "settling":
                columns[f"input/{name}"].append(getattr(draw, name))
        room = StudyRoom(study, draw)
        for cell in wanted:
            columns[f"per-m3/{cell.key}"].append(settled(room, cell))
            columns[f"supply/{cell.key}"].append(supply_factor(room, cell, cell.limit_per_m3))
    return columns


def settled(room: StudyRoom, cell: Cell, state: AirState | None = None) -> float:
    """The settled concentration of a cell, per m3."""
    mixed = room.mixed(at_rest=cell.state == "at-rest", state=state)
    return float(at_least(room.seen(cell.part, mixed), room.sizes_um, cell.size_um))


def supply_factor(room: StudyRoom, cell: Cell, target_per_m3: float) -> float:
    """The supply, as a factor of the design's, at which the cell is at its target; 0 or infinite where none is."""
    sources = room.sources(at_rest=cell.state == "at-rest")
    once, twice = room.state(1.0), room.state(2.0)
    # Loss and gain are straight lines in the supply, so two states give every other.
    loss_1, gain_1 = room.loss(once), room.gain(sources, once)
    loss_slope, gain_slope = room.loss(twice) - loss_1, room.gain(sources, twice) - gain_1

    def above(factor: float) -> bool:
        mixed = (gain_1 + (factor - 1.0) * gain_slope) / (loss_1 + (factor - 1.0) * loss_slope)
        return bool(at_least(room.seen(cell.part, mixed), room.sizes_um, cell.size_um) > target_per_m3)

    low, high = 1e-3, _MOST
    if above(high):
        return float("inf")
    if not above(low):
        return 0.0
    for _ in range(_SEARCH):
        middle = sqrt(low * high)
        low, high = (middle, high) if above(middle) else (low, middle)
        if high / low < 1.0 + 1e-5:
            break
    return high


def simple_supply_m3_s(source_per_s: float, limit_per_m3: float, effectiveness: float, safety: float) -> float:
    """`Q = G / (eps C_limit / safety)`: the recommended simple method."""
    return source_per_s / (effectiveness * limit_per_m3 / safety)


def exceeded(median_share: float, sd_ln: float) -> float:
    """How often a lognormal concentration is above its limit, from its median as a share of the limit."""
    if sd_ln == 0:
        return float(median_share > 1.0)
    return 0.5 * (1.0 + erf(log(median_share) / sd_ln / sqrt(2.0)))


def recovery_min(room: StudyRoom, part: str, size_um: float, limit_per_m3: float) -> float:
    """Minutes until a part is at its limit at rest after people have left: exact decay of every bin.

    Infinite where it never is. The zone clears within its transit, so what it waits for is the room.
    """
    start, end = room.mixed(at_rest=False), room.mixed(at_rest=True)
    rates = room.loss() * min(1.0, room.effectiveness)

    def above(minutes: float) -> bool:
        now = end + (start - end) * np.exp(-rates * (minutes * 60.0))
        return bool(at_least(room.seen(part, now), room.sizes_um, size_um) > limit_per_m3)

    if not above(0.0):
        return 0.0
    low, high = 0.0, 24 * 60.0
    if above(high):
        return float("inf")
    for _ in range(_SEARCH):
        middle = (low + high) / 2.0
        low, high = (middle, high) if above(middle) else (low, middle)
    return high


def hundredth_min(room: StudyRoom, size_um: float) -> float:
    """Minutes for 100:1 without a background, of the bin that starts at the size (ISO 14644-3's recovery test)."""
    rate = float(room.loss()[room.sizes_um.index(size_um)]) * min(1.0, room.effectiveness)
    return log(100.0) / rate / 60.0


def wilson(found: int, tried: int) -> tuple[float, float]:
    """The 95 % interval of a share (Wilson's score interval)."""
    if tried == 0:
        return 0.0, 1.0
    z, share = 1.959964, found / tried
    middle = (share + z * z / (2 * tried)) / (1 + z * z / tried)
    half = z * sqrt(share * (1 - share) / tried + z * z / (4 * tried * tried)) / (1 + z * z / tried)
    return max(0.0, middle - half), min(1.0, middle + half)


def joined(chunks: Sequence[dict[str, list[float]]]) -> dict[str, Array]:
    """Chunks one after the other, as arrays."""
    return {key: np.concatenate([np.asarray(one[key], dtype=float) for one in chunks]) for key in chunks[0]}


def geometric(values: Array) -> tuple[float, float]:
    """Median and standard deviation of the logarithm."""
    logs = np.log(np.maximum(values, 1e-12))
    return exp(float(np.median(logs))), float(logs.std())
