"""The scenario file's rooms: outdoor air, plant, doors between rooms, and how locations see their rooms.

Defaults marked (M) are from memory and not confirmed, those marked (own choice) are ours; all of them can be set.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from motewatch.site.models import Identifier, Number, Table
from motewatch_simulator.scenario_words import Share


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
