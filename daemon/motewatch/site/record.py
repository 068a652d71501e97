"""How the record is made proof against changes, and how much room it is to have.

Rules: as in `site.models` (unknown keys are mistakes, units in the key names).
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from motewatch.site.basics import Label, Number, Table, Whole


class Record(Table):
    """Anchors: the head of the record's hash chain, signed and published, to be kept elsewhere. And the room it has."""

    signing_key_file: Label | None = None
    """File with the site's private key, as `motewatch make-key` makes it. Absent: anchors are not signed."""
    anchor_every_min: Annotated[Number, Field(ge=1, le=10_080)] = 60.0
    """So often an anchor is made, where anything was recorded since the last one."""
    space_alarm_mb: Annotated[Whole, Field(ge=1, le=100_000_000)] | None = None
    """Less room on the journal's disk is an alarm. Absent: none."""
