"""How long the bulk of the record stays in the journal before it goes to archive files. Nothing is ever deleted.

Rules: as in `site.models` (unknown keys are mistakes, units in the key names).
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, StringConstraints

from motewatch.site.basics import Table, Whole
from motewatch.site.people import CLOCK_PATTERN

LEAST_DAYS = 35
"""The last month is always in the journal: restarts, reports of the month and late readings never need an archive."""

Days = Annotated[Whole, Field(ge=LEAST_DAYS, le=36_500)]


class Retention(Table):
    """Which rows leave the journal for archive files, and when. Alarms, audit trail, calls, notes, configurations and
    dead letters never leave it."""

    messages_days: Days | None = None
    """Messages as they came stay in the journal so many days at least. Absent: for ever."""
    samples_days: Days | None = None
    """Samples stay in the journal so many days at least; their hourly sums for ever. Absent: samples, too."""
    at: Annotated[str, StringConstraints(pattern=CLOCK_PATTERN)] = "03:30"
    """Local time of day at which archives are made."""
