"""Words that several tables of the scenario file share: spans, shares, what people wear, what every incident has."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from motewatch.site.models import Number, Table, mistake
from motewatch.site.schedule import ScheduleError, WeeklyWindows

SURROUNDINGS = "surroundings"
"""Stands in a connection for the uncontrolled space around the rooms."""

Seconds = Annotated[Number, Field(gt=0, le=604_800)]
Share = Annotated[Number, Field(ge=0, le=1)]
Garment = Literal["cleanroom", "smock", "indoor"]


def _rising(sizes: tuple[float, ...]) -> tuple[float, ...]:
    if any(b <= a for a, b in pairwise(sizes)):
        raise mistake("", "sizes must rise, each size once", f"Write {sorted(set(sizes))}.")
    return sizes


RisingSizes = Annotated[tuple[Annotated[Number, Field(ge=0.1, le=25)], ...], AfterValidator(_rising)]
"""Sizes in micrometres."""


def _readable(texts: tuple[str, ...]) -> tuple[str, ...]:
    try:
        WeeklyWindows.parse(texts, "UTC")
    except ScheduleError as error:
        raise mistake("", error.message, error.mend) from None
    return texts


WeeklyHours = Annotated[tuple[str, ...], AfterValidator(_readable)]
"""Windows of the week as in the site file."""


class Happening(Table):
    """What every incident has: when it starts, and how long it lasts, on the sensors' clocks."""

    at_s: Annotated[Number, Field(ge=0, le=604_800)]
    duration_s: Seconds
