"""The scenario file's sources: people at work and machines.

Defaults marked (M) are from memory and not confirmed, those marked (own choice) are ours; all of them can be set.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from motewatch.site.models import Identifier, Number, Table, Whole
from motewatch_simulator.scenario_words import Garment


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
