"""The rooms of a scenario, alive: who works where, which doors stand open, how many particles hang in the air.

It is moved on by `advance(to)` and never further than `next_edge_us()`, because between two edges nothing changes and
the balance is exact. The instants at which people change what they do, and doors are passed, lie on a grid of a tenth
of the shortest reading interval, so that few different steps are needed and their matrices can be kept (own choice).
Knows nothing of sensors, messages or wall time.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence

import numpy as np

from motewatch.site.models import Site
from motewatch_simulator import scenario as s
from motewatch_simulator.balance import steady
from motewatch_simulator.climate import ClimateSettings, RoomClimate
from motewatch_simulator.people import Person
from motewatch_simulator.plant import AirState, Plant, exchange
from motewatch_simulator.spectra import GARMENTS, OUTDOOR_SHAPE, Array, power_law
from motewatch_simulator.timeline import SECOND_US, Active, Timeline

CRITICAL_FLOW_M3_S = 0.4
"""A net flow through a door that stops nearly all exchange (own choice: 0.2 m/s over a door of 2 m2)."""


class Air:
    """The state of all rooms at `now_us`."""

    def __init__(
        self,
        site: Site,
        scenario: s.Scenario,
        sizes_um: Sequence[float],
        timeline: Timeline,
        *,
        rng: np.random.Generator,
        start_us: int,
        physics_speed: float,
        grid_us: int,
    ) -> None:
        self.now_us = start_us
        self._scenario = scenario
        self._timeline = timeline
        self._speed = physics_speed
        self._grid_us = grid_us
        self._sizes_um = tuple(sizes_um)
        people_rng, self._door_rng, climate_rng = rng.spawn(3)

        self._plant = plant = Plant(site, scenario, sizes_um)
        self._garments = {name: source.bins(sizes_um) for name, source in GARMENTS.items()}
        self._machines = np.zeros((len(self._sizes_um), len(plant.rooms)))
        for machine in scenario.machines:
            source = power_law(machine.per_min_at_0_5_um / 60.0, 0.5, machine.slope)
            self._machines[:, plant.index[machine.room]] += source.bins(sizes_um)
        self._build_places(site)
        self._persons = [
            (Person(group.activity, scenario.scenario.person_spread, one), plant.index[group.room], group.garment)
            for group in scenario.people
            for one in people_rng.spawn(group.count)
        ]
        self._climates = {
            room.id: RoomClimate(_climate_settings(room), one)
            for room, one in zip(scenario.rooms, climate_rng.spawn(len(scenario.rooms)), strict=True)
        }

        self._ajar_until_us: dict[int, int] = {}
        """Doors that a passage holds open for a moment, by connection; its pulse has moved their air already."""
        self._happenings: list[tuple[int, int, str, int]] = []
        """What changes by itself, as a heap: (when, order of planning, what, which)."""
        self._planned = 0
        for i, (person, _, _) in enumerate(self._persons):
            self._plan_change(i, person)
        for i, connection in enumerate(scenario.connections):
            self._plan_passage(i, connection.door)

        self._air = self._air_state(timeline.active(start_us))
        # The stream starts where the rooms settle on an ordinary day.
        mean = plant.inputs(plant.normal, self._sources([], mean=True))
        self.concentrations = steady(plant.matrix(plant.normal), mean)
        """Per cubic metre in each bin (rows) and room (columns)."""

    @property
    def locations(self) -> tuple[str, ...]:
        """The sampling locations in the order of the columns that `advance` returns."""
        return self._locations

    def climate(self, room: str) -> RoomClimate:
        """The climate of a room at `now_us`."""
        return self._climates[room]

    def next_edge_us(self) -> int | None:
        """The next instant at which something in the rooms changes; `advance` must not go beyond it."""
        edges = [self._happenings[0][0]] if self._happenings else []
        incident = self._timeline.next_edge_us(self.now_us)
        return min([*edges, incident] if incident is not None else edges, default=None)

    def advance(self, to_us: int) -> Array:
        """Let time pass; returns what each location's air held, as the integral of concentration over clock seconds.

        Shape (bins, locations), particles x s / m3: times a flow in m3/s it is the expected count.
        """
        active = self._timeline.active(self.now_us)
        seconds = (to_us - self.now_us) / SECOND_US
        step = self._plant.step(self._air, to_us - self.now_us, self._speed)
        inputs = self._plant.inputs(self._air, self._sources(active))
        self.concentrations, integral = step.advance(self.concentrations, inputs)
        seen = self._seen(active, integral / self._speed, seconds)
        self._advance_climate(active, seconds * self._speed)
        self.now_us = to_us
        while self._happenings and self._happenings[0][0] <= to_us:
            _, _, what, which = heapq.heappop(self._happenings)
            self._happen(what, which)
        self._air = self._air_state(self._timeline.active(to_us))
        return seen

    # -- what changes by itself

    def _plan(self, after_s: float, what: str, which: int) -> int:
        """Put a change so many physical seconds ahead, on the grid; returns when."""
        steps = max(1, round(after_s / self._speed * SECOND_US / self._grid_us))
        at_us = (self.now_us // self._grid_us + steps) * self._grid_us
        self._planned += 1
        heapq.heappush(self._happenings, (at_us, self._planned, what, which))
        return at_us

    def _plan_change(self, which: int, person: Person) -> None:
        hold_s = person.hold_s()
        if hold_s is not None:
            self._plan(hold_s, "change", which)

    def _plan_passage(self, which: int, door: s.Door | None) -> None:
        if door is not None and door.passages_per_h > 0:
            self._plan(float(self._door_rng.exponential(3600.0 / door.passages_per_h)), "passage", which)

    def _happen(self, what: str, which: int) -> None:
        if what == "change":
            person = self._persons[which][0]
            person.change()
            self._plan_change(which, person)
        elif what == "passage":
            self._pass(which)
        elif self._ajar_until_us[which] <= self.now_us:
            # Another passage may have caught the door before it fell shut.
            del self._ajar_until_us[which]

    def _pass(self, which: int) -> None:
        """Somebody goes through a door: a pulse of air each way, and the door is ajar for a while."""
        connection = self._scenario.connections[which]
        door = connection.door
        assert door is not None, "only doors have passages"
        volume = door.exchange_m3 * float(np.exp(door.exchange_spread * self._door_rng.standard_normal()))
        volume *= max(0.1, 1.0 - connection.leak_m3_h / 3600.0 / CRITICAL_FLOW_M3_S)
        index = self._plant.index
        self.concentrations = exchange(
            self.concentrations,
            self._plant.volumes_m3,
            index.get(connection.higher),
            index.get(connection.lower),
            self._plant.surroundings,
            volume,
        )
        self._ajar_until_us[which] = self._plan(door.opening_s, "shut", which)
        self._plan_passage(which, door)

    # -- one step

    def _air_state(self, active: list[Active]) -> AirState:
        """Which doors incidents hold open and which fans run slow."""
        held = {(x.incident.higher, x.incident.lower) for x in active if isinstance(x.incident, s.DoorOpen)}
        shares = [1.0] * len(self._plant.rooms)
        for x in active:
            if isinstance(x.incident, s.SupplyDrop):
                room = self._plant.index[x.incident.room]
                shares[room] = min(shares[room], x.incident.share)
        open_doors = (i for i, c in enumerate(self._scenario.connections) if (c.higher, c.lower) in held)
        return AirState(frozenset(open_doors), tuple(shares))

    def _sources(self, active: list[Active], *, mean: bool = False) -> Array:
        """What people, machines and incidents give off, in particles/s per bin and room."""
        sources = self._machines.copy()
        for person, room, garment in self._persons:
            sources[:, room] += self._garments[garment] * (person.mean_strength() if mean else person.strength)
        for x in active:
            incident = x.incident
            if isinstance(incident, s.GowningBurst):
                strength = incident.people * incident.activity
                sources[:, self._plant.index[incident.room]] += self._garments[incident.garment] * strength
            elif isinstance(incident, s.FilterLeak):
                room = self._plant.index[incident.room]
                sources[:, room] += self._plant.upstream[:, room] * (incident.bypass_l_min / 60_000.0)
        return sources

    def _build_places(self, site: Site) -> None:
        known = {place.id: place for place in self._scenario.locations}
        here = [location for location in site.locations if location.room in self._plant.index]
        self._locations = tuple(location.id for location in here)
        places = [known.get(location.id) or s.Place(id=location.id) for location in here]
        self._room_of = np.array([self._plant.index[location.room] for location in here], dtype=np.intp)
        self._share = np.array([1.0 / p.effectiveness if p.transfer is None else p.transfer for p in places])
        self._own_supply = np.zeros((len(self._sizes_um), len(places)))
        for i, place in enumerate(places):
            if place.supply_per_m3_at_0_5_um > 0:
                self._own_supply[:, i] = OUTDOOR_SHAPE.times(place.supply_per_m3_at_0_5_um).bins(self._sizes_um)

    def _seen(self, active: list[Active], rooms: Array, seconds: float) -> Array:
        """What the locations see, from the integrals of their rooms."""
        seen: Array = rooms[:, self._room_of] * self._share + self._own_supply * seconds
        for x in active:
            if isinstance(x.incident, s.Intervention):
                source = power_law(x.incident.per_s_at_0_5_um, 0.5, x.incident.slope).bins(self._sizes_um)
                seen[:, self._locations.index(x.incident.location)] += source * (x.incident.chi_s_m3 * seconds)
        return seen

    def _advance_climate(self, active: list[Active], dt_s: float) -> None:
        rooms = self._plant.rooms
        warmer, wetter = dict.fromkeys(rooms, 0.0), dict.fromkeys(rooms, 0.0)
        pressure = {room: fan**2 for room, fan in zip(rooms, self._air.fans, strict=True)}
        for i in (*self._air.open_doors, *self._ajar_until_us):
            # The higher room holds its pressure against this door; the lower one holds its own against the next.
            higher = self._scenario.connections[i].higher
            if higher in pressure:
                pressure[higher] = 0.0
        for x in active:
            if isinstance(x.incident, s.TemperatureDrift):
                warmer[x.incident.room] += x.incident.change_c * x.ramp(x.incident.ramp_s)
            elif isinstance(x.incident, s.HumidityDrift):
                wetter[x.incident.room] += x.incident.change_pct * x.ramp(x.incident.ramp_s)
        for room, climate in self._climates.items():
            climate.advance(dt_s, warmer_c=warmer[room], wetter_pct=wetter[room], pressure_share=pressure[room])


def _climate_settings(plant: s.Plant) -> ClimateSettings:
    return ClimateSettings(
        plant.temperature_c,
        plant.humidity_pct,
        plant.pressure_pa,
        plant.temperature_tau_min * 60.0,
        plant.humidity_tau_min * 60.0,
        plant.pressure_tau_s,
    )
