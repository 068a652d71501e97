"""The scenario file's rooms: outdoor air, plant, doors between rooms, and how locations see their rooms.

Defaults marked (M) are from memory and not confirmed, those marked (own choice) are ours; all of them can be set.
"""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from motewatch.site.models import Flag, Identifier, Number, Table, mistake
from motewatch_simulator.filters import FilterClass, FilterModel, Rating
from motewatch_simulator.scenario_words import Share, WeeklyHours

Metres = Annotated[Number, Field(gt=0, le=20)]
PerM3 = Annotated[Number, Field(gt=0, le=1e12)]


class Outdoors(Table):
    """The air outside, from which the plant takes its fresh air."""

    per_m3_at_0_5_um: Annotated[Number, Field(gt=0, le=1e12)] = 3.5e7
    """At or above 0.5 um: typical urban air, about ISO 9. The shape over sizes is that of measured urban air."""
    wanders: Flag = False
    """Let it wander from hour to hour and with the time of day, about the number above as its median."""
    hourly_per_m3_at_0_5_um: Annotated[tuple[PerM3, ...], Field(max_length=100_000)] = ()
    """Measured air instead: hour after hour from the start of the stream, and then anew. The shape stays that above."""
    log_sd: Annotated[Number, Field(ge=0, le=3)] = 0.8
    hourly_correlation: Annotated[Number, Field(ge=0, lt=1)] = 0.92
    """Of the logarithm; both measured in 1,305 hours of open urban data."""

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if self.wanders and self.hourly_per_m3_at_0_5_um:
            raise mistake("wanders", "the outdoor air is measured, so it cannot wander, too", "Remove one of the two.")
        return self


class Surroundings(Table):
    """The uncontrolled corridor around the rooms; where the outdoors wander it follows them."""

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
    air_handler: Identifier | None = None
    """Rooms that name the same one share their return air, mixed by its flow."""
    pre_filter_efficiency: Share = 0.35
    fine_filter_efficiency: Share = 0.8
    """Pre-filter on the fresh air and fine filter in the plant, all sizes alike (M)."""
    pre_filter: Rating | None = None
    fine_filter: Rating | None = None
    """By rating instead, which differs by size."""
    terminal_penetration: Annotated[Number, Field(gt=0, le=1)] = 5e-5
    """Of the terminal filter at its worst size; 5e-5 is class H14 of EN 1822. Other sizes follow filter theory."""
    terminal_class: FilterClass | None = None
    """By class instead."""
    terminal_model: FilterModel = "simple"
    penetration_floor: Annotated[Number, Field(ge=0, le=1)] = 1e-7
    """Pinholes: no size passes less than this (own choice)."""
    leak_l_min: Annotated[Number, Field(ge=0, le=1e6)] = 0.0
    """Passes the terminal filter at its seal all the time, at full supply."""
    floor_m2: Annotated[Number, Field(ge=0, le=1e6)] | None = None
    """For settling; absent: volume / 2.7 m. 0 turns settling and sticking off."""
    friction_velocity_m_s: Annotated[Number, Field(ge=0, le=1)] = 0.01
    """Of the air along the surfaces, for what sticks to them (M); 0: only what settles on the floor."""
    setback_hours: WeeklyHours = ()
    """When the supply runs low, as in `"Mon-Fri 20:00-05:00"`, local time of the site."""
    setback_share: Annotated[Number, Field(gt=0, le=1)] = 0.5
    setback_ramp_min: Annotated[Number, Field(gt=0, le=240)] = 10.0
    setback_warmer_c: Annotated[Number, Field(ge=-10, le=10)] = 1.5
    """The pressure difference is kept meanwhile (all own choice)."""
    temperature_c: Annotated[Number, Field(ge=-30, le=60)] = 20.0
    humidity_pct: Annotated[Number, Field(gt=0, lt=100)] = 45.0
    """Held with everybody at work who belongs to the room: fewer people, cooler and drier."""
    pressure_pa: Annotated[Number, Field(ge=-200, le=200)] | None = None
    """Set-point of the pressure difference to the next lower room; absent: this room reports none."""
    temperature_tau_min: Annotated[Number, Field(gt=0, le=1440)] = 10.0
    humidity_tau_min: Annotated[Number, Field(gt=0, le=1440)] = 20.0
    pressure_tau_s: Annotated[Number, Field(gt=0, le=600)] = 5.0
    """First-order time constants in physical time (M)."""
    pressure_overshoot: Annotated[Number, Field(ge=0, le=0.8)] = 0.0
    """Share by which the pressure swings over when a door shuts; about 0.2 where it is controlled (M)."""
    pressure_noise_pa: Annotated[Number, Field(ge=0, le=20)] = 0.4
    """Standard deviation of noise of some seconds (M: 0.3 to 1)."""
    wind_pa: Annotated[Number, Field(ge=0, le=20)] = 0.0
    """The same of slow gusts, for rooms against outdoors (M: 1 to 5)."""


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
    area_m2: Annotated[Number, Field(gt=0, le=50)] = 1.9
    """Opening, for what is left of the pressure (own choice: 0.9 m x 2.1 m)."""


class Connection(Table):
    """Two neighbouring rooms; air leaks from the higher pressure to the lower."""

    higher: Identifier
    lower: Identifier
    leak_m3_h: Annotated[Number, Field(ge=0, le=100_000)] = 0.0
    leak_m2: Annotated[Number, Field(gt=0, le=10)] | None = None
    """The leak as an opening instead: passes what the pressure set-point of the higher room drives through it."""
    door: Door | None = None

    @model_validator(mode="after")
    def _one_leak(self) -> Self:
        if self.leak_m2 is not None and self.leak_m3_h > 0:
            raise mistake("leak_m2", "the leak is given twice", "Give leak_m3_h or leak_m2.")
        return self


class Probe(Table):
    """How a sampling location in a unidirectional zone sees a source: by where it hangs, or by its transfer."""

    location: Identifier
    downstream_m: Metres | None = None
    off_axis_m: Annotated[Number, Field(ge=0, le=20)] = 0.0
    velocity_m_s: Annotated[Number, Field(gt=0, le=5)] = 0.45
    diffusivity_m2_s: Annotated[Number, Field(gt=0, le=1)] = 1e-3
    """Of the eddies; 1e-4 calm to 3e-3 disturbed (M)."""
    chi_s_m3: Annotated[Number, Field(ge=0, le=1e5)] | None = None
    """Concentration per source strength, instead of the distances."""

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.chi_s_m3 is None) == (self.downstream_m is None):
            raise mistake("downstream_m", "a probe sees by place or by transfer", "Give downstream_m or chi_s_m3.")
        return self


class Place(Table):
    """How a sampling location sees its room. `id` names a location of the site file; absent ones see the room mixed."""

    id: Identifier
    effectiveness: Annotated[Number, Field(gt=0, le=20)] = 1.0
    """Contaminant removal effectiveness: the location sees the room's concentration divided by it.

    0.7 to 1 in general, 0.3 to 0.7 in dead corners, above 1 beneath diffusers (M).
    """
    transfer: Share | None = None
    """Given: a unidirectional zone, which sees this share of the room's air and its own events, and no mixing.

    1e-4 or less is good, 1e-2 disturbed (M). The transit of a few seconds is left out.
    """
    supply_per_m3_at_0_5_um: Annotated[Number, Field(ge=0, le=1e9)] = 0.0
    """What the zone's own filtered supply still carries."""
    near_m3: Annotated[Number, Field(gt=0, le=1e5)] | None = None
    """Given: the location sees a near field of this volume, into which machines can be put by `near`."""
    near_exchange_m3_h: Annotated[Number, Field(gt=0, le=1e6)] = 300.0
    """Air that the near field exchanges with its room each hour (own choice)."""

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        if self.transfer is not None and self.near_m3 is not None:
            raise mistake("near_m3", "a unidirectional zone is not mixed", "Remove transfer or near_m3.")
        return self
