"""The site's own levels, and the sizes its sensors count, held against the limits of the standards.

Belongs to the cross checks of `site`, but needs `limits`, which `site` must not import. The same choice of levels as
the engine's plan makes: the narrowest place wins, and at one place a level that names the state; alert and action are
each looked up for themselves; without an action level of its own the standard's limit is the action level.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from motewatch.limits.errors import UnknownClassError, UnknownStandardError
from motewatch.limits.standards.library import Library
from motewatch.limits.tables import Limit, limits_for
from motewatch.links.own_standards import check_standards
from motewatch.site.findings import NOTHING, Findings, Lost
from motewatch.site.models import Level, Location, Occupancy, OwnClass, Room, Sensor, Site, size_nm, standard_place
from motewatch.site.problems import Problem
from motewatch.site.shape import number_text

_PLACES = ("location", "room", "area")
_STATES = (Occupancy.OPERATIONAL, Occupancy.AT_REST, Occupancy.AS_BUILT)
"""The likeliest first: of several states in which a level is wrong the first is told."""


@dataclass(frozen=True, slots=True)
class _Here:
    """One location with all that holds for it."""

    number: int
    location: Location
    room: Room
    grade: str | None
    iso_class: float | None
    own_class: OwnClass | None
    library: Library
    levels: list[tuple[int, int, Level]]
    """Rank of the place (0 is the narrowest), position in the file's list, the level itself."""

    def limits(self, state: Occupancy) -> tuple[Limit, ...]:
        """The limits in numbers that hold here in this state."""
        return limits_for(self.grade, self.iso_class, state, self.own_class, self.library)


def check_limits(site: Site, file: str = "", lost: Lost = NOTHING) -> list[Problem]:
    """Levels looser than a standard's limit, alert levels above what acts, limits at sizes that nobody counts."""
    findings = Findings(site, file, lost)
    library = check_standards(findings)
    places = [here for here in _places(site, library) if _known(here)]
    if findings.complete("levels"):
        told: set[tuple[int, str]] = set()
        for here in places:
            for state in _STATES:
                _levels(findings, here, state, told)
        for here in places:
            _unjudged(findings, here)
    if findings.complete("sensors"):
        fixed = {sensor.location: sensor for sensor in site.sensors if sensor.location is not None}
        for here in places:
            if here.location.id in fixed:
                _sizes(findings, here, fixed[here.location.id])
    return findings.problems


def _known(here: _Here) -> bool:
    """Can the limits be looked up? A class that cannot is told already."""
    if here.own_class is None:
        return True
    try:
        here.library.get(here.own_class.standard).where(here.own_class.class_name)
    except (UnknownStandardError, UnknownClassError):
        return False
    return True


def _places(site: Site, library: Library) -> Iterator[_Here]:
    rooms = {room.id: room for room in site.rooms}
    levels: dict[tuple[str, str], list[tuple[int, Level]]] = defaultdict(list)
    for number, level in enumerate(site.levels):
        for place in _PLACES:
            ident = getattr(level, place)
            if ident is not None:
                levels[(place, ident)].append((number, level))
    for number, location in enumerate(site.locations):
        room = rooms.get(location.room)
        if room is None:
            continue
        source = standard_place(location, room)
        here = zip(_PLACES, (location.id, room.id, room.area), strict=True)
        found = [(rank, at, level) for rank, key in enumerate(here) for at, level in levels.get(key, ())]
        yield _Here(number, location, room, source.grade, source.iso_class, source.own_class, library, found)


def _levels(findings: Findings, here: _Here, state: Occupancy, told: set[tuple[int, str]]) -> None:
    limits = {limit.size_nm: limit for limit in here.limits(state)}
    levels = findings.site.levels
    alerts = _chosen(here, state, "alert_per_m3")
    actions = _chosen(here, state, "action_per_m3")
    where = f'"{here.location.id}" ({state.value})'
    for size, number in actions.items():
        limit = limits.get(size)
        value = levels[number].action_per_m3
        if limit is None or value is None or value <= limit.per_m3 or (number, "action") in told:
            continue
        told.add((number, "action"))
        findings.error(
            ("levels", number, "action_per_m3"),
            value,
            f"must not be looser than the limit that holds at {where}: {limit.per_m3} per m3 ({limit.source})",
            f"Give at most {limit.per_m3}"
            + (", or name the state it is for by occupancy." if levels[number].occupancy is None else "."),
        )
    for size, number in alerts.items():
        value = levels[number].alert_per_m3
        acting = actions.get(size)
        if acting is not None:
            # Both in one table: the model has compared them.
            above = levels[acting].action_per_m3 if acting != number else None
        else:
            above = limits[size].per_m3 if size in limits else None
        if above is None or value is None or value <= above or (number, "alert") in told:
            continue
        told.add((number, "alert"))
        findings.error(
            ("levels", number, "alert_per_m3"),
            value,
            f"must not be greater than the action level that holds at {where}: {above} per m3",
            "The alert level warns before the action level is reached: give a smaller one"
            + (", or name the state it is for by occupancy." if levels[number].occupancy is None else "."),
        )


def _unjudged(findings: Findings, here: _Here) -> None:
    """A standard may leave a state to the site: grade D in operation, class 9 at rest."""
    states = {here.room.occupancy} | ({Occupancy.OPERATIONAL} if here.room.operational else set())
    for state in _STATES:
        if state not in states or _standard(here) == "":
            continue
        own = [_chosen(here, state, key) for key in ("alert_per_m3", "action_per_m3")]
        if not any(own) and not here.limits(state):
            findings.warning(
                ("locations", here.number),
                None,
                f"nothing is judged here in the state {state.value}: {_standard(here)} has no limit for it",
                "Set levels of your own in [[levels]]"
                + ("; Annex 1 expects that for grade D in operation." if here.grade == "D" else "."),
            )


def _standard(here: _Here) -> str:
    if here.grade is not None:
        return f"grade {here.grade}"
    if here.iso_class is not None:
        return f"ISO class {number_text(here.iso_class)}"
    if here.own_class is not None:
        standard = here.library.get(here.own_class.standard)
        return f"{standard.rows_are} {here.own_class.class_name} of {standard.name}"
    return ""


def _chosen(here: _Here, state: Occupancy, key: str) -> dict[int, int]:
    """For each size the position of the level whose `key` holds here in this state."""
    best: dict[int, tuple[int, int]] = {}
    for rank, number, level in here.levels:
        if getattr(level, key) is None or level.occupancy not in (None, state):
            continue
        score = 2 * rank + (level.occupancy is None)
        size = size_nm(level.size_um)
        if size not in best or score < best[size][0]:
            best[size] = (score, number)
    return {size: number for size, (_, number) in best.items()}


def _sizes(findings: Findings, here: _Here, sensor: Sensor) -> None:
    wanted = {limit.size_nm for state in _STATES for limit in here.limits(state)}
    counted = {size_nm(size) for size in sensor.sizes_um}
    missing = wanted - counted
    if not missing:
        return
    standard = _standard(here)
    path = ("locations", here.number)
    if not wanted & counted:
        findings.error(
            path,
            None,
            f'sensor "{sensor.id}" counts none of the sizes that {standard} limits: {_sizes_text(wanted)}',
            "Nothing would be judged here: use another sensor, or correct its sizes_um.",
        )
    elif here.grade == "A":
        findings.error(
            path,
            None,
            f'sensor "{sensor.id}" does not count {_sizes_text(missing)}; grade A is monitored at both sizes '
            "(EU GMP Annex 1, 2022, 9.17)",
            "Use a sensor that counts both, or correct its sizes_um.",
        )
    elif here.iso_class is None:
        findings.warning(
            path,
            None,
            f'sensor "{sensor.id}" does not count {_sizes_text(missing)}, which {standard} limits',
            "Nothing to do where that is justified; else use a sensor that counts both.",
        )
    # An ISO class may be shown at any one of its sizes (ISO 14644-1:2015, 4.1), so missing others are no mistake.


def _sizes_text(sizes_nm: set[int]) -> str:
    return ", ".join(number_text(size / 1000) for size in sorted(sizes_nm)) + " um"
