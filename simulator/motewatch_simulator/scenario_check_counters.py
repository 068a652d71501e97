"""The sensors of a scenario, and how they misbehave, against its site.

Every sensor needs a place in a room that has a plant: its own, or where a portable stands, is carried or is switched
to. What it says goes through the three callables that `scenario_check` hands in, so that messages look alike.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Protocol

from motewatch.site.models import Sensor, Site
from motewatch_simulator import scenario as s
from motewatch_simulator.route import Tour
from motewatch_simulator.timeline import micros_of

Path = tuple[str | int, ...]


class Known(Protocol):
    """Says so where a name is not among those known."""

    def __call__(self, path: Path, value: str, known: Iterable[str], what: str) -> None:
        """`what` says what it should be."""
        ...


Say = Callable[[Path, str, str], None]
"""Path, what is wrong, how to mend it; `Lacks` is the same for something that is missing."""


def check_counters(
    scenario: s.Scenario, site: Site, known: Known, say: Say, lacks: Callable[[str, str, str], None]
) -> None:
    """Every sensor has one way to a place, and the place has air."""
    sensors = {sensor.id: sensor for sensor in site.sensors}
    locations = {location.id: location.room for location in site.locations}
    plants = {plant.id for plant in scenario.rooms}
    placed: dict[str, list[str]] = {}
    for i, counter in enumerate(scenario.sensors):
        at: Path = ("sensors", i)
        known((*at, "id"), counter.id, sensors, "sensor in the site file")
        for path, location in _places(at, counter):
            known(path, location, locations, "location in the site file")
            placed.setdefault(counter.id, []).append(location)
        sensor = sensors.get(counter.id)
        if sensor is not None:
            _check_counter(at, counter, sensor, say)
    for sensor in site.sensors:
        where = placed.get(sensor.id, []) if sensor.location is None else [sensor.location]
        if not where:
            lacks(
                "sensors",
                f'the portable sensor "{sensor.id}" stands nowhere',
                f'Add [[sensors]] with id = "{sensor.id}" and a location, a tour or a manifold.',
            )
        for room in dict.fromkeys(locations[location] for location in where if location in locations):
            if room not in plants:
                lacks(
                    "rooms",
                    f'the room "{room}" of the sensor "{sensor.id}" has no plant',
                    f'Add [[rooms]] with id = "{room}" and air_changes_per_h.',
                )
    _check_wandering(scenario, sensors, placed, say)


def check_fault(at: Path, fault: s.SensorFault, scenario: s.Scenario, site: Site, known: Known, say: Say) -> None:
    """A misbehaviour happens to a sensor that exists."""
    if fault.sensor != s.EVERY:
        known((*at, "sensor"), fault.sensor, (sensor.id for sensor in site.sensors), "sensor in the site file")
    if isinstance(fault, s.ConfigError) and fault.location is not None:
        rooms = {plant.id for plant in scenario.rooms}
        airy = (location.id for location in site.locations if location.room in rooms)
        known((*at, "location"), fault.location, airy, "location in a room with a plant")
    if isinstance(fault, s.ChannelOrder):
        counters = {counter.id: counter for counter in scenario.sensors}
        for sensor in site.sensors:
            counter = counters.get(sensor.id)
            if fault.sensor in (sensor.id, s.EVERY) and counter is not None and counter.counts == "differential":
                say((*at, "kind"), f'"{sensor.id}" sends differential counts, which have no order', "Name another.")


def _places(at: Path, counter: s.Counter) -> Iterator[tuple[Path, str]]:
    if counter.location is not None:
        yield (*at, "location"), counter.location
    for k, stop in enumerate(counter.tour.stops if counter.tour is not None else ()):
        yield (*at, "tour", "stops", k, "location"), stop.location
    for k, port in enumerate(counter.manifold.ports if counter.manifold is not None else ()):
        yield (*at, "manifold", "ports", k, "location"), port.location


def _check_counter(at: Path, counter: s.Counter, sensor: Sensor, say: Say) -> None:
    if sensor.kind == "fixed":
        for key, mend in (
            ("location", "Remove location."),
            ("tour", "Remove tour, or make it portable in the site file."),
            ("manifold", "Remove manifold, or make it portable in the site file: it names a location in each message."),
        ):
            if getattr(counter, key) is not None:
                say((*at, key), "a fixed sensor hangs where the site file says", mend)
    if counter.sample_s is not None and counter.sample_s > sensor.interval_s:
        say((*at, "sample_s"), f"is longer than its interval of {sensor.interval_s:g} s", "Give at most the interval.")
    if counter.tour is not None:
        interval_us = micros_of(sensor.interval_s)
        sample_us = interval_us if counter.sample_s is None else micros_of(counter.sample_s)
        for k, stop in enumerate(counter.tour.stops):
            if not Tour(0, ((stop.location, micros_of(stop.stay_s)),), 0, interval_us, sample_us).fits:
                say(
                    (*at, "tour", "stops", k, "stay_s"),
                    "is too short for a whole sample wherever the clock's marks fall",
                    f"Give at least {(interval_us + sample_us) / 1e6:g}, its interval and its sample.",
                )


def _check_wandering(scenario: s.Scenario, sensors: dict[str, Sensor], placed: dict[str, list[str]], say: Say) -> None:
    """Wandering is not added to what the room makes wander already."""
    zones = {place.id for place in scenario.locations if place.transfer is not None}
    for i, counter in enumerate(scenario.sensors):
        if not isinstance(counter.dispersion, s.LogOu):
            continue
        sensor = sensors.get(counter.id)
        own = None if sensor is None else sensor.location
        for location in placed.get(counter.id, []) if own is None else [own]:
            if location not in zones:
                say(
                    ("sensors", i, "dispersion", "kind"),
                    f'"{location}" sees its mixed room, whose counts wander by themselves',
                    "Use negative-binomial, or give the location a transfer (a unidirectional zone).",
                )
