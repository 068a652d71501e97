"""How alarms are treated at this site: latching, re-alarm time, how long shelved, and what is suppressed by design.

Rules: as in `site.models`. That the kinds, places and persons exist is `site.check_alarm_rules`. Terms after
ANSI/ISA-18.2-2016 and IEC 62682.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from motewatch.site.basics import Flag, Identifier, Label, Number, Occupancy, Table, mistake

PriorityName = Literal["low", "medium", "high"]
SensorWord = Literal["silent", "laser", "flow", "clock", "stuck"]


class Alarms(Table):
    """What holds for all alarms."""

    longest_shelving_h: Annotated[Number, Field(gt=0, le=168)] = 12.0
    """An alarm is shelved for this long at most: about a shift (our choice; the standards leave it to the site)."""
    by_id: Flag = True
    """Whoever gives a command stands on record under their id in `[[persons]]`, however they typed id or name; false:
    as typed. A configuration recorded before there was this key is read as false, so that its record replays."""


class AlarmRule(Table):
    """How some alarms are treated. The first in the file that matches an alarm is taken."""

    kinds: tuple[Label, ...] = ()
    """Empty: every kind. The same holds for the other keys that choose."""
    priorities: tuple[PriorityName, ...] = ()
    areas: tuple[Identifier, ...] = ()
    rooms: tuple[Identifier, ...] = ()
    locations: tuple[Identifier, ...] = ()
    latched: Flag = False
    """The alarm stays after its condition has gone, until an entitled person resets it."""
    re_alarm_min: Annotated[Number, Field(ge=1, le=10_080)] | None = None
    """Acknowledged and still active after so long: unacknowledged again."""

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        # `latched = false` does say something: it takes an alarm out of a rule that follows.
        if "latched" not in self.model_fields_set and self.re_alarm_min is None:
            raise mistake("", "an alarm rule that changes nothing", "Give latched, re_alarm_min or both.")
        return self


class Suppression(Table):
    """A rule by which alarms are suppressed by design while something else explains them or makes them meaningless.

    Exactly one of `occupancy`, `sensor` and `upstream` says when.
    """

    id: Identifier
    reason: Label
    """Why this is right, in a sentence: it goes on record with each alarm that is hidden."""
    hides: Annotated[tuple[Label, ...], Field(min_length=1)]
    """Kinds of alarm that are hidden."""
    areas: tuple[Identifier, ...] = ()
    rooms: tuple[Identifier, ...] = ()
    """Where they are hidden; without any place: everywhere."""
    locations: tuple[Identifier, ...] = ()
    occupancy: tuple[Occupancy, ...] = ()
    """While the alarm's room is in one of these states."""
    sensor: tuple[SensorWord, ...] = ()
    """While the sensor of the alarm's location has one of these alarms itself."""
    upstream: tuple[Identifier, ...] = ()
    """While one of these rooms has an alarm of the kinds `upstream_kinds` that people can see."""
    upstream_kinds: tuple[Label, ...] = ()

    @model_validator(mode="after")
    def _one_cause(self) -> Self:
        if sum(bool(cause) for cause in (self.occupancy, self.sensor, self.upstream)) != 1:
            raise mistake(
                "", "a suppression has exactly one of occupancy, sensor and upstream", "Give one of these three keys."
            )
        if bool(self.upstream) != bool(self.upstream_kinds):
            raise mistake(
                "upstream_kinds",
                "upstream and upstream_kinds belong together",
                "Name the rooms and the kinds of alarm that explain.",
            )
        if Occupancy.OPERATIONAL in self.occupancy and any(kind.endswith("-action") for kind in self.hides):
            raise mistake(
                "occupancy",
                "alarms of the action level must not be suppressed in operation",
                "Remove operational, or the kinds of the action level.",
            )
        return self
