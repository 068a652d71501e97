"""The pressure cascade of a site, compiled: its steps, and the gauges that show the differences between places.

A gauge is a fixed sensor that says against which place its differential pressure is measured (`pressure_above`). A step
is watched where gauges connect its two rooms; without any gauge there is no watch, as before there were gauges. Frozen;
must not know time, state or readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from motewatch.alarms.bounds import Bound, Side
from motewatch.limits.cascade import Gauge, Step, evaluate
from motewatch.site.models import CascadeStep, Site
from motewatch.wire.records import SECOND_US


@dataclass(frozen=True, slots=True)
class StepPlan:
    """One step that gauges can show."""

    key: str
    """`HIGHER/LOWER`."""
    step: Step
    higher_name: str
    lower_name: str
    location: str | None
    """Where the higher room's own gauge hangs: that place does not hold while the step is lost."""
    sensor: str | None
    room: str
    area: str
    bound: Bound
    """On the difference between the two, in millipascal."""
    gauges: tuple[str, ...]
    """Sensors that it is judged by: those along the chain of gauges; all of them where gauges close a loop, since there
    is more than one chain then, and loops can contradict themselves."""


@dataclass(frozen=True, slots=True)
class CascadePlan:
    """All of it; empty where no sensor is a gauge."""

    steps: dict[str, StepPlan]
    gauges: dict[str, tuple[str, str]]
    """By sensor: the room it hangs in, and the place that its pressure is measured against."""
    steps_of: dict[str, tuple[str, ...]]
    """By sensor: keys of the steps that it shows."""


def cascade_of(site: Site) -> CascadePlan:
    """The cascade of a site that `site.crosscheck` found sound."""
    rooms = {location.id: location.room for location in site.locations}
    own: dict[str, tuple[str, str]] = {}
    for sensor in site.sensors:
        if sensor.location is not None and sensor.pressure_above is not None:
            own.setdefault(rooms[sensor.location], (sensor.location, sensor.id))
    gauges = {
        sensor.id: (rooms[sensor.location], sensor.pressure_above)
        for sensor in site.sensors
        if sensor.location is not None and sensor.pressure_above is not None
    }
    by_id = {room.id: room for room in site.rooms}
    steps: dict[str, StepPlan] = {}
    for stated in site.cascade if gauges else ():
        step = Step(stated.higher, stated.lower, round(stated.low_pa * 1000))
        chain = _chain(step, gauges)
        if chain:
            room = by_id[stated.higher]
            location, gauge = own.get(stated.higher, (None, None))
            plan = StepPlan(
                key=f"{stated.higher}/{stated.lower}",
                step=step,
                higher_name=room.name,
                lower_name=by_id[stated.lower].name,
                location=location,
                sensor=gauge,
                room=room.id,
                area=room.area,
                bound=_bound(stated),
                gauges=tuple(gauges) if _loops(gauges) else chain,
            )
            steps[plan.key] = plan
    shows = {sensor: tuple(key for key, step in steps.items() if sensor in step.gauges) for sensor in gauges}
    return CascadePlan(steps, gauges, {sensor: keys for sensor, keys in shows.items() if keys})


def _chain(step: Step, gauges: dict[str, tuple[str, str]]) -> tuple[str, ...]:
    """Sensors along the shortest chain between its rooms; any differences will do to find it."""
    (found,) = evaluate([step], [Gauge(above, below, 0) for above, below in gauges.values()]).steps
    doors = {frozenset(pair) for pair in pairwise(found.through)}
    return tuple(sensor for sensor, places in gauges.items() if frozenset(places) in doors)


def _loops(gauges: dict[str, tuple[str, str]]) -> bool:
    """Do gauges close a loop anywhere? Several over one door are none."""
    joined: dict[str, str] = {}

    def root(place: str) -> str:
        while joined.setdefault(place, place) != place:
            place = joined[place]
        return place

    for above, below in sorted({tuple(sorted(places)) for places in gauges.values()}):
        if root(above) == root(below):
            return True
        joined[root(above)] = root(below)
    return False


def _bound(stated: CascadeStep) -> Bound:
    return Bound(
        Side.LOW,
        round(stated.low_pa * 1000),
        round(stated.deadband_pa * 1000),
        round(stated.on_delay_s * SECOND_US),
        round(stated.off_delay_s * SECOND_US),
    )
