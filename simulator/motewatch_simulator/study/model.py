"""The ROOM.toml of a study as pydantic models: one room, perhaps with a unidirectional zone, and what may happen in it.

Rules: as in the site file, unknown keys are mistakes and every number has its unit in its name. Defaults marked (M)
are from memory and not confirmed, those marked (own choice) are ours; all of them can be set. No physics, no files.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from motewatch.site.models import Identifier, Label, Number, Rule, SizeUm, Table, Whole, mistake
from motewatch.site.models import PerSample as PerSample
from motewatch.site.schedule import ScheduleError, WeeklyWindows
from motewatch_simulator.scenario import Garment, Response, Share

STEP_S = 15
"""Time step of the simulated streams (own choice): activity is averaged over it, the air is exact within it."""

Percent = Annotated[Number, Field(gt=0, lt=100)]
Spread = Annotated[Number, Field(ge=0, le=3)]
Metres = Annotated[Number, Field(ge=0, le=1000)]
Grade = Literal["A", "B", "C", "D"]
IsoClass = Annotated[Number, Field(ge=1, le=9, multiple_of=0.5)]


MOST_DRAWS, MOST_MONTHS, MOST_RUNS = 1_000_000, 10_000, 100_000
MOST_SEED = 2**63 - 1
"""Beyond these a file or a command line is taken for a slip."""


class Head(Table):
    """The study as a whole, and how much work it is to be."""

    name: Label
    seed: Annotated[Whole, Field(ge=0, le=MOST_SEED)] = 1
    """The same file and seed give the same answers, on any number of workers."""
    draws: Annotated[Whole, Field(ge=100, le=MOST_DRAWS)] = 4000
    """Rooms drawn for the probability of the class."""
    months: Annotated[Whole, Field(ge=1, le=MOST_MONTHS)] = 6
    """Room-months without incidents for each rule: each is 30 days of samples through the daemon's engine."""
    runs: Annotated[Whole, Field(ge=10, le=MOST_RUNS)] = 60
    """Times that each incident is played for each rule."""
    wanted_pct: Percent = 95.0
    """The class is to be held with this probability, and incidents found with it."""
    tolerated_per_month: Annotated[Number, Field(ge=0, le=10_000)] = 4.0
    """So many alarms without an incident are bearable: rules beyond it are not recommended (own choice)."""
    safety: Annotated[Number, Field(ge=1, le=100)] = 2.0
    """The simple air supply is worked out for the limit divided by this (own choice)."""


class Standard(Table):
    """What has to be held: a grade of EU GMP Annex 1, or an ISO class for each state."""

    grade: Grade | None = None
    iso_at_rest: IsoClass | None = None
    iso_in_operation: IsoClass | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        iso = self.iso_at_rest is not None or self.iso_in_operation is not None
        if (self.grade is not None) == iso:
            raise mistake(
                "",
                "one of grade and the ISO classes says what has to be held",
                "Give grade, or iso_at_rest and iso_in_operation, and not both.",
            )
        return self


class Room(Table):
    """The room and its plant; the filters and shares are those of a scenario's room."""

    area_m2: Annotated[Number, Field(gt=0, le=1e5)]
    height_m: Annotated[Number, Field(gt=1, le=50)] = 2.7
    air_changes_per_h: Annotated[Number, Field(gt=0, le=1000)]
    holds: Standard
    effectiveness: Annotated[Number, Field(gt=0, le=20)] = 0.8
    """Contaminant removal effectiveness where people and counters are: 0.7 to 1 in turbulent rooms (M)."""
    fresh_air: Share = 0.2
    pre_filter_efficiency: Share = 0.35
    fine_filter_efficiency: Share = 0.8
    """Pre-filter on the fresh air and fine filter in the plant, all sizes alike (M)."""
    terminal_penetration: Annotated[Number, Field(gt=0, le=1)] = 5e-5
    """Of the terminal filter at its worst size; 5e-5 is class H14 of EN 1822."""
    penetration_floor: Annotated[Number, Field(ge=0, le=1)] = 1e-7
    inflow_m3_h: Annotated[Number, Field(ge=0, le=1e6)] = 0.0
    """Unfiltered air that leaks in from the surroundings; 0 where the room is above its surroundings."""
    operational: tuple[str, ...] = ("Mon-Fri 06:00-14:00",)
    """Weekly windows in which people work, as in the site file."""
    clean_up_min: Annotated[Number, Field(ge=0, le=240)] = 20.0
    """Limits in operation hold on for so long after people left (EU GMP Annex 1: 15 to 20 min, guidance value)."""

    @model_validator(mode="after")
    def _windows(self) -> Self:
        try:
            WeeklyWindows.parse(self.operational, "UTC")
        except ScheduleError as error:
            raise mistake("operational", str(error), 'Write windows as "Mon-Fri 06:00-14:00".') from None
        return self


class Zone(Table):
    """A unidirectional zone in the room: displacement, no mixing."""

    holds: Standard
    velocity_m_s: Annotated[Number, Field(gt=0, le=2)] = 0.45
    """0.36 to 0.54 (M)."""
    height_m: Annotated[Number, Field(gt=0, le=20)] = 2.0
    """From the filter to the working height: the transit."""
    transfer: Share = 1e-4
    """Share of the room's air that gets in at the edge: 1e-4 or less good, 1e-2 disturbed (M)."""
    supply_per_m3_at_0_5_um: Annotated[Number, Field(ge=0, le=1e9)] = 0.5
    """What its own filtered supply still carries (own choice)."""
    diffusivity_m2_s: Annotated[Number, Field(gt=0, le=1)] = 1e-3
    """Eddy diffusivity across the flow: 1e-4 to 3e-3 (M)."""
    flow: Literal["down", "across"] = "down"
    """`down`: against z; `across`: along x."""


class Air(Table):
    """The air around: outdoors at or above 0.5 um, and the corridor."""

    outdoors_per_m3_at_0_5_um: Annotated[Number, Field(gt=0, le=1e12)] = 3.5e7
    """Typical urban air, about ISO 9."""
    surroundings_per_m3_at_0_5_um: Annotated[Number, Field(gt=0, le=1e12)] = 3.5e6
    """A tenth of the outdoors (M)."""
    passages_per_h: Annotated[Number, Field(ge=0, le=3600)] = 0.0
    """Through the room's doors, in operation."""
    exchange_m3: Annotated[Number, Field(gt=0, le=100)] = 1.2
    """Air exchanged by each; published 0.3 to 2.4 m3."""


class People(Table):
    """Persons at work in the room, in operation."""

    count: Annotated[Whole, Field(ge=1, le=200)]
    garment: Garment = "cleanroom"
    activity: Annotated[Number, Field(ge=0, le=10)] | None = None
    """Share of vigorous exercise; absent: each steps at random between four levels, 0.3 in the mean (own choice)."""


class Machine(Table):
    """A steady source: at rest the machines run, as ISO 14644-1 defines the state."""

    per_min_at_0_5_um: Annotated[Number, Field(gt=0, le=1e12)]
    slope: Annotated[Number, Field(gt=0, le=6)] = 2.5
    """Process tools: 1e3 to 1e6 per minute, slope 2 to 3 (M)."""


class Uncertain(Table):
    """How unsure the inputs are: standard deviations of their logarithms; 0 takes an input as exact."""

    persons: Spread = 0.5
    """Between people (M)."""
    activity: Spread = 0.3
    """Of the mean activity of a shift (own choice)."""
    garments: Spread = 0.3
    """Of the garments: cloth, fit, age in wash cycles (own choice)."""
    machines: Spread = 0.7
    """(own choice)."""
    outdoors: Spread = 0.8
    """Outdoor and surrounding air: 0.84 measured at 0.5 um in one open urban data set."""
    filters: Spread = 0.7
    """Penetration of all filter stages together (own choice)."""
    supply: Spread = 0.05
    """Air delivered against design (own choice)."""
    effectiveness: Spread = 0.15
    """(own choice)."""
    transfer: Spread = 1.0
    """Of the zone: room air at its edge (own choice)."""


class Tube(Table):
    """The sampling tube between a place and its counter; a counter in place has none."""

    length_m: Annotated[Number, Field(gt=0, le=100)]
    inner_mm: Annotated[Number, Field(ge=1, le=100)] = 10.0
    bends: Annotated[Whole, Field(ge=0, le=50)] = 0


class Position(Table):
    """A place where a counter could sit. x and y on the floor plan, z above the floor."""

    id: Identifier
    name: Label
    zone: Literal["room", "unidirectional"] = "room"
    x_m: Metres
    y_m: Metres
    z_m: Metres = 1.0
    effectiveness: Annotated[Number, Field(gt=0, le=20)] | None = None
    """Absent: the room's. 0.3 to 0.7 in dead corners, above 1 beneath diffusers (M)."""
    tube: Tube | None = None


class Event(Table):
    """What every incident has."""

    id: Identifier
    name: Label
    duration_min: Annotated[Number, Field(gt=0, le=1440)]
    within_min: Annotated[Number, Field(gt=0, le=1440)] = 30.0
    """It counts as found when an alarm starts so long after its beginning at the latest (own choice)."""
    weight: Annotated[Number, Field(gt=0, le=1e6)] = 1.0
    """How much it matters against the others."""


class Visitor(Event):
    """More people in the room."""

    kind: Literal["people"]
    count: Annotated[Whole, Field(ge=1, le=200)] = 1
    garment: Garment = "indoor"
    activity: Annotated[Number, Field(gt=0, le=20)] = 1.0


class Source(Event):
    """Something gives off particles, mixed into the room."""

    kind: Literal["source"]
    per_min_at_0_5_um: Annotated[Number, Field(gt=0, le=1e13)]
    slope: Annotated[Number, Field(gt=0, le=6)] = 1.44


class ZoneSource(Event):
    """Something gives off particles inside the unidirectional zone: a plume, seen only downstream of it."""

    kind: Literal["zone-source"]
    per_min_at_0_5_um: Annotated[Number, Field(gt=0, le=1e13)]
    slope: Annotated[Number, Field(gt=0, le=6)] = 1.44
    x_m: Metres
    y_m: Metres
    z_m: Metres


class Leak(Event):
    """Air passes the room's terminal filter unfiltered."""

    kind: Literal["filter-leak"]
    bypass_l_min: Annotated[Number, Field(gt=0, le=1e6)]


class Door(Event):
    """A door stands open towards the surroundings, air going both ways."""

    kind: Literal["door-open"]
    exchange_m3_s: Annotated[Number, Field(gt=0, le=10)] = 0.1
    """(own choice)."""


class SupplyDrop(Event):
    """A fan runs slow."""

    kind: Literal["supply-drop"]
    share: Annotated[Number, Field(gt=0, lt=1)]


Incident = Annotated[
    Visitor | Source | ZoneSource | Leak | Door | SupplyDrop,
    Field(discriminator="kind"),
]


class Counter(Table):
    """The counter, the same at every place."""

    sizes_um: Annotated[tuple[SizeUm, ...], Field(min_length=1, max_length=16)] = (0.5, 5.0)
    flow_l_min: Annotated[Number, Field(gt=0, le=2000)] = 28.3
    max_concentration_per_m3: Annotated[Number, Field(gt=0, le=1e12)] | None = None
    """At which 10 % are lost by coincidence (ISO 21501-4); for `response` without `pulse_us`."""
    response: Response | None = None
    """Real optics, as in a scenario; absent: every particle is counted once, in its own channel."""

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if any(b <= a for a, b in pairwise(self.sizes_um)):
            raise mistake("sizes_um", "sizes must rise, each size once", f"Write {sorted(set(self.sizes_um))}.")
        return self


class AlarmRule(Table):
    """A sample period with a rule of the daemon and a limit: one thing to compare."""

    id: Identifier
    name: Label
    period_s: Annotated[Whole, Field(ge=STEP_S, le=86_400, multiple_of=STEP_S)] = 60
    rule: Rule = PerSample(kind="per-sample")
    share: Annotated[Number, Field(gt=0, le=10)] = 1.0
    """Of the limit of the class, for every size: 1 is the action limit of the class, 0.5 an alert level at half."""
    sizes_um: tuple[SizeUm, ...] = ()
    """Absent: every size that has a limit and is counted."""


class Study(Table):
    """A whole ROOM.toml."""

    format: Literal[1]
    study: Head
    room: Room
    zone: Zone | None = None
    air: Air = Air()
    people: tuple[People, ...] = ()
    machines: tuple[Machine, ...] = ()
    uncertain: Uncertain = Uncertain()
    counter: Counter = Counter()
    positions: Annotated[tuple[Position, ...], Field(min_length=1, max_length=64)]
    incidents: Annotated[tuple[Incident, ...], Field(min_length=1, max_length=64)]
    rules: Annotated[tuple[AlarmRule, ...], Field(min_length=1, max_length=64)]
