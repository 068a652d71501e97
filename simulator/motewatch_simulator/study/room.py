"""A study's room as physics: the simulator's plant with one room, at any state, for nominal or drawn inputs.

All formulas are those of `plant`, `balance`, `spectra`, `people` and `zones`; here they are only put together.
Concentrations are per m3 in differential bins; `at_least` sums them up to sizes. Knows no limits and no counters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from math import hypot

import numpy as np

from motewatch.site.models import Site
from motewatch_simulator import scenario as s
from motewatch_simulator.balance import steady
from motewatch_simulator.people import LEVELS, SHARES
from motewatch_simulator.plant import AirState, Plant
from motewatch_simulator.response import fine_grid
from motewatch_simulator.spectra import GARMENTS, Array, power_law
from motewatch_simulator.study import model as m
from motewatch_simulator.study.limits import limits_of, parts_of
from motewatch_simulator.zones import chi_s_m3

FINE_UM = (1.0, 2.0, 3.0, 10.0)
"""Bin edges beside the sizes that are counted or limited, so that settling and filters see the size (own choice)."""

MEAN_ACTIVITY = sum(level * share for level, share in zip(LEVELS, SHARES, strict=True))


@dataclass(frozen=True, slots=True)
class Draw:
    """Each uncertain input as a factor of its nominal value."""

    persons: float = 1.0
    activity: float = 1.0
    garments: float = 1.0
    machines: float = 1.0
    outdoors: float = 1.0
    filters: float = 1.0
    supply: float = 1.0
    effectiveness: float = 1.0
    transfer: float = 1.0
    settling: float = 1.0
    """Never drawn: for its elasticity only."""


NOMINAL = Draw()
INPUTS = tuple(field.name for field in fields(Draw))


def sizes_of(study: m.Study) -> tuple[float, ...]:
    """The bin edges: whatever is counted or limited, and some between and above; finer where optics matter."""
    sizes = set(study.counter.sizes_um)
    for part in parts_of(study):
        sizes |= {limit.size_um for at_rest in (True, False) for limit in limits_of(study, part, at_rest=at_rest)}
    low = min(sizes)
    wanted = tuple(sorted(sizes | {size for size in FINE_UM if size > low}))
    return wanted if study.counter.response is None else fine_grid(wanted)


def at_least(bins: Array, sizes_um: Sequence[float], size_um: float) -> Array:
    """The concentration at or above a size that is one of the edges; bins are the last axis."""
    result: Array = bins[..., list(sizes_um).index(size_um) :].sum(axis=-1)
    return result


class StudyRoom:
    """One room with one draw of its inputs."""

    def __init__(self, study: m.Study, draw: Draw = NOMINAL, exchange_m3_h: float = 0.0) -> None:
        """`exchange_m3_h` goes both ways through an open door, beside what always leaks in."""
        room = study.room
        self.study, self.draw = study, draw
        self.sizes_um = sizes_of(study)
        self.volume_m3 = room.area_m2 * room.height_m
        inflow_m3_h = room.inflow_m3_h + exchange_m3_h
        plant = s.Plant(
            id="room",
            air_changes_per_h=room.air_changes_per_h * draw.supply,
            fresh_air=room.fresh_air,
            pre_filter_efficiency=room.pre_filter_efficiency,
            fine_filter_efficiency=1.0 - min(1.0, (1.0 - room.fine_filter_efficiency) * draw.filters),
            terminal_penetration=room.terminal_penetration,
            penetration_floor=room.penetration_floor,
            floor_m2=room.area_m2 * draw.settling,
        )
        around = study.air
        scenario = s.Scenario(
            format=1,
            scenario=s.Head(name="study"),
            outdoors=s.Outdoors(per_m3_at_0_5_um=around.outdoors_per_m3_at_0_5_um * draw.outdoors),
            surroundings=s.Surroundings(per_m3_at_0_5_um=around.surroundings_per_m3_at_0_5_um * draw.outdoors),
            rooms=(plant,),
            connections=(s.Connection(higher=s.SURROUNDINGS, lower="room", leak_m3_h=inflow_m3_h),),
        )
        self.plant = Plant(_site(self.volume_m3), scenario, self.sizes_um)
        self.effectiveness = room.effectiveness * draw.effectiveness

    @cached_property
    def people(self) -> Array:
        """What the people give off in the mean of a shift, particles/s in each bin."""
        total = np.zeros(len(self.sizes_um))
        for group in self.study.people:
            activity = MEAN_ACTIVITY if group.activity is None else group.activity
            total += GARMENTS[group.garment].bins(self.sizes_um) * (group.count * activity)
        return total * (self.draw.persons * self.draw.activity * self.draw.garments)

    @cached_property
    def machines(self) -> Array:
        """What the machines give off, particles/s in each bin."""
        total = np.zeros(len(self.sizes_um))
        for machine in self.study.machines:
            total += power_law(machine.per_min_at_0_5_um / 60.0, 0.5, machine.slope).bins(self.sizes_um)
        return total * self.draw.machines

    @cached_property
    def passages(self) -> Array:
        """What the people's ways through the door bring in the mean of a shift, particles/s in each bin."""
        around = self.study.air
        result: Array = self.plant.surroundings * (around.passages_per_h * around.exchange_m3 / 3600.0)
        return result

    def sources(self, *, at_rest: bool) -> Array:
        """All sources of a state: at rest the machines run and nobody is there (ISO 14644-1)."""
        return self.machines if at_rest else self.machines + self.people + self.passages

    def state(self, share: float = 1.0) -> AirState:
        """The air side with a share of the supply."""
        return replace(self.plant.normal, fans=(share,))

    def loss(self, state: AirState | None = None) -> Array:
        """How fast each bin is removed, 1/s."""
        result: Array = -self.plant.matrix(state or self.state())[:, 0, 0]
        return result

    def gain(self, sources: Array, state: AirState | None = None) -> Array:
        """What comes into each m3 of the room, particles/(m3 s) in each bin: sources, supply, leaks, doors."""
        result: Array = self.plant.inputs(state or self.state(), sources[:, None])[:, 0]
        return result

    def mixed(self, *, at_rest: bool, state: AirState | None = None) -> Array:
        """The settled concentration in the room's return air, per m3 in each bin."""
        state = state or self.state()
        inputs = self.plant.inputs(state, self.sources(at_rest=at_rest)[:, None])
        return steady(self.plant.matrix(state), inputs)[:, 0]

    def seen(self, part: str, mixed: Array) -> Array:
        """What is at the working height of a part, from the room's mixed air; bins are the last axis."""
        if part == "room":
            result: Array = mixed / self.effectiveness
            return result
        zone = self.study.zone
        assert zone is not None, "asked only for parts that are there"
        return mixed * min(1.0, zone.transfer * self.draw.transfer) + self.zone_supply

    @cached_property
    def zone_supply(self) -> Array:
        """What the zone's own supply carries: like outdoor air behind a filter, of the slope of ISO 14644-1."""
        zone = self.study.zone
        if zone is None or zone.supply_per_m3_at_0_5_um == 0:
            return np.zeros(len(self.sizes_um))
        return power_law(zone.supply_per_m3_at_0_5_um, 0.5, 2.08).bins(self.sizes_um)

    def incident_sources(self, incident: m.Incident) -> Array:
        """What an incident gives off into the room, particles/s in each bin."""
        if isinstance(incident, m.Visitor):
            return GARMENTS[incident.garment].bins(self.sizes_um) * (incident.count * incident.activity)
        if isinstance(incident, m.Source | m.ZoneSource):
            return power_law(incident.per_min_at_0_5_um / 60.0, 0.5, incident.slope).bins(self.sizes_um)
        if isinstance(incident, m.Leak):
            result: Array = self.plant.upstream[:, 0] * (incident.bypass_l_min / 60_000.0)
            return result
        return np.zeros(len(self.sizes_um))

    def during(self, incident: m.Incident) -> tuple[StudyRoom, AirState]:
        """The room and its air side while an incident goes on."""
        if isinstance(incident, m.Door):
            # Air that changes places through an open door is as much unfiltered inflow, and as much more return.
            open_door = StudyRoom(self.study, self.draw, incident.exchange_m3_s * 3600.0)
            return open_door, open_door.state()
        return self, self.state(incident.share if isinstance(incident, m.SupplyDrop) else 1.0)


def transfer_s_m3(zone: m.Zone, incident: m.ZoneSource, position: m.Position) -> float:
    """Concentration per source strength at a place, s/m3; 0 upstream of the source and outside the zone."""
    if position.zone != "unidirectional":
        return 0.0
    dx, dy, dz = position.x_m - incident.x_m, position.y_m - incident.y_m, position.z_m - incident.z_m
    along, off_m = (-dz, hypot(dx, dy)) if zone.flow == "down" else (dx, hypot(dy, dz))
    return chi_s_m3(along, off_m, zone.velocity_m_s, zone.diffusivity_m2_s)


def _site(volume_m3: float) -> Site:
    """A site with one room, which is all that a plant asks of it."""
    key = round(volume_m3, 9)
    if key not in _SITES:
        _SITES[key] = Site.model_validate(
            {
                "format": 1,
                "site": {"id": "study", "name": "Study", "time_zone": "UTC"},
                "areas": [{"id": "area", "name": "Area"}],
                "rooms": [{"id": "room", "name": "Room", "area": "area", "volume_m3": volume_m3}],
                "programmes": [],
                "locations": [],
                "sensors": [],
            }
        )
    return _SITES[key]


_SITES: dict[float, Site] = {}
