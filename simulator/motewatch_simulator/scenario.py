"""The scenario file as pydantic models: plant, people and incidents for the rooms of a site file.

Rules: as in the site file, unknown keys are mistakes and every number has its unit in its name. Where things happen is
said in the site file and only named here. Defaults marked (M) are from memory and not confirmed, those marked (own
choice) are ours; all of them can be set. Times of incidents are seconds of the sensors' clocks since the start of the
stream; everything else that takes time (air changes, activity, doors that fall shut) is physical time, which runs
`physics_speed` times as fast.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from motewatch.site.models import Identifier, Label, Number, Table, Whole

SURROUNDINGS = "surroundings"
"""Stands in a connection for the uncontrolled space around the rooms."""

Seconds = Annotated[Number, Field(gt=0, le=604_800)]
Share = Annotated[Number, Field(ge=0, le=1)]
Garment = Literal["cleanroom", "smock", "indoor"]


class Head(Table):
    """The scenario as a whole."""

    name: Label
    seed: Annotated[Whole, Field(ge=0, le=2**63 - 1)] = 1
    """The same seed, start and scenario give the same stream, to the last count."""
    physics_speed: Annotated[Number, Field(gt=0, le=1000)] = 1.0
    """How many seconds pass in the rooms for one second of the sensors' clocks.

    Above 1 rooms clean up, people move and doors fall shut faster than in life, so that a short demo shows a whole
    excursion. A counter still draws as much air as its real duration allows: counts = concentration x flow x duration.
    """
    repeat_s: Seconds | None = None
    """The incidents start anew after so many seconds; absent: they happen once."""
    person_spread: Annotated[Number, Field(ge=0, le=2)] = 0.5
    """Standard deviation of the logarithm of dispersion between people (M); 0: everybody alike."""


class Keeping(Table):
    """What a sensor keeps for the case that its broker fails."""

    resend_s: Annotated[Number, Field(ge=0, le=86_400)] = 30.0
    """After every reconnection the messages of this last stretch are sent again, acknowledged or not.

    A broker's acknowledgement means 'in the broker's memory': what it had not yet saved is gone when it is killed. Set
    this to at least the broker's autosave interval. The receiver knows repeats by sensor, boot and sequence.
    """
    readings: Annotated[Whole, Field(ge=1, le=1_000_000)] = 86_400
    """A sensor's memory; the oldest go first when a broker stays away longer (own choice)."""


class Outdoors(Table):
    """The air outside, from which the plant takes its fresh air."""

    per_m3_at_0_5_um: Annotated[Number, Field(gt=0, le=1e12)] = 3.5e7
    """At or above 0.5 um: typical urban air, about ISO 9. The shape over sizes is that of measured urban air."""


class Surroundings(Table):
    """The uncontrolled corridor around the rooms."""

    per_m3_at_0_5_um: Annotated[Number, Field(gt=0, le=1e12)] = 3.5e6
    """A tenth of the outdoors (M)."""
    slope: Annotated[Number, Field(gt=0, le=6)] = 2.08
    """Of the cumulative power law; 2.08 is the slope of the classes of ISO 14644-1."""


class Plant(Table):
    """One room's air and climate plant. `id` names a room of the site file, which gives the volume."""

    id: Identifier
    air_changes_per_h: Annotated[Number, Field(gt=0, le=1000)]
    fresh_air: Share = 0.2
    """Share of outdoor air in the supply; the rest is the room's own air."""
    pre_filter_efficiency: Share = 0.35
    fine_filter_efficiency: Share = 0.8
    """Pre-filter on the fresh air and fine filter in the plant, all sizes alike (M)."""
    terminal_penetration: Annotated[Number, Field(gt=0, le=1)] = 5e-5
    """Of the terminal filter at its worst size; 5e-5 is class H14 of EN 1822. Other sizes follow filter theory."""
    penetration_floor: Annotated[Number, Field(ge=0, le=1)] = 1e-7
    """Pinholes: no size passes less than this (own choice)."""
    floor_m2: Annotated[Number, Field(ge=0, le=1e6)] | None = None
    """For settling; absent: volume / 2.7 m. 0 turns settling off."""
    temperature_c: Annotated[Number, Field(ge=-30, le=60)] = 20.0
    humidity_pct: Annotated[Number, Field(gt=0, lt=100)] = 45.0
    pressure_pa: Annotated[Number, Field(ge=-200, le=200)] | None = None
    """Set-point of the pressure difference to the next lower room; absent: this room reports none."""
    temperature_tau_min: Annotated[Number, Field(gt=0, le=1440)] = 10.0
    humidity_tau_min: Annotated[Number, Field(gt=0, le=1440)] = 20.0
    pressure_tau_s: Annotated[Number, Field(gt=0, le=600)] = 5.0
    """First-order time constants in physical time (M)."""


class Door(Table):
    """People passing through a door: pulses of air exchanged both ways, and a dip of pressure."""

    passages_per_h: Annotated[Number, Field(ge=0, le=3600)] = 0.0
    """At random, in physical time; 0: only incidents open it."""
    exchange_m3: Annotated[Number, Field(gt=0, le=100)] = 1.2
    """Median air volume exchanged each way per passage; lognormal. Published ranges are 0.3 to 2.4 m3."""
    exchange_spread: Annotated[Number, Field(ge=0, le=2)] = 0.4
    """Standard deviation of the logarithm of that volume (own choice)."""
    opening_s: Annotated[Number, Field(gt=0, le=600)] = 8.0
    """How long a passage keeps it open, in physical time (published: 5 to 33 s)."""
    standing_open_m3_s: Annotated[Number, Field(ge=0, le=10)] = 0.1
    """Flow each way while an incident holds it open; about that of 1 K across a door of 0.9 m x 2.1 m (M)."""


class Connection(Table):
    """Two neighbouring rooms; air leaks from the higher pressure to the lower."""

    higher: Identifier
    lower: Identifier
    leak_m3_h: Annotated[Number, Field(ge=0, le=100_000)] = 0.0
    door: Door | None = None


class People(Table):
    """Persons at work in a room."""

    room: Identifier
    count: Annotated[Whole, Field(ge=1, le=200)]
    garment: Garment = "cleanroom"
    activity: Annotated[Number, Field(ge=0, le=10)] | None = None
    """Share of vigorous exercise; absent: each person steps at random between four levels, 0.3 in the mean."""


class Machine(Table):
    """A steady source in a room."""

    room: Identifier
    per_min_at_0_5_um: Annotated[Number, Field(gt=0, le=1e12)]
    slope: Annotated[Number, Field(gt=0, le=6)] = 2.5
    """Process tools: 1e3 to 1e6 per minute, slope 2 to 3 (M)."""


class Place(Table):
    """How a sampling location sees its room. `id` names a location of the site file; absent ones see the room mixed."""

    id: Identifier
    effectiveness: Annotated[Number, Field(gt=0, le=20)] = 1.0
    """Contaminant removal effectiveness: the location sees the room's concentration divided by it."""
    transfer: Share | None = None
    """Given: a unidirectional zone, which sees this share of the room's air and its own events, and no mixing.

    1e-4 or less is good, 1e-2 disturbed (M). The transit of a few seconds is left out.
    """
    supply_per_m3_at_0_5_um: Annotated[Number, Field(ge=0, le=1e9)] = 0.0
    """What the zone's own filtered supply still carries."""


class Counter(Table):
    """How a sensor speaks. `id` names a sensor of the site file; absent ones take the defaults."""

    id: Identifier
    counts: Literal["cumulative", "differential"] = "cumulative"
    climate: tuple[Literal["temperature", "humidity", "pressure-difference"], ...] = (
        "temperature",
        "humidity",
        "pressure-difference",
    )
    """What it reports beside counts, as far as its room has it."""
    location: Identifier | None = None
    """Where a portable sensor stands."""


class Happening(Table):
    """What every incident has: when it starts, and how long it lasts, on the sensors' clocks."""

    at_s: Annotated[Number, Field(ge=0, le=604_800)]
    duration_s: Seconds


class GowningBurst(Happening):
    """People change garments or move abruptly."""

    kind: Literal["gowning-burst"]
    room: Identifier
    people: Annotated[Whole, Field(ge=1, le=200)] = 2
    garment: Garment = "indoor"
    activity: Annotated[Number, Field(gt=0, le=20)] = 2.0


class FilterLeak(Happening):
    """Air passes a terminal filter at its seal: outdoor-like sizes, hardly anything at 5 um."""

    kind: Literal["filter-leak"]
    room: Identifier
    bypass_l_min: Annotated[Number, Field(gt=0, le=1e6)]


class DoorOpen(Happening):
    """A door is left open: air flows both ways, and the pressure difference of the higher room is gone."""

    kind: Literal["door-open"]
    higher: Identifier
    lower: Identifier


class HumidityDrift(Happening):
    """The plant's moisture wanders off and comes back."""

    kind: Literal["humidity-drift"]
    room: Identifier
    change_pct: Annotated[Number, Field(ge=-90, le=90)]
    ramp_s: Annotated[Number, Field(ge=0, le=604_800)] = 0.0


class TemperatureDrift(Happening):
    """The plant's temperature wanders off and comes back; at the same moisture the humidity follows."""

    kind: Literal["temperature-drift"]
    room: Identifier
    change_c: Annotated[Number, Field(ge=-30, le=30)]
    ramp_s: Annotated[Number, Field(ge=0, le=604_800)] = 0.0


class SupplyDrop(Happening):
    """A fan runs slow: less supply, and the pressure difference falls with its square."""

    kind: Literal["supply-drop"]
    room: Identifier
    share: Annotated[Number, Field(gt=0, le=1)]


class Intervention(Happening):
    """Somebody works upstream of a probe in a unidirectional zone."""

    kind: Literal["intervention"]
    location: Identifier
    per_s_at_0_5_um: Annotated[Number, Field(gt=0, le=1e9)]
    slope: Annotated[Number, Field(gt=0, le=6)] = 1.44
    chi_s_m3: Annotated[Number, Field(gt=0, le=1e5)] = 159.0
    """Concentration per source strength at the probe: 159 s/m3 on the axis, 0.5 m downstream, eddy diffusivity 1e-3."""


class SensorUnplugged(Happening):
    """A sensor loses its power: no messages, and another boot afterwards."""

    kind: Literal["sensor-unplugged"]
    sensor: Identifier
    presence: Literal["will", "explicit"] = "will"
    """`will`: the connection breaks and the broker speaks the last will; `explicit`: it says goodbye."""


class NetworkLost(Happening):
    """A sensor goes on counting without a network, and sends everything late, in order, when it is back."""

    kind: Literal["network-lost"]
    sensor: Identifier


class Repeats(Happening):
    """A sensor sends each message twice, as after a lost acknowledgement."""

    kind: Literal["repeats"]
    sensor: Identifier


class FlowFault(Happening):
    """A sensor's pump is weak: it counts less, states its nominal volume, and flags its flow."""

    kind: Literal["flow-fault"]
    sensor: Identifier
    share: Share = 0.8


Incident = Annotated[
    GowningBurst
    | FilterLeak
    | DoorOpen
    | HumidityDrift
    | TemperatureDrift
    | SupplyDrop
    | Intervention
    | SensorUnplugged
    | NetworkLost
    | Repeats
    | FlowFault,
    Field(discriminator="kind"),
]


class Scenario(Table):
    """A whole scenario file."""

    format: Literal[1]
    scenario: Head
    keeping: Keeping = Keeping()
    outdoors: Outdoors = Outdoors()
    surroundings: Surroundings = Surroundings()
    rooms: Annotated[tuple[Plant, ...], Field(min_length=1)]
    connections: tuple[Connection, ...] = ()
    people: tuple[People, ...] = ()
    machines: tuple[Machine, ...] = ()
    locations: tuple[Place, ...] = ()
    sensors: tuple[Counter, ...] = ()
    incidents: tuple[Incident, ...] = ()
