"""Cross checks of sampling: sensors at their locations, programmes against what the sensors can deliver, levels.

Portable sensors can stand anywhere, so where only they can count something it is not an error.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

from motewatch.site.findings import Findings
from motewatch.site.models import Level, Location, Occupancy, Programme, RollingVolume, Rule, Sensor, Site, size_nm
from motewatch.site.problems import KeyPath
from motewatch.site.shape import number_text


@dataclass(frozen=True, slots=True)
class _Maps:
    """What the checks look up, made once: a site may have thousands of sensors."""

    fixed: dict[str, Sensor]
    programme_at: dict[str, Programme]
    area_of: dict[str, str]
    portables: list[Sensor]

    def programme_of(self, sensor: Sensor) -> Programme | None:
        """The programme of a fixed sensor's location."""
        return None if sensor.location is None else self.programme_at.get(sensor.location)


def _maps(site: Site) -> _Maps:
    programmes = {programme.id: programme for programme in site.programmes}
    return _Maps(
        fixed={sensor.location: sensor for sensor in site.sensors if sensor.location is not None},
        programme_at={p.id: programmes[p.programme] for p in site.locations if p.programme in programmes},
        area_of={room.id: room.area for room in site.rooms},
        portables=[sensor for sensor in site.sensors if sensor.kind == "portable"],
    )


def check_sampling(findings: Findings, today: date | None) -> None:
    """Look at sensors, programmes, locations and levels."""
    maps = _maps(findings.site)
    _shared_locations(findings)
    for number, sensor in enumerate(findings.site.sensors):
        _sensor(findings, number, sensor, today)
        _interval(findings, number, sensor, maps.programme_of(sensor))
    for number, programme in enumerate(findings.site.programmes):
        _air(findings, maps, number, programme)
        _size_rules(findings, maps, number, programme)
    _locations(findings, maps)
    _double_levels(findings)
    for number, level in enumerate(findings.site.levels):
        _level_size(findings, maps, number, level)


def sizes_text(sizes_nm: set[int]) -> str:
    """`0.5, 5 um`."""
    return ", ".join(number_text(size / 1000) for size in sorted(sizes_nm)) + " um"


def _counted(sensors: list[Sensor]) -> set[int]:
    return {size_nm(size) for sensor in sensors for size in sensor.sizes_um}


def _sample_s(programme: Programme, sensor: Sensor) -> float:
    return programme.period_s if programme.sample == "period" else sensor.interval_s


def _shared_locations(findings: Findings) -> None:
    first: dict[str, str] = {}
    for number, sensor in enumerate(findings.site.sensors):
        if sensor.location is None:
            continue
        if sensor.location in first:
            findings.error(
                ("sensors", number, "location"),
                sensor.location,
                f'the fixed sensor "{first[sensor.location]}" is there already',
                "Give each fixed sensor a location of its own.",
            )
        else:
            first[sensor.location] = sensor.id


def _sensor(findings: Findings, number: int, sensor: Sensor, today: date | None) -> None:
    path = ("sensors", number)
    if sensor.silent_after_s is not None and sensor.silent_after_s < sensor.interval_s:
        findings.error(
            (*path, "silent_after_s"),
            sensor.silent_after_s,
            f"must not be shorter than interval_s, which is {number_text(sensor.interval_s)}",
            "Between two readings the sensor would count as silent; three intervals are usual.",
        )
    if today is not None and sensor.calibration_due is not None and sensor.calibration_due < today:
        findings.warning(
            (*path, "calibration_due"),
            sensor.calibration_due,
            f"the calibration is overdue by {(today - sensor.calibration_due).days} days",
            "Calibrate it and enter the next date.",
        )


def _interval(findings: Findings, number: int, sensor: Sensor, programme: Programme | None) -> None:
    path = ("sensors", number)
    if programme is None or programme.sample != "period":
        return
    what = f'the {number_text(programme.period_s)} s sample period of programme "{programme.id}"'
    if sensor.interval_s > programme.period_s:
        findings.error(
            (*path, "interval_s"),
            sensor.interval_s,
            f"must not be longer than {what} at its location",
            "Some periods would hold no reading: shorten interval_s (and set the sensor so) or lengthen period_s.",
        )
    else:
        ratio = programme.period_s / sensor.interval_s
        if abs(ratio - round(ratio)) > 1e-9 * ratio:
            findings.warning(
                (*path, "interval_s"),
                sensor.interval_s,
                f"{what} at its location is not a multiple of it, so periods hold more and less air in turn",
                "Make period_s a multiple of interval_s.",
            )


def _air(findings: Findings, maps: _Maps, number: int, programme: Programme) -> None:
    """Air asked for against air that the fixed sensors of this programme draw in one sample."""
    at_most = {
        sensor.id: sensor.flow_l_min * _sample_s(programme, sensor) / 60
        for sensor in findings.site.sensors
        if maps.programme_of(sensor) is programme
    }
    if not at_most:
        return
    weakest = min(at_most, key=lambda ident: at_most[ident])
    # Relative tolerance: 28.3 L/min for 60 s is 28.3 L, whatever the last binary digit says.
    if programme.volume_l is not None and programme.volume_l > at_most[weakest] * (1 + 1e-9):
        findings.error(
            ("programmes", number, "volume_l"),
            programme.volume_l,
            f'sensor "{weakest}" draws only {number_text(at_most[weakest])} L in one sample',
            "Ask for less air, lengthen period_s, or use a sensor with a greater flow.",
        )
    rules: list[tuple[KeyPath, Rule]] = [(("rule",), programme.rule)]
    rules += [(("size_rules", position, "rule"), item.rule) for position, item in enumerate(programme.size_rules)]
    for where, rule in rules:
        if isinstance(rule, RollingVolume) and rule.volume_l <= at_most[weakest]:
            findings.warning(
                ("programmes", number, *where, "volume_l"),
                rule.volume_l,
                f"one sample holds {number_text(at_most[weakest])} L, so every sample is judged alone",
                'Write kind = "per-sample", or ask for more air.',
            )


def _size_rules(findings: Findings, maps: _Maps, number: int, programme: Programme) -> None:
    seen: set[int] = set()
    sensors = [sensor for sensor in findings.site.sensors if maps.programme_of(sensor) is programme] + maps.portables
    counted = _counted(sensors)
    for position, item in enumerate(programme.size_rules):
        path = ("programmes", number, "size_rules", position, "size_um")
        size = size_nm(item.size_um)
        if size in seen:
            findings.error(path, item.size_um, "this size has a rule already", "Keep one rule for each size.")
        elif sensors and findings.complete("sensors", "locations") and size not in counted:
            findings.error(
                path,
                item.size_um,
                f"no sensor of this programme counts that size; counted are {sizes_text(counted)}",
                "Correct the size, or remove the rule.",
            )
        seen.add(size)


def _locations(findings: Findings, maps: _Maps) -> None:
    site = findings.site
    sensors_known = findings.complete("sensors") and maps.fixed.keys() <= findings.ids("locations")
    rooms = {room.id: room for room in site.rooms}
    for number, location in enumerate(site.locations):
        path = ("locations", number)
        # With a portable in the site, a location without a fixed sensor is where the portable goes.
        if location.id not in maps.fixed and sensors_known and not maps.portables:
            findings.warning(
                path,
                None,
                "no sensor hangs here, and the site has no portable",
                "Give a sensor this location, or remove it.",
            )
        room = rooms.get(location.room)
        if room is None or not findings.complete("levels"):
            continue
        standard = (location.grade, location.iso_class, location.own_class, room.grade, room.iso_class, room.own_class)
        if all(x is None for x in standard) and not any(_covers(level, location, room.area) for level in site.levels):
            findings.warning(
                path,
                None,
                "nothing is judged here: neither grade nor iso_class nor own_class nor a level holds for it",
                "Give the room a grade or iso_class, or add a [[levels]] table.",
            )


def _covers(level: Level, location: Location, area: str) -> bool:
    return level.location == location.id or level.room == location.room or level.area == area


def _double_levels(findings: Findings) -> None:
    first: dict[tuple[str | None, str | None, str | None, int, Occupancy | None], int] = {}
    for number, level in enumerate(findings.site.levels):
        key = (level.location, level.room, level.area, size_nm(level.size_um), level.occupancy)
        if key in first:
            where = findings.path(("levels", first[key]))
            findings.error(
                ("levels", number),
                None,
                f"levels[{where[1]}] is for the same place, size and occupancy",
                "Put both values into one table.",
            )
        else:
            first[key] = number


def _level_size(findings: Findings, maps: _Maps, number: int, level: Level) -> None:
    if not findings.complete("sensors", "locations", "rooms"):
        return
    covered = [p for p in findings.site.locations if _covers(level, p, maps.area_of.get(p.room, ""))]
    sizes: dict[str, set[int]] = defaultdict(set)
    for place in covered:
        if place.id in maps.fixed:
            sizes[place.id] = _counted([maps.fixed[place.id]])
    size = size_nm(level.size_um)
    blind = [place for place, counted in sizes.items() if size not in counted]
    if not blind:
        return
    path = ("levels", number, "size_um")
    known = sizes_text(set().union(*sizes.values()))
    if level.location is not None or (len(blind) == len(sizes) and size not in _counted(maps.portables)):
        where = f'at "{level.location}"' if level.location is not None else "there"
        findings.error(
            path,
            level.size_um,
            f"the sensor {where} does not count that size; counted are {known}",
            "Correct the size, or remove the level.",
        )
    else:
        findings.warning(
            path,
            level.size_um,
            f"the fixed sensors at {', '.join(blind)} do not count that size, so the level is not watched there",
            "Nothing to do where that is meant; else give the level for the other locations.",
        )
