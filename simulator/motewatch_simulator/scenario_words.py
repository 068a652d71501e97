"""Words that several tables of the scenario file share: spans, shares, what people wear, what every incident has."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from motewatch.site.models import Number, Table

SURROUNDINGS = "surroundings"
"""Stands in a connection for the uncontrolled space around the rooms."""

Seconds = Annotated[Number, Field(gt=0, le=604_800)]
Share = Annotated[Number, Field(ge=0, le=1)]
Garment = Literal["cleanroom", "smock", "indoor"]


class Happening(Table):
    """What every incident has: when it starts, and how long it lasts, on the sensors' clocks."""

    at_s: Annotated[Number, Field(ge=0, le=604_800)]
    duration_s: Seconds
