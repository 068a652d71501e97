"""Makes the data of a report from the record, as of one seal of its chain.

Rules: the same record and the same scope give the same data. Reading comes in short pieces (`journal.reports`), so a
long report holds up neither the writer nor others. A configuration that this version cannot read is named, and judged
by nothing. Must not know documents.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from importlib.metadata import version
from typing import Any, Final
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from motewatch.alarms.performance import LEAD_US, Chattering, Period, figures
from motewatch.engine.plan import Plan, compile_plan
from motewatch.engine.records import Configured
from motewatch.journal.reports import AsOf, CallMade, ReportReader, newest_seal
from motewatch.journal.rows import AuditRow
from motewatch.journal.store import Store
from motewatch.links.alarm_figures import plain
from motewatch.picture.report import FORMAT, scope_data
from motewatch.picture.report_alarms import EXCURSIONS, Life, life_figures, lives, size_of
from motewatch.picture.report_counts import (
    METHOD,
    PERCENT,
    ClimateLimit,
    Columns,
    Level,
    Rules,
    location_figures,
    peak_between,
)
from motewatch.picture.report_scope import Scope, ScopeError
from motewatch.site.instants import instant, instant_us
from motewatch.site.models import Site, standard_place, standard_text

_NOTE: Final = "note"
_SIGNED: Final = "signed"


class _Era:
    """One configuration from when it took effect."""

    def __init__(self, from_us: int, configured: Configured) -> None:
        self.from_us = from_us
        self.digest = configured.digest
        self.site: Site | None
        self.plan: Plan | None
        try:
            self.site = Site.model_validate_json(configured.text)
            self.plan = compile_plan(self.site, configured.digest)
        except (ValidationError, ValueError, KeyError):
            self.site = self.plan = None


def make_report(store: Store, scope: Scope, as_of: AsOf | None = None) -> dict[str, Any]:
    """The data of the report; without `as_of`: as of now. Raises `ScopeError` where nothing can be said."""
    seal = as_of or newest_seal(store)
    if seal is None:
        raise ScopeError("the record is empty: start the service once")
    reader = ReportReader(store, seal)
    span = scope.span
    eras = _eras(reader, span.start_us, span.end_us)
    readable = [era for era in eras if era.site is not None and era.plan is not None]
    if not readable:
        raise ScopeError("the record holds no configuration of this time that can be read: nothing was monitored then")
    sites = [era.site for era in readable if era.site is not None]
    newest = sites[-1]
    places = _places(sites, scope.locations)
    all_figures: dict[str, dict[str, Any]] = {}
    columns: dict[str, Columns] = {}
    peaks: dict[str, Columns] = {}
    steps = reader.alarm_steps(span.start_us, span.end_us)
    told = [life for life in lives(steps) if life.touches(span.start_us, span.end_us)]
    watched = {life.first.location for life in told if size_of(life.first.alarm) is not None}
    for location in places:
        mine = Columns()
        for some in reader.samples(location, span.start_us, span.end_us):
            mine.take(some)
        all_figures[location] = location_figures(mine, _rules(readable, location), span.start_us, span.end_us)
        if location in watched:
            peaks[location] = mine
        columns[location] = Columns(sensors=mine.sensors)
    sensors = _sensors(sites, columns, span.end_us)
    in_scope = [life for life in told if _belongs(life, places, {each["id"] for each in sensors})]
    excursions = [_excursion(life, peaks, span.end_us) for life in in_scope if life.first.kind in EXCURSIONS]
    alarms = {life.first.alarm for life in in_scope}
    return {
        "format": FORMAT,
        "software": version("motewatch"),
        "site": {"id": newest.site.id, "name": newest.site.name, "time_zone": newest.site.time_zone},
        "scope": scope_data(scope, places, not scope.locations),
        "final": seal.engine_us >= span.end_us,
        "record": {
            "seal": seal.seal,
            "hash": seal.hash,
            "inputs": seal.input_id,
            "outputs": seal.output_id,
            "reaches_us": seal.engine_us,
        },
        "configurations": [
            {
                "digest": era.digest,
                "from_us": era.from_us,
                "until_us": eras[number + 1].from_us if number + 1 < len(eras) else None,
                "readable": era.site is not None,
            }
            for number, era in enumerate(eras)
        ],
        "method": {"percent": PERCENT, "percentile": METHOD.value},
        "locations": [{"id": key, **names, **all_figures[key]} for key, names in places.items()],
        "excursions": excursions,
        "other_alarms": [life_figures(life, span.end_us) for life in in_scope if life.first.kind not in EXCURSIONS],
        "notes": _notes(reader.audit([_NOTE], span.start_us), scope, places, alarms),
        "signatures": _signatures(reader.audit([_SIGNED], span.start_us), scope, places, alarms),
        "sensors": sensors,
        "calls": [
            _call(one, newest)
            for one in reader.calls(span.start_us, span.end_us)
            if not scope.locations or any(fact.alarm in alarms for fact in one.told.facts)
        ],
        "alarm_figures": _alarm_figures(reader, newest, span.start_us, min(span.end_us, seal.engine_us)),
    }


def _eras(reader: ReportReader, start_us: int, end_us: int) -> list[_Era]:
    """The configuration at the start and all that came after it; the same again is one."""
    found: list[_Era] = []
    on_record = reader.configurations(end_us)
    first = max((number for number, (at_us, _) in enumerate(on_record) if at_us <= start_us), default=0)
    for at_us, configured in on_record[first:]:
        if not found or found[-1].digest != configured.digest:
            found.append(_Era(at_us, configured))
    return found


def _places(sites: Sequence[Site], wanted: Sequence[str]) -> dict[str, dict[str, str]]:
    """The locations of the report with their names, as the newest configuration that has them says."""
    found: dict[str, dict[str, str]] = {}
    for site in reversed(sites):
        rooms = {room.id: room for room in site.rooms}
        areas = {area.id: area.name for area in site.areas}
        for location in site.locations:
            room = rooms[location.room]
            if (wanted and location.id not in wanted) or location.id in found:
                continue
            found[location.id] = {
                "name": location.name,
                "room": room.id,
                "room_name": room.name,
                "area_name": areas[room.area],
                "standard": standard_text(standard_place(location, room)),
            }
    missing = [each for each in wanted if each not in found]
    if missing:
        raise ScopeError(f"the site had no location '{missing[0]}' in this time")
    return found


def _rules(eras: Sequence[_Era], location: str) -> list[Rules]:
    """What held for a location from when on."""
    found = []
    for era in eras:
        assert era.plan is not None
        plan = era.plan.locations.get(location)
        if plan is None:
            found.append(Rules(era.from_us, {}))
            continue
        levels = {
            state: tuple(Level(each.size_nm, each.grade.value, each.per_m3, each.source) for each in held)
            for state, held in plan.levels.items()
        }
        bounds = tuple(
            ClimateLimit(each.quantity, each.grade.value, each.bound.side.value, each.bound.value)
            for each in era.plan.rooms[plan.room].bounds
        )
        found.append(Rules(era.from_us, levels, bounds, plan.gap_us))
    return found


def _belongs(life: Life, places: Mapping[str, Mapping[str, str]], sensors: set[str]) -> bool:
    """Is the alarm about a place or a sensor of the report, or about the service as a whole?"""
    first = life.first
    if first.location is not None:
        return first.location in places
    if first.sensor is not None:
        return first.sensor in sensors
    return first.room is None or any(first.room == names["room"] for names in places.values())


def _excursion(life: Life, columns: Mapping[str, Columns], end_us: int) -> dict[str, Any]:
    """A life with its peak: of counts the highest single sample while the condition held, as far as in the report."""
    found = life_figures(life, end_us)
    size = size_of(life.first.alarm)
    mine = columns.get(life.first.location or "")
    if size is not None and mine is not None:
        until_us = end_us if found["until_us"] is None else min(found["until_us"], end_us)
        peak = peak_between(mine, size, found["from_us"], until_us)
        if peak is not None and (found["peak"] is None or peak[0] > found["peak"]):
            found["peak"], found["peak_us"] = peak
    return found


def _notes(
    rows: Sequence[AuditRow], scope: Scope, places: Mapping[str, Mapping[str, str]], alarms: set[str]
) -> list[dict[str, Any]]:
    return [
        {"at_us": row.at_us, "by": row.by, "subject": row.subject, "text": row.detail}
        for row in rows
        if _about(row, scope, places, alarms)
    ]


def _signatures(
    rows: Sequence[AuditRow], scope: Scope, places: Mapping[str, Mapping[str, str]], alarms: set[str]
) -> list[dict[str, Any]]:
    """Signatures of samples and alarms of this report that were there when it was made."""
    return [
        {"at_us": row.at_us, "by": row.by, "subject": row.subject, "text": row.detail}
        for row in rows
        if row.subject.partition("/")[0] in ("sample", "alarm") and _about(row, scope, places, alarms)
    ]


def _about(row: AuditRow, scope: Scope, places: Mapping[str, Mapping[str, str]], alarms: set[str]) -> bool:
    """Is it about something in the report? What was written later counts where its subject lies in the time."""
    kind, _, rest = row.subject.partition("/")
    inside = scope.span.start_us <= row.at_us < scope.span.end_us
    if kind == "sample":
        location, _, end = rest.rpartition("/")
        try:
            end_us = instant_us(datetime.fromisoformat(end))
        except (ValueError, TypeError):
            return False
        return location in places and scope.span.start_us < end_us <= scope.span.end_us
    if kind == "alarm":
        return any(rest == alarm or rest.startswith(f"{alarm}/") for alarm in alarms)
    if kind == "location":
        return inside and rest in places
    if kind == "room":
        return inside and any(names["room"] == rest for names in places.values())
    return inside and not scope.locations


def _sensors(sites: Sequence[Site], columns: Mapping[str, Columns], end_us: int) -> list[dict[str, Any]]:
    """Sensors that took part, and those that should have; with the state of their calibration at the end."""
    newest = {sensor.id: sensor for site in sites for sensor in site.sensors}
    zone = ZoneInfo(sites[-1].site.time_zone)
    last_day = instant(end_us - 1).astimezone(zone).date()
    used: dict[str, dict[str, int]] = {}
    for location, mine in columns.items():
        for sensor, number in mine.sensors.items():
            used.setdefault(sensor, {})[location] = number
    for sensor, model in newest.items():
        if model.location in columns and sensor not in used:
            used[sensor] = {}
    found = []
    for sensor in sorted(used):
        known = newest.get(sensor)
        due = None if known is None else known.calibration_due
        found.append(
            {
                "id": sensor,
                "serial": "" if known is None else known.serial,
                "kind": "" if known is None else known.kind,
                "samples": used[sensor],
                "calibration_due": None if due is None else due.isoformat(),
                "calibration": _calibration(due, last_day),
            }
        )
    return found


def _calibration(due: date | None, last_day: date) -> str:
    if due is None:
        return "not stated"
    return "valid" if due >= last_day else "overdue"


def _call(one: CallMade, site: Site) -> dict[str, Any]:
    told = one.told
    names = {person.id: person.name for person in site.persons}
    return {
        "at_us": told.at_us,
        "cause": told.cause.value,
        "person": names.get(told.person, told.person),
        "channel": told.channel,
        "alarms": sorted({fact.alarm for fact in told.facts}),
        "outcome": one.outcome,
    }


def _alarm_figures(reader: ReportReader, site: Site, start_us: int, end_us: int) -> dict[str, Any] | None:
    """Of the whole site, because the people on shift look at one list; None where the record holds nothing of it."""
    if end_us <= start_us:
        return None
    settings = site.alarm_figures
    steps = reader.figures_steps(start_us - LEAD_US, end_us)
    found = figures(steps, Period(start_us, end_us), settings.operators, Chattering(settings.chattering))
    return plain(found)
