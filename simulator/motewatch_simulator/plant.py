"""The plant of a scenario as arrays: what is supplied, filtered, leaked and settled, per room and size bin.

It answers for any state of doors and fans and keeps what it has worked out. It holds no concentrations and no time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from motewatch.site.models import Site
from motewatch_simulator import scenario as s
from motewatch_simulator.balance import Airflows, Step, step
from motewatch_simulator.spectra import (
    OUTDOOR_SHAPE,
    Array,
    bin_middles_um,
    filter_penetration,
    power_law,
    settling_velocity_m_s,
)
from motewatch_simulator.timeline import SECOND_US

ROOM_HEIGHT_M = 2.7
"""For floor areas that nobody gave (own choice)."""

_KEPT_NUMBERS = 4_000_000
"""How many matrix elements of steps to keep: 32 MB."""


@dataclass(frozen=True, slots=True)
class AirState:
    """Which doors stand open (by number of their connection) and what share of its supply each room gets."""

    open_doors: frozenset[int]
    fans: tuple[float, ...]


class Plant:
    """The air side of all rooms of a scenario. Rooms are columns, size bins are rows."""

    def __init__(self, site: Site, scenario: s.Scenario, sizes_um: Sequence[float]) -> None:
        plants = scenario.rooms
        volumes = {room.id: room.volume_m3 for room in site.rooms}
        self.rooms = tuple(plant.id for plant in plants)
        self.index = {room: i for i, room in enumerate(self.rooms)}
        self.volumes_m3 = np.array([volumes[room] for room in self.rooms], dtype=float)
        self.normal = AirState(frozenset(), (1.0,) * len(plants))
        self._connections = scenario.connections
        self._supply = np.array([p.air_changes_per_h for p in plants]) * self.volumes_m3 / 3600.0

        middles = bin_middles_um(sizes_um)
        outdoors = OUTDOOR_SHAPE.times(scenario.outdoors.per_m3_at_0_5_um).bins(sizes_um)
        around = scenario.surroundings
        self.surroundings = power_law(around.per_m3_at_0_5_um, 0.5, around.slope).bins(sizes_um)
        """Per m3 in each bin."""
        fresh = np.array([p.fresh_air for p in plants])
        kept_back = np.array([p.pre_filter_efficiency for p in plants])
        self.upstream = outdoors[:, None] * (fresh * (1.0 - kept_back))
        """Before the terminal filters, from outdoors, per m3: what a leak lets through."""
        passed = np.array([[_penetration(p, size) for p in plants] for size in middles])
        self._clean_side = passed * self.upstream
        self._recirculated = passed * (1.0 - fresh)
        floors = [_floor_m2(p, v) for p, v in zip(plants, self.volumes_m3, strict=True)]
        velocities = np.array([settling_velocity_m_s(size) for size in middles])
        self._settling = velocities[:, None] * np.array(floors)

        self._flows: dict[AirState, Airflows] = {}
        self._matrices: dict[AirState, Array] = {}
        self._steps: dict[tuple[AirState, int, float], Step] = {}
        numbers = 3 * len(middles) * len(plants) ** 2
        self._steps_kept = max(16, _KEPT_NUMBERS // numbers)

    def flows(self, state: AirState) -> Airflows:
        """All air flows between and through the rooms."""
        if state not in self._flows:
            self._flows[state] = self._work_out(state)
        return self._flows[state]

    def matrix(self, state: AirState) -> Array:
        """`A` of the balance, shape (bins, rooms, rooms)."""
        if state not in self._matrices:
            self._matrices[state] = self.flows(state).matrix(self._settling, self._recirculated)
        return self._matrices[state]

    def step(self, state: AirState, dt_us: int, speed: float) -> Step:
        """The exact step over `dt_us` of clock time with rooms that run `speed` times as fast."""
        key = (state, dt_us, speed)
        if key not in self._steps:
            if len(self._steps) >= self._steps_kept:
                self._steps.clear()
            self._steps[key] = step(self.matrix(state), dt_us / SECOND_US * speed)
        return self._steps[key]

    def inputs(self, state: AirState, sources: Array) -> Array:
        """`b` of the balance, in 1/(m3 s): `sources` in particles/s, and what the air itself brings."""
        flows = self.flows(state)
        brought = self._clean_side * flows.supply + self.surroundings[:, None] * flows.inward
        result: Array = (sources + brought) / self.volumes_m3
        return result

    def _work_out(self, state: AirState) -> Airflows:
        n = len(self.rooms)
        between, inward, outward = np.zeros((n, n)), np.zeros(n), np.zeros(n)
        for i, connection in enumerate(self._connections):
            high, low = self.index.get(connection.higher), self.index.get(connection.lower)
            door = connection.door
            standing = door.standing_open_m3_s if door is not None and i in state.open_doors else 0.0
            leak = connection.leak_m3_h / 3600.0
            for a, b, flow in ((high, low, leak + standing), (low, high, standing)):
                if a is not None and b is not None:
                    between[a, b] += flow
                elif a is not None:
                    outward[a] += flow
                elif b is not None:
                    inward[b] += flow
        return Airflows(self.volumes_m3, self._supply * np.array(state.fans), between, inward, outward)


def exchange(
    concentrations: Array, volumes_m3: Array, a: int | None, b: int | None, surroundings: Array, volume_m3: float
) -> Array:
    """Concentrations after `volume_m3` of air changed places between rooms a and b (None: the surroundings).

    `dC = V_x (C_other - C) / V` for each room, so particles are conserved. Never more than half of a room moves.
    """
    result = concentrations.copy()
    moved = min([volume_m3, *(float(volumes_m3[room]) / 2.0 for room in (a, b) if room is not None)])
    air_a, air_b = (surroundings if room is None else concentrations[:, room] for room in (a, b))
    for room, own, other in ((a, air_a, air_b), (b, air_b, air_a)):
        if room is not None:
            result[:, room] += moved * (other - own) / volumes_m3[room]
    return result


def _penetration(plant: s.Plant, size_um: float) -> float:
    terminal = filter_penetration(size_um, plant.terminal_penetration, plant.penetration_floor)
    return (1.0 - plant.fine_filter_efficiency) * terminal


def _floor_m2(plant: s.Plant, volume_m3: float) -> float:
    return float(volume_m3) / ROOM_HEIGHT_M if plant.floor_m2 is None else plant.floor_m2
