"""The scenario file's incidents of air and climate: what happens to rooms and zones, not to sensors."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from motewatch.site.models import Identifier, Number, Whole
from motewatch_simulator.scenario_rooms import Probe
from motewatch_simulator.scenario_words import Garment, Happening, Share


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
    seen_by: tuple[Probe, ...] = ()
    """Locations in a unidirectional zone under the leak, where it stays a jet. It still reaches the room."""


class DoorOpen(Happening):
    """A door is left open: air flows both ways, and the pressure difference of the higher room is gone."""

    kind: Literal["door-open"]
    higher: Identifier
    lower: Identifier
    open_m2: Annotated[Number, Field(gt=0, le=50)] | None = None
    """How far, for a door that is only wedged: pressure and exchange follow; absent: wide open."""


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


class FanTrip(Happening):
    """The supply of some or all rooms fails, and comes back slowly at the end of the incident."""

    kind: Literal["fan-trip"]
    rooms: tuple[Identifier, ...] = ()
    """None named: all."""
    share: Share = 0.02
    """What still moves (own choice)."""
    coast_s: Annotated[Number, Field(ge=0, le=3600)] = 20.0
    """How long the fan runs out, within the incident (own choice)."""
    restart_s: Annotated[Number, Field(ge=0, le=86_400)] = 120.0
    """How long it takes to run up again, the last part of the incident (own choice)."""


class Intervention(Happening):
    """Somebody works upstream of a probe in a unidirectional zone."""

    kind: Literal["intervention"]
    location: Identifier
    per_s_at_0_5_um: Annotated[Number, Field(gt=0, le=1e9)]
    slope: Annotated[Number, Field(gt=0, le=6)] = 1.44
    chi_s_m3: Annotated[Number, Field(gt=0, le=1e5)] = 159.0
    """Concentration per source strength at the probe: 159 s/m3 on the axis, 0.5 m downstream, eddy diffusivity 1e-3."""
    seen_by: tuple[Probe, ...] = ()
    """Other locations of the zone that see it too."""
    disturbed_transfer: Share | None = None
    """The zone lets in this share of the room's air meanwhile (M: 1e-2 where hands reach in)."""
