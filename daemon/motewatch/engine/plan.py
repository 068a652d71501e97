"""The site compiled into what the engine looks up while it runs: frozen, in the engine's units, resolved.

Here every choice of the site file is settled once: which levels hold at which location in which occupancy state, which
rule judges which size, which bounds a room has. The running engine then only looks up. Knows the site models and the
standards' tables; must not know time, state or any message.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from motewatch.alarms.bounds import Bound, Side
from motewatch.alarms.rationalisation import Advisor
from motewatch.engine.alarm_rules import AlarmRules
from motewatch.engine.cascade_plan import CascadePlan, cascade_of
from motewatch.engine.records import Priority
from motewatch.engine.subject import Subject
from motewatch.engine.suspicion_plan import SuspicionPlan, suspicion_of
from motewatch.engine.trend_plan import TrendPlan, trends_of
from motewatch.limits.judging import look_back
from motewatch.limits.standards.library import Library, shipped
from motewatch.limits.tables import limits_for
from motewatch.measure.samples import UL_PER_L
from motewatch.site.models import (
    Climate,
    Level,
    Location,
    Occupancy,
    Programme,
    Room,
    Rule,
    Sensor,
    Site,
    size_nm,
    standard_place,
)
from motewatch.site.schedule import WeeklyWindows
from motewatch.wire.records import MINUTE_US, SECOND_US

SILENT_AT_LEAST_US = 30 * SECOND_US
SILENT_INTERVALS = 3
VISIT_GAP_US = 10 * MINUTE_US


class Grade(StrEnum):
    """The two levels of a count or of a climate bound: EU GMP Annex 1 (2022) 9.9 to 9.18 wants both, and both heard."""

    ALERT = "alert"
    ACTION = "action"


PRIORITY = {Grade.ALERT: Priority.MEDIUM, Grade.ACTION: Priority.HIGH}


@dataclass(frozen=True, slots=True)
class CountLevel:
    """One level of one size in one occupancy state."""

    size_nm: int
    grade: Grade
    per_m3: int
    source: str


@dataclass(frozen=True, slots=True)
class ClimateBound:
    """One bound of one climate quantity of a room."""

    key: str
    """Unique in the room: `temperature-high/action`."""
    quantity: str
    grade: Grade
    unit: str
    bound: Bound


@dataclass(frozen=True, slots=True)
class RoomPlan:
    """One room."""

    id: str
    name: str
    area: str
    outside_windows: str
    windows: WeeklyWindows | None
    clean_up_us: int
    bounds: tuple[ClimateBound, ...]


@dataclass(frozen=True, slots=True)
class LocationPlan:
    """One sampling location."""

    id: str
    name: str
    room: str
    area: str
    sensor: str | None
    period_us: int | None
    """None: each reading is a sample."""
    settle_us: int
    nominal_ul: int | None
    """Air that a full sample holds, from the programme or from the fixed sensor's flow; None where neither tells."""
    required_ul: int | None
    """Air that the programme asks for; coverage is also judged by it."""
    min_coverage: float
    insufficient_after: int
    levels: dict[str, tuple[CountLevel, ...]]
    rules: dict[int, Rule]
    backs: dict[int, int]
    """How many samples the rule of each size may look back over, the newest included."""
    gap_us: int
    """Samples further apart than this are not consecutive: between them nobody measured."""

    def subject(self, alarm: str, kind: str, priority: Priority) -> Subject:
        """The subject of an alarm of this location."""
        return Subject(alarm, kind, priority, self.id, self.sensor, self.room, self.area)


@dataclass(frozen=True, slots=True)
class SensorPlan:
    """One sensor."""

    id: str
    location: str | None
    sizes_nm: tuple[int, ...]
    flow_ul_per_s: float
    flow_tolerance: float
    max_per_m3: float | None
    interval_us: int
    silent_us: int
    calibration_due_us: int | None


@dataclass(frozen=True, slots=True)
class Plan:
    """All of it."""

    digest: str
    site: str
    rooms: dict[str, RoomPlan]
    locations: dict[str, LocationPlan]
    sensors: dict[str, SensorPlan]
    clock_tolerance_us: int
    late_limit_us: int
    dead_letters_alarm: int
    dead_letters_window_us: int
    trends: dict[str, tuple[TrendPlan, ...]]
    """By location; those without any are not in it."""
    suspicion: SuspicionPlan | None
    advisor: Advisor
    """What the alarms mean, and their priorities where the site states what these follow from."""
    cascade: CascadePlan
    """Steps of the pressure cascade that gauges show."""
    alarm_rules: AlarmRules
    """Latching, re-alarm time, shelving, suppression by design, and who may do what."""


def compile_plan(site: Site, digest: str) -> Plan:
    """The plan of a site that `site.crosscheck` found sound."""
    zone = ZoneInfo(site.site.time_zone)
    rooms = {room.id: _room(room, site.site.time_zone) for room in site.rooms}
    programmes = {programme.id: programme for programme in site.programmes}
    room_models = {room.id: room for room in site.rooms}
    fixed = {sensor.location: sensor for sensor in site.sensors if sensor.location is not None}
    service = site.service
    library = shipped().with_own(site.standards)
    return Plan(
        digest=digest,
        site=site.site.id,
        rooms=rooms,
        locations={
            location.id: _location(
                location,
                room_models[location.room],
                programmes[location.programme],
                fixed.get(location.id),
                site.levels,
                library,
            )
            for location in site.locations
        },
        sensors={sensor.id: _sensor(sensor, zone) for sensor in site.sensors},
        clock_tolerance_us=_us(service.clock_tolerance_s),
        late_limit_us=_us(service.late_limit_h * 3600),
        dead_letters_alarm=service.dead_letters_alarm,
        dead_letters_window_us=_us(service.dead_letters_window_s),
        trends=trends_of(site),
        suspicion=suspicion_of(site),
        advisor=Advisor.of(site),
        cascade=cascade_of(site),
        alarm_rules=AlarmRules.of(site),
    )


def _us(seconds: float) -> int:
    return round(seconds * SECOND_US)


def _room(room: Room, zone_name: str) -> RoomPlan:
    return RoomPlan(
        id=room.id,
        name=room.name,
        area=room.area,
        outside_windows=room.occupancy.value,
        windows=WeeklyWindows.parse(room.operational, zone_name) if room.operational else None,
        clean_up_us=_us(room.clean_up_min * 60),
        bounds=tuple(_bounds(room.climate)),
    )


def _bounds(climate: Climate) -> list[ClimateBound]:
    found = []
    for quantity, table, suffix, unit in (
        ("temperature", climate.temperature, "c", "C"),
        ("humidity", climate.humidity, "pct", "%"),
        ("pressure-difference", climate.pressure_difference, "pa", "Pa"),
    ):
        if table is None:
            continue
        deadband = round(getattr(table, f"deadband_{suffix}") * 1000)
        for side in Side:
            for grade, name in (
                (Grade.ALERT, f"alert_{side.value}_{suffix}"),
                (Grade.ACTION, f"{side.value}_{suffix}"),
            ):
                value = getattr(table, name)
                if value is not None:
                    found.append(
                        ClimateBound(
                            key=f"{quantity}-{side.value}/{grade.value}",
                            quantity=quantity,
                            grade=grade,
                            unit=unit,
                            bound=Bound(
                                side, round(value * 1000), deadband, _us(table.on_delay_s), _us(table.off_delay_s)
                            ),
                        )
                    )
    return found


def _location(
    location: Location,
    room: Room,
    programme: Programme,
    sensor: Sensor | None,
    levels: tuple[Level, ...],
    library: Library,
) -> LocationPlan:
    by_state = {state.value: _levels(location, room, state, levels, library) for state in Occupancy}
    sizes = sorted({level.size_nm for state_levels in by_state.values() for level in state_levels})
    own_rules = {size_nm(item.size_um): item.rule for item in programme.size_rules}
    rules = {size: own_rules.get(size, programme.rule) for size in sizes}
    period_us = _us(programme.period_s) if programme.sample == "period" else None
    required_ul = None if programme.volume_l is None else round(programme.volume_l * UL_PER_L)
    nominal_ul = required_ul
    if nominal_ul is None and sensor is not None:
        sample_us = period_us if period_us is not None else _us(sensor.interval_s)
        nominal_ul = round(sensor.flow_l_min * UL_PER_L * sample_us / (60 * SECOND_US))
    return LocationPlan(
        id=location.id,
        name=location.name,
        room=room.id,
        area=room.area,
        sensor=None if sensor is None else sensor.id,
        period_us=period_us,
        settle_us=_us(programme.settle_s),
        nominal_ul=nominal_ul,
        required_ul=required_ul,
        min_coverage=programme.min_coverage_pct / 100,
        insufficient_after=programme.insufficient_after,
        levels=by_state,
        rules=rules,
        backs={size: look_back(rule, nominal_ul, programme.min_coverage_pct / 100) for size, rule in rules.items()},
        gap_us=_gap_us(programme, sensor),
    )


def _gap_us(programme: Programme, sensor: Sensor | None) -> int:
    """Periods follow each other without a gap. Readings of a fixed sensor may be missing until it counts as silent;
    a portable that comes back after more than `VISIT_GAP_US` has begun another visit (our choice)."""
    if programme.sample == "period":
        return 0
    return VISIT_GAP_US if sensor is None else silent_us(sensor)


def silent_us(sensor: Sensor) -> int:
    """A fixed sensor that is not heard for longer than this is silent."""
    if sensor.silent_after_s is not None:
        return _us(sensor.silent_after_s)
    return max(SILENT_INTERVALS * _us(sensor.interval_s), SILENT_AT_LEAST_US)


def _levels(
    location: Location, room: Room, state: Occupancy, levels: tuple[Level, ...], library: Library
) -> tuple[CountLevel, ...]:
    """Levels in force at a location in one state: the standard's limits, sharpened by the site's own levels."""
    held = standard_place(location, room)
    chosen: dict[tuple[int, Grade], tuple[int, str]] = {
        (limit.size_nm, Grade.ACTION): (limit.per_m3, limit.source)
        for limit in limits_for(held.grade, held.iso_class, state, held.own_class, library)
    }
    # The narrowest place wins, and among equals the one that names the state: later entries overwrite earlier ones.
    applicable = [level for level in levels if level.occupancy in (None, state)]
    for place, wanted in (("area", room.area), ("room", room.id), ("location", location.id)):
        here = [level for level in applicable if getattr(level, place) == wanted]
        for level in sorted(here, key=lambda item: item.occupancy is not None):
            size = size_nm(level.size_um)
            if level.action_per_m3 is not None:
                chosen[(size, Grade.ACTION)] = (level.action_per_m3, "the site's own action level")
            if level.alert_per_m3 is not None:
                chosen[(size, Grade.ALERT)] = (level.alert_per_m3, "the site's own alert level")
    return tuple(CountLevel(size, which, per_m3, source) for (size, which), (per_m3, source) in sorted(chosen.items()))


def _sensor(sensor: Sensor, zone: ZoneInfo) -> SensorPlan:
    due_us = None
    if sensor.calibration_due is not None:
        # Due on a date means good until that day is over where the sensor hangs.
        over = datetime.combine(sensor.calibration_due + timedelta(days=1), time(), zone)
        due_us = round(over.timestamp()) * SECOND_US
    return SensorPlan(
        id=sensor.id,
        location=sensor.location,
        sizes_nm=tuple(size_nm(size) for size in sensor.sizes_um),
        flow_ul_per_s=sensor.flow_l_min * UL_PER_L / 60,
        flow_tolerance=sensor.flow_tolerance_pct / 100,
        max_per_m3=sensor.max_concentration_per_m3,
        interval_us=_us(sensor.interval_s),
        silent_us=silent_us(sensor),
        calibration_due_us=due_us,
    )
