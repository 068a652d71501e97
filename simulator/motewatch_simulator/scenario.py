"""The scenario file as pydantic models: plant, people and incidents for the rooms of a site file.

Rules: as in the site file, unknown keys are mistakes and every number has its unit in its name. Where things happen is
said in the site file and only named here. Defaults marked (M) are from memory and not confirmed, those marked (own
choice) are ours; all of them can be set. Times of incidents are seconds of the sensors' clocks since the start of the
stream; everything else that takes time (air changes, activity, doors that fall shut) is physical time, which runs
`physics_speed` times as fast.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Literal

from pydantic import AwareDatetime, Field

from motewatch.site.models import Label, Number, Table, Whole
from motewatch_simulator.scenario_counters import (
    Counter,
    Dispersion,
    Gamma,
    LogOu,
    Manifold,
    Port,
    Response,
    Round,
    Stop,
    Tubing,
)
from motewatch_simulator.scenario_faults import (
    EVERY,
    AllZero,
    AtRandom,
    ChannelOrder,
    ClockDrift,
    ClockJump,
    CloggedFlow,
    ConfigError,
    DropOut,
    ElectronicNoise,
    Fault,
    FlowFault,
    LaserAgeing,
    NetworkLost,
    Repeats,
    SensorFault,
    SensorUnplugged,
    Stuck,
    TubeBurst,
)
from motewatch_simulator.scenario_incidents import (
    DoorOpen,
    FanTrip,
    FilterLeak,
    GowningBurst,
    HumidityDrift,
    Intervention,
    SupplyDrop,
    TemperatureDrift,
)
from motewatch_simulator.scenario_people import Machine, People
from motewatch_simulator.scenario_rooms import Connection, Door, Outdoors, Place, Plant, Probe, Surroundings
from motewatch_simulator.scenario_words import SURROUNDINGS, Garment, Happening, RisingSizes, Seconds, Share

__all__ = [
    "EVERY",
    "SURROUNDINGS",
    "AllZero",
    "AtRandom",
    "ChannelOrder",
    "ClockDrift",
    "ClockJump",
    "CloggedFlow",
    "ConfigError",
    "Connection",
    "Counter",
    "Dispersion",
    "Door",
    "DoorOpen",
    "DropOut",
    "ElectronicNoise",
    "FanTrip",
    "Fault",
    "FilterLeak",
    "FlowFault",
    "Gamma",
    "Garment",
    "GowningBurst",
    "Happening",
    "Head",
    "HumidityDrift",
    "Incident",
    "Intervention",
    "Keeping",
    "LaserAgeing",
    "LogOu",
    "Machine",
    "Manifold",
    "NetworkLost",
    "Outdoors",
    "People",
    "Place",
    "Plant",
    "Port",
    "Probe",
    "Repeats",
    "Response",
    "Round",
    "Scenario",
    "Seconds",
    "SensorFault",
    "SensorUnplugged",
    "Share",
    "Stop",
    "Stuck",
    "SupplyDrop",
    "Surroundings",
    "TemperatureDrift",
    "TubeBurst",
    "Tubing",
]
"""The tables live in the modules `scenario_*`; whoever reads a scenario needs only this one."""


class Head(Table):
    """The scenario as a whole."""

    name: Label
    site: Annotated[str, Field(min_length=1, max_length=500)] | None = None
    """Site file that it plays on, from this file's folder; absent: it is named on the command line."""
    start: AwareDatetime = datetime(2026, 1, 5, 6, tzinfo=UTC)
    """Where a stream that is written, scored or told the truth of begins; a Monday morning (own choice)."""
    length_s: Seconds | None = None
    """How long it is, on the sensors' clocks; absent: it goes on until it is stopped."""
    seed: Annotated[Whole, Field(ge=0, le=2**63 - 1)] = 1
    """The same seed, start and scenario give the same stream, to the last count."""
    physics_speed: Annotated[Number, Field(gt=0, le=1000)] = 1.0
    """How many seconds pass in the rooms for one second of the sensors' clocks.

    Above 1 rooms clean up, people move and doors fall shut faster than in life, so that a short demo shows a whole
    excursion. A counter still draws as much air as its real duration allows: counts = concentration x flow x duration.
    """
    repeat_s: Seconds | None = None
    """The incidents start anew after so many seconds; absent: they happen once."""
    sizes_um: RisingSizes = ()
    """Bins of the rooms' air beside the counters' own channels, 0.1 to 25 um; more bins, more exact, and slower."""
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


Incident = Annotated[
    GowningBurst
    | FilterLeak
    | DoorOpen
    | HumidityDrift
    | TemperatureDrift
    | SupplyDrop
    | FanTrip
    | Intervention
    | Fault,
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
    response: Response | None = None
    """Of every sensor that has none of its own; absent: ideal counters."""
    sensors: tuple[Counter, ...] = ()
    incidents: tuple[Incident, ...] = ()
