"""Reports that the daemon makes by the clock, and whom it mails them to.

Rules: as in `site.models` (unknown keys are mistakes, units in the key names).
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from motewatch.site.basics import Identifier, Label, Number, Table, mistake
from motewatch.site.people import CLOCK_PATTERN


class ReportSchedule(Table):
    """A report of each shift, day or month, once it is over. Missed ones are made up for."""

    id: Identifier
    kind: Literal["shift", "day", "month"]
    at: Annotated[str, StringConstraints(pattern=CLOCK_PATTERN)] | None = None
    """Of a day or a month: local time of the day after at which it is made. Absent: `after_min` after its end."""
    after_min: Annotated[Number, Field(ge=1, le=1_440)] = 15.0
    """How long data may come late before the report is made."""
    locations: tuple[Identifier, ...] = ()
    rooms: tuple[Identifier, ...] = ()
    areas: tuple[Identifier, ...] = ()
    """What it is about; without any of the three: the whole site."""
    mail_to: tuple[Label, ...] = ()
    """Ids of persons, who are mailed by their first e-mail address, and plain e-mail addresses."""
    channel: Identifier | None = None
    """Over which `[[channels]]` of kind e-mail plain addresses are mailed. Absent: the first there is."""
    formats: Annotated[tuple[Literal["pdf", "html", "json"], ...], Field(min_length=1, max_length=3)] = ("pdf",)
    """What is attached to the mail."""

    @model_validator(mode="after")
    def _local_time(self) -> Self:
        if self.kind == "shift" and self.at is not None:
            raise mistake("at", "a report of each shift has no one time of day", "Remove at, or give after_min.")
        return self
