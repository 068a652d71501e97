"""What an alarm means and how urgent it is: cause, consequence, action, time to respond, and the priority from them.

Rules: the priority is derived from the severity of the consequence and the time to respond by one literal matrix
(`MATRIX`), or by the site's. Each key of an advice comes from the narrowest place that states it: location, room, area,
the site, then the shipped table (`alarms.default_advice`). ISA-18.2 asks for such a matrix and leaves its content to
the site; ours is common practice, no source. Pure; must not know which alarms stand.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final, TypeVar

from motewatch.alarms.default_advice import DEFAULT_SOURCE, OTHER, SHIPPED
from motewatch.alarms.priority import Priority, Severity
from motewatch.site.models import Site
from motewatch.site.rationalisation import PriorityMatrix, Rationalisation
from motewatch.wire.records import MINUTE_US

_T = TypeVar("_T")
_L, _M, _H = Priority.LOW, Priority.MEDIUM, Priority.HIGH

WITHIN_US: Final = (10 * MINUTE_US, 60 * MINUTE_US)
MATRIX: Final[dict[Severity, tuple[Priority, ...]]] = {
    #                 10 min  60 min  longer
    Severity.SEVERE: (_H, _H, _M),
    Severity.MAJOR: (_H, _M, _L),
    Severity.MINOR: (_M, _L, _L),
}
"""Priority by severity of the consequence and time to respond. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Matrix:
    """A priority matrix: each row has one priority more than there are bounds in `within_us`."""

    within_us: tuple[int, ...] = WITHIN_US
    rows: dict[Severity, tuple[Priority, ...]] = field(default_factory=lambda: MATRIX)

    @classmethod
    def of(cls, model: PriorityMatrix | None) -> Matrix:
        """The site's, or the shipped one."""
        if model is None:
            return cls()
        rows = {Severity.SEVERE: model.severe, Severity.MAJOR: model.major, Severity.MINOR: model.minor}
        return cls(
            tuple(round(minutes * MINUTE_US) for minutes in model.within_min),
            {severity: tuple(Priority(word) for word in row) for severity, row in rows.items()},
        )

    def priority(self, severity: Severity, respond_within_us: int) -> Priority:
        """The priority; a time that equals a bound belongs to it."""
        column = sum(respond_within_us > bound for bound in self.within_us)
        return self.rows[severity][column]


@dataclass(frozen=True, slots=True)
class Advice:
    """What one alarm means at one place."""

    kind: str
    cause: str
    consequence: str
    action: str
    respond_within_us: int
    severity: Severity
    priority: Priority
    """By the matrix."""
    source: str
    """Who says so: the site file, the shipped table, or both."""
    stated: bool
    """The site states what the priority follows from, so that the engine gives the alarm this priority."""


@dataclass(frozen=True, slots=True)
class Advisor:
    """A site's advice, compiled once per configuration."""

    matrix: Matrix
    own_matrix: bool
    tables: dict[tuple[str, str, str], Rationalisation]
    """By kind, place ("location", "room", "area" or "") and its id."""
    rooms: dict[str, str]
    """Room of each location."""
    areas: dict[str, str]
    """Area of each room."""

    @classmethod
    def of(cls, site: Site) -> Advisor:
        """The advice of a site that `site.crosscheck` found sound."""
        tables = {}
        for table in site.rationalisation:
            place, ident = next(
                ((name, ident) for name in _PLACES if (ident := getattr(table, name)) is not None), ("", "")
            )
            tables[(table.kind, place, ident)] = table
        return cls(
            Matrix.of(site.priority_matrix),
            site.priority_matrix is not None,
            tables,
            {location.id: location.room for location in site.locations},
            {room.id: room.area for room in site.rooms},
        )

    def advice(
        self, kind: str, *, location: str | None = None, room: str | None = None, area: str | None = None
    ) -> Advice:
        """What an alarm of this kind means at this place. Room and area follow from the location where absent."""
        if room is None and location is not None:
            room = self.rooms.get(location)
        if area is None and room is not None:
            area = self.areas.get(room)
        shipped = SHIPPED.get(kind, OTHER)
        own = list(self._own(kind, location, room, area))
        minutes = _stated(table.respond_within_min for table in own)
        severity = _stated(table.severity for table in own)
        respond_us = round((shipped.respond_min if minutes is None else minutes) * MINUTE_US)
        level = shipped.severity if severity is None else Severity(severity)
        return Advice(
            kind=kind,
            cause=_stated(table.cause for table in own) or shipped.cause,
            consequence=_stated(table.consequence for table in own) or shipped.consequence,
            action=_stated(table.what_to_do for table in own) or shipped.action,
            respond_within_us=respond_us,
            severity=level,
            priority=self.matrix.priority(level, respond_us),
            source=_source(own),
            stated=self.own_matrix or minutes is not None or severity is not None,
        )

    def priority(
        self,
        kind: str,
        default: Priority,
        *,
        location: str | None = None,
        room: str | None = None,
        area: str | None = None,
    ) -> Priority:
        """The priority that the engine gives: the derived one where the site states what it follows from."""
        if not self.own_matrix and not self.tables:
            return default
        advice = self.advice(kind, location=location, room=room, area=area)
        return advice.priority if advice.stated else default

    def _own(self, kind: str, location: str | None, room: str | None, area: str | None) -> Iterator[Rationalisation]:
        for place, ident in (("location", location), ("room", room), ("area", area), ("", "")):
            table = self.tables.get((kind, place, ident)) if ident is not None else None
            if table is not None:
                yield table


_PLACES = ("location", "room", "area")
_KEYS = ("cause", "consequence", "what_to_do", "respond_within_min", "severity")


def _stated(values: Iterable[_T | None]) -> _T | None:
    """The first that is stated: the narrowest place's."""
    return next((value for value in values if value is not None), None)


def _source(own: list[Rationalisation]) -> str:
    if not own:
        return DEFAULT_SOURCE
    given = sum(any(getattr(table, key) is not None for table in own) for key in _KEYS)
    return "the site file" if given == len(_KEYS) else f"the site file; the rest: {DEFAULT_SOURCE}"


def advice_for(
    site: Site, kind: str, *, location: str | None = None, room: str | None = None, area: str | None = None
) -> Advice:
    """What an alarm of this kind means at this place of a site. For many questions keep an `Advisor`."""
    return Advisor.of(site).advice(kind, location=location, room=room, area=area)
