"""The plant of a scenario as arrays: what is supplied, filtered, leaked and settled, per zone and size bin.

Zones are the rooms in the order of the scenario, then the near fields of locations. It answers for any state of doors
and fans and keeps what it has worked out. It holds no concentrations and no time.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from motewatch.site.models import Site
from motewatch_simulator import scenario as s
from motewatch_simulator.balance import Airflows, Step, step
from motewatch_simulator.deposition import Surfaces, loss_m3_s
from motewatch_simulator.filters import CLASS_PENETRATION, rated_penetration, terminal_penetration
from motewatch_simulator.pressure import leak_area_m2, leak_m3_s, share_left
from motewatch_simulator.spectra import OUTDOOR_SHAPE, Array, bin_middles_um, power_law
from motewatch_simulator.timeline import SECOND_US

ROOM_HEIGHT_M = 2.7
"""For floor areas that nobody gave (own choice)."""

_KEPT_NUMBERS = 4_000_000
"""How many matrix elements of steps to keep: 32 MB."""

_ROUNDS = 100
_TOLERANCE = 1e-12


@dataclass(frozen=True, slots=True)
class AirState:
    """Which doors stand open (by number of their connection) and what share of its supply each room gets.

    `wedged` says how far in m2, for doors that are not wide open. `drive` is the share of the fans that the pressure
    knows of, none given: all of it. Night set-back keeps the pressure, a weak fan does not; leaks follow it, as flow
    follows the root of the pressure.
    """

    open_doors: frozenset[int]
    fans: tuple[float, ...]
    drive: tuple[float, ...] = ()
    wedged: frozenset[tuple[int, float]] = frozenset()


class Plant:
    """The air side of all rooms of a scenario. Zones are columns, size bins are rows."""

    def __init__(self, site: Site, scenario: s.Scenario, sizes_um: Sequence[float]) -> None:
        plants = scenario.rooms
        volumes = {room.id: room.volume_m3 for room in site.rooms}
        self.rooms = tuple(plant.id for plant in plants)
        self.index = {room: i for i, room in enumerate(self.rooms)}
        near = [place for place in scenario.locations if place.near_m3 is not None]
        self.near_index = {place.id: len(plants) + i for i, place in enumerate(near)}
        """Column of the near field of a location that has one."""
        homes = {location.id: location.room for location in site.locations}
        self._near = [(self.index[homes[p.id]], self.near_index[p.id], p.near_exchange_m3_h / 3600.0) for p in near]
        rooms_m3 = np.array([volumes[room] for room in self.rooms], dtype=float)
        near_m3 = np.array([place.near_m3 for place in near], dtype=float)
        self.volumes_m3: Array = np.concatenate([rooms_m3, near_m3])
        self.normal = AirState(frozenset(), (1.0,) * len(plants))
        self._connections = scenario.connections
        self._leaks_m3_s = [_leak_m3_s(connection, plants, self.index) for connection in self._connections]
        self._held_by = [self._holds_against(plant) for plant in plants]
        self._leaks_m2 = [self._leak_area_m2(plant, held) for plant, held in zip(plants, self._held_by, strict=True)]
        self._supply = self._widened(np.array([p.air_changes_per_h for p in plants]) * rooms_m3 / 3600.0)

        middles = bin_middles_um(sizes_um)
        outdoors = OUTDOOR_SHAPE.times(scenario.outdoors.per_m3_at_0_5_um).bins(sizes_um)
        around = scenario.surroundings
        self.surroundings = power_law(around.per_m3_at_0_5_um, 0.5, around.slope).bins(sizes_um)
        """Per m3 in each bin, at the median of the outdoors."""
        fresh = self._widened(np.array([p.fresh_air for p in plants]))
        passed_first = self._widened(np.array([[_pre_penetration(p, d) for p in plants] for d in middles]))
        self.upstream = outdoors[:, None] * fresh * passed_first
        """Before the terminal and fine filters, from outdoors, per m3: what a leak lets through (own choice)."""
        passed = self._widened(np.array([[_plant_penetration(p, d) for p in plants] for d in middles]))
        bypass = np.array([p.leak_l_min / 60_000.0 for p in plants])
        bypass = self._widened(bypass / self._supply[: len(plants)])
        passed = bypass + (1.0 - bypass) * passed
        self._passed = passed
        self._before = outdoors[:, None] * passed_first
        """Outdoor air behind the pre-filter."""
        self._own = self._widened(np.ones(len(plants))) - fresh
        """Share of returned air in the supply, as far as there is so much."""
        self._settling = self._widened(
            np.array([[_loss_m3_s(p, v, d) for p, v in zip(plants, rooms_m3, strict=True)] for d in middles])
        )

        handlers = [p.air_handler or f"of {p.id}" for p in plants]
        self.together: Array = np.eye(len(self.volumes_m3))
        """Which rooms share an air handler."""
        self.together[: len(plants), : len(plants)] = [[float(a == b) for b in handlers] for a in handlers]

        self._flows: dict[AirState, Airflows] = {}
        self._matrices: dict[AirState, Array] = {}
        self._brought: dict[AirState, Array] = {}
        self._steps: dict[tuple[AirState, int, float], Step] = {}
        numbers = 3 * len(middles) * len(self.volumes_m3) ** 2
        self._steps_kept = max(16, _KEPT_NUMBERS // numbers)

    @property
    def settling_m3_s(self) -> Array:
        """Air that the surfaces clean per second, per bin and zone."""
        return self._settling

    def returned(self, state: AirState) -> Array:
        """Share of returned air in the supply of each zone: as set, or less where leaks leave too little to return."""
        flows = self.flows(state)
        wanted, found = (self.together @ air for air in (flows.supply * self._own, np.maximum(flows.returns, 0.0)))
        result: Array = self._own * np.minimum(1.0, found / np.where(wanted > 0, wanted, 1.0))
        return result

    def recirculated(self, state: AirState) -> Array:
        """Share of the supply that is returned air and comes through the filters, per bin and zone."""
        return self._passed * self.returned(state)

    def flows(self, state: AirState) -> Airflows:
        """All air flows between and through the zones."""
        if state not in self._flows:
            self._flows[state] = self._work_out(state)
        return self._flows[state]

    def matrix(self, state: AirState) -> Array:
        """`A` of the balance, shape (bins, zones, zones)."""
        if state not in self._matrices:
            self._matrices[state] = self.flows(state).matrix(self._settling, self.recirculated(state), self.together)
        return self._matrices[state]

    def step(self, state: AirState, dt_us: int, speed: float) -> Step:
        """The exact step over `dt_us` of clock time with rooms that run `speed` times as fast."""
        key = (state, dt_us, speed)
        if key not in self._steps:
            if len(self._steps) >= self._steps_kept:
                self._steps.clear()
            self._steps[key] = step(self.matrix(state), dt_us / SECOND_US * speed)
        return self._steps[key]

    def inputs(self, state: AirState, sources: Array, weather: float = 1.0) -> Array:
        """`b` of the balance, in 1/(m3 s): `sources` in particles/s, and what the air itself brings.

        `weather` is the present outdoor concentration over its median.
        """
        if state not in self._brought:
            flows = self.flows(state)
            supplied = self._passed * self._before * (flows.supply * (1.0 - self.returned(state)))
            self._brought[state] = supplied + self.surroundings[:, None] * flows.inward
        result: Array = (sources + weather * self._brought[state]) / self.volumes_m3
        return result

    def pressure_share(self, room: int, state: AirState, ajar: Collection[int] = ()) -> float:
        """Share of its pressure that a room keeps while doors stand open; those ajar are wide open for a moment."""
        opened_m2 = 0.0
        for i in {*state.open_doors, *ajar}:
            connection = self._connections[i]
            if i in self._held_by[room] and connection.door is not None:
                wedged = {} if i in ajar else dict(state.wedged)
                opened_m2 += wedged.get(i, connection.door.area_m2)
        # A room whose pressure or leaks nobody gave: an open door takes all of it.
        return share_left(self._leaks_m2[room], opened_m2) if opened_m2 > 0 else 1.0

    def against(self, connections: Collection[int]) -> list[int]:
        """The rooms that hold their pressure against one of these connections."""
        if not connections:
            return []
        return [room for room, held in enumerate(self._held_by) if not held.isdisjoint(connections)]

    def leak_m3_s(self, connection: int) -> float:
        """What leaks through a connection while all fans run."""
        return self._leaks_m3_s[connection]

    def _holds_against(self, plant: s.Plant) -> frozenset[int]:
        """Connections against which a room holds its pressure: to lower rooms, or to higher ones if it is negative."""
        negative = (plant.pressure_pa or 0.0) < 0
        ends = ((c.lower if negative else c.higher) for c in self._connections)
        return frozenset(i for i, end in enumerate(ends) if end == plant.id)

    def _leak_area_m2(self, plant: s.Plant, held: frozenset[int]) -> float:
        """All openings through which these leaks flow, from its flows and its set-point; 0 if not known."""
        if not plant.pressure_pa:
            return 0.0
        return leak_area_m2(sum(self._leaks_m3_s[i] for i in sorted(held)), abs(plant.pressure_pa))

    def _work_out(self, state: AirState) -> Airflows:
        n = len(self.volumes_m3)
        # Row and column n stand for the surroundings.
        leaks, swaps = np.zeros((n + 1, n + 1)), np.zeros((n + 1, n + 1))
        wedged, drive = dict(state.wedged), state.drive or state.fans
        for i, connection in enumerate(self._connections):
            high, low = self.index.get(connection.higher, n), self.index.get(connection.lower, n)
            door = connection.door
            if door is not None and i in state.open_doors:
                flow = door.standing_open_m3_s * min(1.0, wedged.get(i, door.area_m2) / door.area_m2)
                swaps[high, low] += flow
                swaps[low, high] += flow
            leaks[high, low] += self._leaks_m3_s[i] * (drive[high] if high < n else 1.0)
        for room, zone, flow in self._near:
            swaps[room, zone] += flow
            swaps[zone, room] += flow
        supply = self._supply * self._widened(np.array(state.fans))
        flows = _closed(supply, leaks) + swaps
        return Airflows(self.volumes_m3, supply, flows[:n, :n], flows[n, :n], flows[:n, n])

    def _widened(self, rooms: Array) -> Array:
        """The same with zeros for the near fields, which have neither supply nor surfaces of their own."""
        missing = len(self.near_index)
        result: Array = np.concatenate([rooms, np.zeros((*rooms.shape[:-1], missing))], axis=-1)
        return result


def _closed(supply: Array, leaks: Array) -> Array:
    """The leaks, weakened where a room would lose more than it gains (a tripped fan beside rooms that depend on it)."""
    n = len(supply)
    for _ in range(_ROUNDS):
        gained = supply + leaks[:, :n].sum(axis=0)
        lost = leaks[:n].sum(axis=1)
        short = lost > gained + _TOLERANCE
        if not short.any():
            break
        leaks[:n][short] *= (gained[short] / lost[short])[:, None]
    return leaks


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


def _leak_m3_s(connection: s.Connection, plants: Sequence[s.Plant], index: dict[str, int]) -> float:
    if connection.leak_m2 is None:
        return connection.leak_m3_h / 3600.0
    pressure_pa = plants[index[connection.higher]].pressure_pa
    assert pressure_pa is not None, "the scenario file is checked"
    return leak_m3_s(connection.leak_m2, pressure_pa)


def _pre_penetration(plant: s.Plant, size_um: float) -> float:
    if plant.pre_filter is not None:
        return rated_penetration(size_um, plant.pre_filter)
    return 1.0 - plant.pre_filter_efficiency


def _plant_penetration(plant: s.Plant, size_um: float) -> float:
    """Through fine and terminal filter."""
    fine = 1.0 - plant.fine_filter_efficiency
    if plant.fine_filter is not None:
        fine = rated_penetration(size_um, plant.fine_filter)
    at_worst = plant.terminal_penetration
    if plant.terminal_class is not None:
        at_worst = CLASS_PENETRATION[plant.terminal_class]
    return fine * terminal_penetration(size_um, at_worst, plant.penetration_floor, plant.terminal_model)


def _loss_m3_s(plant: s.Plant, volume_m3: float, size_um: float) -> float:
    floor_m2 = volume_m3 / ROOM_HEIGHT_M if plant.floor_m2 is None else plant.floor_m2
    return loss_m3_s(size_um, Surfaces.of_room(volume_m3, floor_m2), plant.friction_velocity_m_s)
