"""When the daemon backs itself up.

Rules: as in `site.models` (unknown keys are mistakes, units in the key names).
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, StringConstraints

from motewatch.site.basics import Label, Table, Whole
from motewatch.site.people import CLOCK_PATTERN


class Backup(Table):
    """A backup of journal and site file every day."""

    folder: Label
    """Where to, best on another disk; relative to the site file. It must be there."""
    at: Annotated[str, StringConstraints(pattern=CLOCK_PATTERN)] = "02:30"
    """Local time of day."""
    keep: Annotated[Whole, Field(ge=1, le=1_000)] = 14
    """So many stay, the oldest go."""
