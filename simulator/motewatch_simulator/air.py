"""The rooms of a scenario, alive: how many particles hang in their air, which doors stand open, how warm it is.

It is moved on by `advance(to)` and never further than `next_edge_us()`, because between two edges nothing changes and
the balance is exact; or by `stretch(marks)` to `next_event_us()` at most, over all that people do meanwhile. Knows
nothing of sensors, messages or wall time.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import partial
from zoneinfo import ZoneInfo

import numpy as np

from motewatch.site.models import Site
from motewatch_simulator import scenario as s
from motewatch_simulator.agenda import Agenda
from motewatch_simulator.balance import advance_through, steady
from motewatch_simulator.climate import Gains, RoomClimate
from motewatch_simulator.climates import Acting, Climates
from motewatch_simulator.outdoors import LogWander, Measured, Wandering, step_correlation
from motewatch_simulator.plant import AirState, Plant, exchange
from motewatch_simulator.sight import Sight
from motewatch_simulator.sources import Sources
from motewatch_simulator.spectra import Array
from motewatch_simulator.supply import Supply
from motewatch_simulator.timeline import SECOND_US, Active, Timeline

CRITICAL_FLOW_M3_S = 0.4
"""A net flow through a door that stops nearly all exchange (own choice: 0.2 m/s over a door of 2 m2)."""

OUTDOOR_STEP_S = 600
"""How often the outdoor air changes where it wanders (own choice)."""


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
        self.now_us = self._start_us = start_us
        self._scenario = scenario
        self._timeline = timeline
        self._speed = physics_speed
        self.sizes_um = tuple(sizes_um)
        """Lower edges of the size bins."""
        people_rng, self._door_rng, climate_rng, shift_rng, tool_rng, outdoor_rng = rng.spawn(6)

        self._plant = plant = Plant(site, scenario, sizes_um)
        self._agenda = Agenda(start_us, grid_us, physics_speed)
        self._supply = Supply(scenario, site.site.time_zone)
        self._sources = Sources(
            scenario,
            plant,
            self.sizes_um,
            self._agenda,
            site.site.time_zone,
            people_rng=people_rng,
            shift_rng=shift_rng,
            tool_rng=tool_rng,
        )
        self._sight = Sight(site, scenario, plant, self.sizes_um)
        self._climates = Climates(scenario.rooms, climate_rng)
        self._ajar_until_us: dict[int, int] = {}
        """Doors that a passage holds open for a moment, by connection; its pulse has moved their air already."""
        for i, connection in enumerate(scenario.connections):
            self._plan_passage(i, connection.door)
        self._zone_info = ZoneInfo(site.site.time_zone)
        self._weather: Wandering | Measured | None = None
        self.outdoor_factor = 1.0
        """The present outdoor concentration over its median."""
        outdoors = scenario.outdoors
        if outdoors.hourly_per_m3_at_0_5_um:
            self._weather = Measured(outdoors.hourly_per_m3_at_0_5_um, outdoors.per_m3_at_0_5_um)
        elif outdoors.wanders:
            phi = step_correlation(outdoors.hourly_correlation, OUTDOOR_STEP_S)
            self._weather = Wandering(LogWander(outdoors.log_sd, phi, outdoor_rng))
        self._turn_weather()

        self._gains_key: object = None
        self._gains: list[tuple[float, float, float]] = []
        self._told_key: object = None
        self._open_before: frozenset[int] = frozenset()
        self._state = plant.normal
        self._settle(timeline.active(start_us))
        # The stream starts where the rooms settle on an ordinary day.
        mean = plant.inputs(plant.normal, self._sources.particles([], 1.0, mean=True), self.outdoor_factor)
        self.concentrations = steady(plant.matrix(plant.normal), mean)
        """Per cubic metre in each bin (rows) and zone (columns: rooms, then near fields)."""

    @property
    def locations(self) -> tuple[str, ...]:
        """The sampling locations in the order of the columns that `advance` returns."""
        return self._sight.locations

    @property
    def rooms(self) -> tuple[str, ...]:
        """The rooms in the order of the first columns of `concentrations`."""
        return self._plant.rooms

    def climate(self, room: str) -> RoomClimate:
        """The climate of a room at `now_us`."""
        return self._climates.at(self._plant.index[room], self._physical_s())

    def present(self, room: str) -> int:
        """Persons in a room at `now_us`."""
        return self._sources.present()[self._plant.index[room]]

    def next_edge_us(self) -> int | None:
        """The next instant at which something in the rooms changes; `advance` must not go beyond it."""
        edges = (self.next_event_us(), self._sources.next_us())
        return min((edge for edge in edges if edge is not None), default=None)

    def next_event_us(self) -> int | None:
        """The same, for everything but people who change what they do; `stretch` must not go beyond it."""
        edges = (
            self._agenda.next_us(),
            self._timeline.next_edge_us(self.now_us),
            self._supply.next_edge_us(self.now_us, self._timeline.active(self.now_us)),
        )
        return min((edge for edge in edges if edge is not None), default=None)

    def advance(self, to_us: int) -> Array:
        """Let time pass; returns what each location's air held, as the integral of concentration over clock seconds.

        Shape (bins, locations), particles x s / m3: times a flow in m3/s it is the expected count.
        """
        active = self._timeline.active(self.now_us)
        seconds = (to_us - self.now_us) / SECOND_US
        step = self._plant.step(self._state, to_us - self.now_us, self._speed)
        inputs = self._plant.inputs(self._state, self._given_off(active), self.outdoor_factor)
        self.concentrations, integral = step.advance(self.concentrations, inputs)
        seen = self._sight.seen(active, self._sources, self.outdoor_factor, integral / self._speed, seconds)
        self._act_on_climate(active)
        self._arrive(to_us)
        return seen

    def stretch(self, marks_us: Sequence[int]) -> tuple[list[int], Array]:
        """Let time pass until the last mark, in steps that end at each mark and wherever a person changes.

        Returns when the steps end and what each location's air held in each: the same to the last bit as by `advance`,
        in a fraction of its time. What acts on the climate is what acts at the beginning.
        """
        active = self._timeline.active(self.now_us)
        starts_us, given_off = self._sources.during(active, self.outdoor_factor, self.now_us, marks_us)
        ends_us = np.append(starts_us[1:], marks_us[-1])
        lasts_us, which = np.unique(ends_us - starts_us, return_inverse=True)
        steps = [self._plant.step(self._state, dt_us, self._speed) for dt_us in lasts_us.tolist()]
        inputs = self._plant.inputs(self._state, self._with_interventions(given_off, active), self.outdoor_factor)
        self.concentrations, integrals = advance_through(steps, which, self.concentrations, inputs)
        seconds = (ends_us - starts_us) / SECOND_US
        seen = self._sight.seen(active, self._sources, self.outdoor_factor, integrals / self._speed, seconds)
        self._act_on_climate(active)
        self._arrive(marks_us[-1])
        return ends_us.tolist(), seen

    def _arrive(self, to_us: int) -> None:
        """It is later now: do what is due."""
        self.now_us = to_us
        self._agenda.advance(to_us)
        self._sources.advance(to_us)
        self._settle(self._timeline.active(to_us))

    # -- what changes by itself

    def _turn_weather(self) -> None:
        if self._weather is None:
            return
        now_us = self._agenda.now_us
        local = datetime.fromtimestamp(now_us // SECOND_US, self._zone_info)
        passed_h = (now_us - self._start_us) / SECOND_US / 3600.0
        self.outdoor_factor = self._weather.next(passed_h, local.hour + local.minute / 60.0)
        self._agenda.at(now_us + OUTDOOR_STEP_S * SECOND_US, self._turn_weather)

    def _plan_passage(self, which: int, door: s.Door | None) -> None:
        if door is not None and door.passages_per_h > 0:
            wait_s = float(self._door_rng.exponential(3600.0 / door.passages_per_h))
            self._agenda.after(wait_s, partial(self._pass, which, door))

    def _pass(self, which: int, door: s.Door) -> None:
        """Somebody goes through a door: a pulse of air each way, and the door is ajar for a while."""
        connection = self._scenario.connections[which]
        high, low = (self._plant.index.get(room) for room in (connection.higher, connection.lower))
        volume = door.exchange_m3 * float(np.exp(door.exchange_spread * self._door_rng.standard_normal()))
        volume *= max(0.1, 1.0 - self._plant.leak_m3_s(which) / CRITICAL_FLOW_M3_S)
        around = self._plant.surroundings * self.outdoor_factor
        self.concentrations = exchange(self.concentrations, self._plant.volumes_m3, high, low, around, volume)
        self._ajar_until_us[which] = self._agenda.after(door.opening_s, partial(self._shut, which))
        self._plan_passage(which, door)

    def _shut(self, which: int) -> None:
        # Another passage may have caught the door before it fell shut.
        if self._ajar_until_us[which] <= self._agenda.now_us:
            del self._ajar_until_us[which]

    # -- one step

    def _settle(self, active: list[Active]) -> None:
        """Which doors incidents hold open, what the fans move: the state of the air until the next edge."""
        held = {(x.incident.higher, x.incident.lower): x.incident for x in active if isinstance(x.incident, s.DoorOpen)}
        opened: set[int] = set()
        wedged: dict[int, float] = {}
        for i, connection in enumerate(self._scenario.connections):
            incident = held.get((connection.higher, connection.lower))
            if incident is not None and connection.door is not None:
                opened.add(i)
                if incident.open_m2 is not None:
                    wedged[i] = incident.open_m2
        drive = self._supply.faults(active)
        self._set_back = self._supply.set_back(self.now_us)
        fans = self._supply.shares(drive, self._set_back)
        state = AirState(frozenset(opened), fans, drive, frozenset(wedged.items()))
        if state != self._state:
            # Else the one that is known stays: what is kept by it is found without comparing.
            self._state = state

    def _given_off(self, active: list[Active]) -> Array:
        return self._with_interventions(self._sources.particles(active, self.outdoor_factor), active)

    def _with_interventions(self, sources: Array, active: list[Active]) -> Array:
        for x in active:
            if isinstance(x.incident, s.Intervention):
                # What a zone's air carries off ends in its room.
                sources[..., self._sight.room_of[x.incident.location]] += self._sight.intervention(x.incident)
        return sources

    def _act_on_climate(self, active: list[Active]) -> None:
        """What acts on the climate of each room until the next edge, told where it may have changed."""
        drifts = [x for x in active if isinstance(x.incident, s.TemperatureDrift | s.HumidityDrift)]
        key = (self._sources.changes, self._state, self._set_back, tuple(x.index for x in active))
        if key != self._gains_key or drifts:
            self._gains_key, self._gains = key, self._gained(active, drifts)
        open_now = frozenset(self._ajar_until_us) | self._state.open_doors
        told = key == self._told_key and not drifts
        rooms = self._plant.against(open_now ^ self._open_before) if told else range(len(self._gains))
        self._told_key, self._open_before = key, open_now
        drive = self._state.drive or self._state.fans
        for i in rooms:
            warmer, wetter, moister = self._gains[i]
            pressure = drive[i] ** 2 * self._plant.pressure_share(i, self._state, self._ajar_until_us)
            self._climates.act(i, Acting(warmer, wetter, moister, pressure), self._physical_s())

    def _gained(self, active: list[Active], drifts: list[Active]) -> list[tuple[float, float, float]]:
        """How much warmer, wetter (by the plant) and moister (by people) each room is held."""
        heat_w, moisture_g_h = self._sources.gains(active)
        supply = self._plant.flows(self._state).supply
        result = []
        for i, plant in enumerate(self._scenario.rooms):
            gains = Gains.in_room(float(heat_w[i]), float(moisture_g_h[i]), float(supply[i]))
            warmer = gains.warmer_c + plant.setback_warmer_c * self._set_back[i]
            wetter = 0.0
            for x in drifts:
                if isinstance(x.incident, s.TemperatureDrift) and x.incident.room == plant.id:
                    warmer += x.incident.change_c * x.ramp(x.incident.ramp_s)
                elif isinstance(x.incident, s.HumidityDrift) and x.incident.room == plant.id:
                    wetter += x.incident.change_pct * x.ramp(x.incident.ramp_s)
            result.append((warmer, wetter, gains.moister_pa))
        return result

    def _physical_s(self) -> float:
        """Physical time since the start."""
        return (self.now_us - self._start_us) / SECOND_US * self._speed
