"""How the figures of alarm performance are made at this site.

Rules: as in `site.models` (unknown keys are mistakes, units in the key names).
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from motewatch.site.basics import Number, Table, Whole


class AlarmFigures(Table):
    """Alarm performance after ISA-18.2 / IEC 62682: what the figures are divided by, and whether they are published."""

    operators: Annotated[Whole, Field(ge=1, le=1_000)] = 1
    """How many people on shift look at the list of alarms; the standards' targets are for each of them."""
    chattering: Literal["3-in-1-min", "more-than-5-in-5-min"] = "3-in-1-min"
    """When an alarm chatters: 3 starts in 1 minute, or more than 5 in 5 minutes. Sources disagree; the site chooses."""
    publish_every_s: Annotated[Number, Field(ge=1, le=86_400)] | None = None
    """So often the figures of the last hour and the last day go to the time-series server and to the topic `figures`.
    Absent: never."""
