"""What an alarm means at this site: the tables by which a site replaces the shipped advice, and its priority matrix.

Rules: as in `site.models` (unknown keys are mistakes, units in the key names). A table gives only what it replaces.
What one table can say about itself is validated here; that its place and its kind exist is
`site.check_rationalisation`, and what priority comes out is `alarms.rationalisation`.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from motewatch.site.basics import LABEL_PATTERN, Identifier, Number, Table, mistake

Sentence = Annotated[str, StringConstraints(min_length=1, max_length=400, strip_whitespace=True, pattern=LABEL_PATTERN)]
"""A sentence or two for people, on one line."""

PriorityName = Literal["low", "medium", "high"]


class Rationalisation(Table):
    """What one kind of alarm means, everywhere or at one place: replaces the shipped text, key by key.

    The narrowest place wins, for each key by itself: location, room, area, the whole site. `severity` and
    `respond_within_min` together give the priority, by the priority matrix.
    """

    kind: Annotated[str, StringConstraints(min_length=1, max_length=64)]
    """Kind of alarm, such as `count-action`; `motewatch alarm-register` prints the kind of each."""
    location: Identifier | None = None
    room: Identifier | None = None
    area: Identifier | None = None
    cause: Sentence | None = None
    """The likely cause."""
    consequence: Sentence | None = None
    """What happens when nobody does anything."""
    what_to_do: Sentence | None = None
    """The action to take; it also stands in the calls."""
    respond_within_min: Annotated[Number, Field(gt=0, le=43_200)] | None = None
    """How long there is until the action must have begun."""
    severity: Literal["minor", "major", "severe"] | None = None
    """Severity of the consequence."""

    @model_validator(mode="after")
    def _one_place_and_something(self) -> Self:
        if sum(x is not None for x in (self.location, self.room, self.area)) > 1:
            raise mistake(
                "", "location, room and area are alternatives", "Give one of the three, or none for the site."
            )
        given = (self.cause, self.consequence, self.what_to_do, self.respond_within_min, self.severity)
        if all(x is None for x in given):
            raise mistake(
                "",
                "this table replaces nothing",
                "Give cause, consequence, what_to_do, respond_within_min, severity, or some of them.",
            )
        return self


Row = Annotated[tuple[PriorityName, ...], Field(min_length=1, max_length=8)]
_ORDER = {"low": 0, "medium": 1, "high": 2}


class PriorityMatrix(Table):
    """The site's own priority matrix: priority by severity of the consequence and time to respond.

    Each row has one priority more than `within_min` has bounds: for a time up to the first bound, up to the second, and
    so on, and for any longer time.
    """

    within_min: Annotated[tuple[Annotated[Number, Field(gt=0, le=43_200)], ...], Field(min_length=1, max_length=7)]
    severe: Row
    major: Row
    minor: Row

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if any(b <= a for a, b in pairwise(self.within_min)):
            raise mistake("within_min", "the bounds must rise", f"Write {sorted(set(self.within_min))}.")
        columns = len(self.within_min) + 1
        rows = {"severe": self.severe, "major": self.major, "minor": self.minor}
        for name, row in rows.items():
            if len(row) != columns:
                raise mistake(
                    name,
                    f"has {len(row)} priorities, and {columns} are needed",
                    "One for each bound, and one for longer.",
                )
            if any(_ORDER[b] > _ORDER[a] for a, b in pairwise(row)):
                raise mistake(
                    name,
                    "a longer time to respond must not raise the priority",
                    "Let the row fall, or stay, from left.",
                )
        for (worse, upper), (name, lower) in pairwise(rows.items()):
            if any(_ORDER[b] > _ORDER[a] for a, b in zip(upper, lower, strict=True)):
                raise mistake(
                    name, f"a less severe consequence must not have a higher priority than {worse}", "Compare the rows."
                )
        return self
