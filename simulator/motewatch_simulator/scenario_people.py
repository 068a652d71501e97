"""The scenario file's sources: people at work and machines.

Defaults marked (M) are from memory and not confirmed, those marked (own choice) are ours; all of them can be set.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from motewatch.site.models import Identifier, Number, Table, Whole
from motewatch_simulator.scenario_rooms import Probe
from motewatch_simulator.scenario_words import Garment, WeeklyHours


class People(Table):
    """Persons at work in a room."""

    room: Identifier
    count: Annotated[Whole, Field(ge=1, le=200)]
    garment: Garment = "cleanroom"
    activity: Annotated[Number, Field(ge=0, le=10)] | None = None
    """Share of vigorous exercise; absent: each person steps at random between four levels, 0.3 in the mean."""
    hours: WeeklyHours = ()
    """When they are at work, as in `"Mon-Fri 06:00-14:00"`, local time of the site; none: always."""
    breaks: WeeklyHours = ()
    """When they leave the room within those hours."""
    arrival_spread_min: Annotated[Number, Field(ge=0, le=60)] = 3.0
    """Standard deviation of when each of them comes and goes (own choice)."""
    gowning_room: Identifier | None = None
    """Where they change, before they come and after they go; absent: they appear and vanish."""
    gowning_min: Annotated[Number, Field(gt=0, le=60)] = 10.0
    gowning_garment: Garment = "indoor"
    """What they shed like meanwhile, at the activity of gowning (M: ten minutes around a shift's start)."""


class Machine(Table):
    """A source in a room, steady or on and off in turn."""

    room: Identifier
    per_min_at_0_5_um: Annotated[Number, Field(gt=0, le=1e12)]
    slope: Annotated[Number, Field(gt=0, le=6)] = 2.5
    """Process tools: 1e3 to 1e6 per minute, slope 2 to 3 (M)."""
    on_min: Annotated[Number, Field(gt=0, le=10_080)] = 10.0
    off_min: Annotated[Number, Field(ge=0, le=10_080)] = 0.0
    """Runs and rests so long in turn, in physical time, from a random point of its cycle; 0: never rests."""
    hours: WeeklyHours = ()
    """When it works at all, local time of the site; none: always."""
    heat_w: Annotated[Number, Field(ge=0, le=1e6)] = 0.0
    """While it runs; the set-point of temperature is held with it running."""
    near: Identifier | None = None
    """A location with a near field, into which it gives off instead of into the mixed room."""
    seen_by: tuple[Probe, ...] = ()
    """Locations in a unidirectional zone that lie downstream of it. What it gives off still reaches the room."""
