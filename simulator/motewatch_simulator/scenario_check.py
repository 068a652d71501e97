"""A scenario against its site: names that must exist, places for portables, and an air balance that can close.

What one table can say about itself is said by its model. No physics beyond the air balance, no files.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Any

from motewatch.site.models import Site
from motewatch.site.problems import Problem
from motewatch_simulator import scenario as s
from motewatch_simulator.filters import rated_penetration
from motewatch_simulator.mistakes import problem_at
from motewatch_simulator.pressure import leak_m3_s
from motewatch_simulator.scenario_check_counters import check_counters, check_fault

Path = tuple[str | int, ...]

SMALLEST_UM = 0.1
"""Where filters of the plant by rating hold back least."""


def check(name: str, data: Any, scenario: s.Scenario, site: Site) -> list[Problem]:
    """Every mistake; `data` is the file as read, for showing values, and `name` stands for it in messages."""
    checker = _Checker(name, data, scenario, site)
    checker.ids()
    checker.rooms()
    checker.sensors()
    checker.incidents()
    if not checker.problems:
        checker.air_balance()
    return checker.problems


class _Checker:
    def __init__(self, name: str, data: Any, scenario: s.Scenario, site: Site) -> None:
        self.problems: list[Problem] = []
        self._name = name
        self._data = data
        self._scenario = scenario
        self._plants = {plant.id for plant in scenario.rooms}
        self._volumes = {room.id: room.volume_m3 for room in site.rooms}
        self._locations = {location.id: location for location in site.locations}
        self._site = site

    def ids(self) -> None:
        """No id stands twice."""
        for table in ("rooms", "locations", "sensors"):
            seen: set[str] = set()
            for i, row in enumerate(getattr(self._scenario, table)):
                if row.id in seen:
                    self._say((table, i, "id"), "this id stands twice", "Remove one of the two tables.")
                seen.add(row.id)

    def rooms(self) -> None:
        """Rooms, what lies between them, and what is in them."""
        scenario = self._scenario
        for i, plant in enumerate(scenario.rooms):
            self._known(("rooms", i, "id"), plant.id, self._volumes, "room in the site file")
            if plant.id in self._volumes and self._volumes[plant.id] is None:
                self._say(("rooms", i, "id"), "this room has no volume in the site file", "Add volume_m3 to it there.")
        ends = self._plants | {s.SURROUNDINGS}
        pairs: list[set[str]] = []
        for i, connection in enumerate(scenario.connections):
            self._known(("connections", i, "higher"), connection.higher, ends, "room in this scenario")
            self._known(("connections", i, "lower"), connection.lower, ends, "room in this scenario")
            pair = {connection.higher, connection.lower}
            if len(pair) == 1:
                self._say(("connections", i, "lower"), "a room cannot adjoin itself", "Name another room.")
            if pair in pairs:
                self._say(
                    ("connections", i, "lower"), "these two rooms are connected already", "Remove one of the two."
                )
            pairs.append(pair)
            higher = next((plant for plant in scenario.rooms if plant.id == connection.higher), None)
            if connection.leak_m2 is not None and (higher is None or (higher.pressure_pa or 0.0) <= 0):
                self._say(
                    ("connections", i, "leak_m2"),
                    "nothing drives air through this opening",
                    "Give pressure_pa above 0 to the higher room, or leak_m3_h instead.",
                )
        for i, people in enumerate(scenario.people):
            self._known(("people", i, "room"), people.room, self._plants, "room in this scenario")
            if people.gowning_room is not None:
                at = ("people", i, "gowning_room")
                self._known(at, people.gowning_room, self._plants, "room in this scenario")
            if people.breaks and not people.hours:
                self._say(("people", i, "breaks"), "breaks need working hours", "Give hours, or remove breaks.")
        for i, machine in enumerate(scenario.machines):
            self._known(("machines", i, "room"), machine.room, self._plants, "room in this scenario")
            if machine.near is not None:
                near = {place.id for place in scenario.locations if place.near_m3 is not None}
                self._known(("machines", i, "near"), machine.near, near, "location with near_m3 here")
            self._probes(("machines", i, "seen_by"), machine.seen_by)
        for i, place in enumerate(scenario.locations):
            self._known(("locations", i, "id"), place.id, self._locations, "location in the site file")
            home = self._locations[place.id].room if place.id in self._locations else None
            if place.near_m3 is not None and home is not None and home not in self._plants:
                self._say(("locations", i, "near_m3"), f'its room "{home}" has no plant', "Add [[rooms]] for it.")

    def sensors(self) -> None:
        """Every sensor of the site must stand in a room that has a plant here."""
        check_counters(self._scenario, self._site, self._known, self._say, self._lacks)

    def incidents(self) -> None:
        """Incidents happen to something that exists, and end before the scenario repeats."""
        scenario = self._scenario
        zones = {place.id for place in scenario.locations if place.transfer is not None}
        doors = {(c.higher, c.lower) for c in scenario.connections if c.door is not None}
        repeat_s = scenario.scenario.repeat_s
        for i, incident in enumerate(scenario.incidents):
            at: Path = ("incidents", i)
            match incident:
                case s.Intervention():
                    self._known((*at, "location"), incident.location, zones, "location with a transfer here")
                    self._probes((*at, "seen_by"), incident.seen_by)
                case s.FanTrip():
                    for k, room in enumerate(incident.rooms):
                        self._known((*at, "rooms", k), room, self._plants, "room in this scenario")
                    if incident.coast_s + incident.restart_s > incident.duration_s:
                        self._say((*at, "restart_s"), "the fan runs up before it has run out", "Lengthen duration_s.")
                case s.DoorOpen():
                    if (incident.higher, incident.lower) not in doors:
                        known = ", ".join(f"{a} to {b}" for a, b in sorted(doors)) or "none"
                        self._say((*at, "higher"), "no door leads from here to lower", f"Doors here: {known}.")
                case s.SensorFault():
                    check_fault(at, incident, scenario, self._site, self._known, self._say)
                case _:
                    self._known((*at, "room"), incident.room, self._plants, "room in this scenario")
            if repeat_s is not None and incident.at_s + incident.duration_s > repeat_s:
                self._say(
                    (*at, "at_s"),
                    f"the incident would end after scenario.repeat_s, which is {repeat_s:g}",
                    "Start it earlier, shorten it, or repeat later.",
                )

    def _probes(self, path: Path, probes: tuple[s.Probe, ...]) -> None:
        zones = {place.id for place in self._scenario.locations if place.transfer is not None}
        for i, probe in enumerate(probes):
            self._known((*path, i, "location"), probe.location, zones, "location with a transfer here")

    def air_balance(self) -> None:
        """A room can only lose what it gains, also at night; what is left over is its return."""
        scenario = self._scenario
        leaks = [
            (c.higher, c.lower, _leak_m3_h(c, {plant.id: plant.pressure_pa for plant in scenario.rooms}))
            for c in scenario.connections
        ]
        leaky = {room for higher, lower, flow in leaks if flow > 0 for room in (higher, lower)}
        closed = {plant.id for plant in scenario.rooms if plant.id not in leaky and _keeps_all(plant)}
        lost_at = {plant.air_handler for plant in scenario.rooms if plant.id not in closed} - {None}
        for i, plant in enumerate(scenario.rooms):
            supply = plant.air_changes_per_h * (self._volumes[plant.id] or 0.0)
            # A fan at fault takes the pressure and with it the leaks; night set-back keeps both.
            gained = supply * (plant.setback_share if plant.setback_hours else 1.0)
            gained += sum(flow for _, lower, flow in leaks if lower == plant.id)
            lost = sum(flow for higher, _, flow in leaks if higher == plant.id)
            if gained < lost:
                self._say(
                    ("rooms", i, "air_changes_per_h"),
                    f"the room leaks {lost:g} m3/h and gains only {gained:g} m3/h",
                    "Raise air_changes_per_h or setback_share, or lower the leaks of its connections.",
                )
            if plant.id in closed and plant.air_handler not in lost_at:
                self._say(
                    ("rooms", i, "fresh_air"),
                    "nothing ever takes a particle out of this room: it has no fresh air, filter, leak or floor",
                    "Give it fresh_air, a filter, floor_m2, or a connection that leaks.",
                )
            if plant.leak_l_min * 0.06 >= supply:
                self._say(
                    ("rooms", i, "leak_l_min"),
                    f"more leaks past the filter than the supply of {supply:g} m3/h",
                    "Give litres per minute that pass the seal.",
                )

    def _known(self, path: Path, value: str, known: Iterable[str], what: str) -> None:
        names = sorted(known)
        if value not in names:
            near = difflib.get_close_matches(value, names, 1)
            mend = f'Did you mean "{near[0]}"?' if near else f"Give one of {', '.join(names) or 'none'}."
            self._say(path, f"there is no such {what}", mend)

    def _say(self, path: Path, message: str, mend: str) -> None:
        self.problems.append(problem_at(self._name, self._data, path, message, mend))

    def _lacks(self, key: str, message: str, mend: str) -> None:
        self.problems.append(Problem(self._name, key, "", message, mend))


def _keeps_all(plant: s.Plant) -> bool:
    """Whether a room without leaks would never come to rest: all its air comes back with all that hangs in it."""
    fine = 1.0 - plant.fine_filter_efficiency
    if plant.fine_filter is not None:
        fine = rated_penetration(SMALLEST_UM, plant.fine_filter)
    terminal = max(plant.penetration_floor, plant.terminal_penetration if plant.terminal_class is None else 0.0)
    return plant.fresh_air == 0 and plant.floor_m2 == 0 and fine * terminal == 1.0


def _leak_m3_h(connection: s.Connection, pressures: dict[str, float | None]) -> float:
    if connection.leak_m2 is None:
        return connection.leak_m3_h
    return 3600.0 * leak_m3_s(connection.leak_m2, pressures[connection.higher] or 0.0)
