"""Words that several tables of the scenario file share: spans, shares, what people wear, what every incident has."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from motewatch.site.models import Number, Table, mistake
from motewatch.site.schedule import ScheduleError, WeeklyWindows

SURROUNDINGS = "surroundings"
"""Stands in a connection for the uncontrolled space around the rooms."""

Seconds = Annotated[Number, Field(gt=0, le=604_800)]
Share = Annotated[Number, Field(ge=0, le=1)]
Garment = Literal["cleanroom", "smock", "indoor"]


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
