"""The alarm register: every alarm that a site can raise, with its limits and what it means.

Compiled from the same plan as the engine runs by, so that the register cannot say other limits than those that are
judged. Pure; must not know how it is printed, and which alarms stand.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from motewatch.alarms.bounds import Side
from motewatch.alarms.rationalisation import Advice
from motewatch.callout.ladders import Ladders
from motewatch.callout.test_calls import ways_of
from motewatch.engine.alarm_rules import PLAIN, Treatment
from motewatch.engine.cascade_plan import StepPlan
from motewatch.engine.plan import Grade, LocationPlan, Plan, compile_plan
from motewatch.engine.service_alarms import SERVICE_ALARMS
from motewatch.engine.subject import (
    CHANNEL_PART,
    NOBODY_ALARM,
    Subject,
    cascade_alarm,
    count_alarm,
    gap_alarm,
    insufficient_alarm,
    location_alarm,
    part_subject,
    sensor_alarm,
    trial_alarm,
)
from motewatch.engine.suspicion import SUSPICION_KINDS, suspicion_alarms
from motewatch.site.basics import size_text
from motewatch.site.models import Confidence, KOfN, RollingVolume, Rule, Site
from motewatch.wire.records import SECOND_US

SENSOR_WORDS: Final = ("silent", "flow", "laser", "clock", "calibration")
"""What a sensor can raise; a portable is never silent, since it is switched off and carried about."""


@dataclass(frozen=True, slots=True)
class RegisterLimit:
    """One limit with the occupancy states in which it holds (none: in every state)."""

    states: tuple[str, ...]
    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class RegisterRow:
    """One alarm. Delays in microseconds; `deadband` in the unit of the limits."""

    alarm: str
    kind: str
    advice: Advice
    what: str
    """The condition in words, without its limit: "particles >= 0.5 um above the action level"."""
    judged: str
    """How it is judged, where there is a choice: the rule, the period."""
    limits: tuple[RegisterLimit, ...] = ()
    on_delay_us: int = 0
    off_delay_us: int = 0
    deadband: float = 0.0
    treatment: Treatment = PLAIN
    """Whether it latches, and when it is told again."""
    hidden_by: tuple[str, ...] = ()
    """Ids of the suppressions by design that may hide it."""
    location: str | None = None
    sensor: str | None = None
    room: str | None = None
    area: str | None = None


def alarm_register(site: Site) -> list[RegisterRow]:
    """All alarms of a site that `site.crosscheck` found sound: by area, room and location, then sensors, then the
    service itself."""
    plan = compile_plan(site, "")
    areas = {area.id: number for number, area in enumerate(site.areas)}
    rooms = {room.id: number for number, room in enumerate(site.rooms)}
    placed = sorted(plan.locations.values(), key=lambda where: (areas[where.area], rooms[where.room]))
    rows = [row for where in placed for row in _location(plan, where)]
    rows += [_cascade(plan, step) for step in plan.cascade.steps.values()]
    rows += [row for sensor in plan.sensors for row in _sensor(plan, sensor)]
    for subject in SERVICE_ALARMS.values():
        rows.append(_row(plan, subject.alarm, subject.kind, _SERVICE_WORDS[subject.kind]))
    if site.escalations:
        rows.append(_row(plan, NOBODY_ALARM, "callout-nobody-reached", "nobody could be reached for an alarm"))
    for part, what in optional_parts(site).items():
        subject = part_subject(part)
        rows.append(_row(plan, subject.alarm, subject.kind, what))
    for rota in Ladders.of(site).rotas:
        rows.append(_row(plan, gap_alarm(rota), "callout-gap", f"nobody is on call in the rota {rota}"))
    if site.callout.test_calls is not None:
        for way in ways_of(site):
            what = f"a test call to {way.person} over {way.channel} failed"
            rows.append(_row(plan, trial_alarm(way.person, way.channel), "callout-test", what))
    return rows


def _cascade(plan: Plan, step: StepPlan) -> RegisterRow:
    bound = step.bound
    return _row(
        plan,
        cascade_alarm(step.key),
        "cascade",
        f"{step.higher_name} no longer stands above {step.lower_name}",
        limits=(RegisterLimit((), bound.value / 1000, "Pa", "the site's pressure cascade"),),
        on_delay_us=bound.on_delay_us,
        off_delay_us=bound.off_delay_us,
        deadband=bound.deadband / 1000,
        place=(step.location, step.room, step.area),
        sensor=step.sensor,
    )


def optional_parts(site: Site) -> dict[str, str]:
    """The parts of the service that monitoring can do without, and what it means that one is out of use."""
    callout = site.callout
    there = {
        "answer-page": (callout.answer_page, "calls go out without a link to answer them by"),
        "console": (site.console, "nobody can sign in at the console"),
        "dead-man": (callout.dead_man, "no signal tells the outside that the service lives"),
        "record-signature": (site.record.signing_key_file, "no anchors of the record are signed and published"),
        "time-series": (site.service.time_series, "points wait, no curves are drawn from them"),
    }
    channels = {f"{CHANNEL_PART}{each.id}": f"no call goes out over the channel {each.id}" for each in site.channels}
    return channels | {part: what for part, (settings, what) in there.items() if settings is not None}


_SERVICE_WORDS: Final = {
    "broker-down": "the message broker cannot be reached",
    "time-series-down": "the time-series server cannot be reached",
    "dead-letters": "messages come that cannot be used",
    "session-lost": "the broker has forgotten what it kept for the service",
    "session-taken": "another client takes the service's session at the broker",
    "clock-step": "the clock of the service's machine was stepped",
    "replay-differed": "the replayed record differs from what was recorded",
    "little-space": "there is little room left on the journal's disk",
    "backup-failed": "the backup failed",
    "backup-old": "there is no backup of the last two and a half days",
    "archives-failed": "archives could not be made",
    "marker-lost": "the broker does not give back the marker that shows the end of what waited there",
    "certificate-ends": "a certificate that the service lives by ends soon",
    "record-held-up": "the record could not be written for a time",
    "links-guessed": "links of the answer page are being guessed",
    "sign-ins-failed": "sign-ins fail at the console, more than slips would",
}


def _row(
    plan: Plan,
    alarm: str,
    kind: str,
    what: str,
    judged: str = "",
    limits: tuple[RegisterLimit, ...] = (),
    on_delay_us: int = 0,
    off_delay_us: int = 0,
    deadband: float = 0.0,
    where: LocationPlan | None = None,
    sensor: str | None = None,
    place: tuple[str | None, str, str] | None = None,
) -> RegisterRow:
    """`place`: location, room and area of an alarm that is not of a location's plan."""
    location, room, area = (None, None, None) if place is None else place
    if where is not None:
        location, room, area = where.id, where.room, where.area
    advice = plan.advisor.advice(kind, location=location, room=room, area=area)
    subject = Subject(alarm, kind, advice.priority, location, sensor, room, area)
    return RegisterRow(
        alarm=alarm,
        kind=kind,
        advice=advice,
        what=what,
        judged=judged,
        limits=limits,
        on_delay_us=on_delay_us,
        off_delay_us=off_delay_us,
        deadband=deadband,
        treatment=plan.alarm_rules.treatment(subject),
        hidden_by=tuple(rule.id for rule in plan.alarm_rules.hidings if rule.scope.holds(subject)),
        location=location,
        sensor=sensor,
        room=room,
        area=area,
    )


def _location(plan: Plan, where: LocationPlan) -> Iterator[RegisterRow]:
    found: dict[tuple[int, Grade], dict[tuple[int, str], list[str]]] = defaultdict(lambda: defaultdict(list))
    for state, levels in where.levels.items():
        for level in levels:
            found[(level.size_nm, level.grade)][(level.per_m3, level.source)].append(state)
    for (size_nm, grade), by_limit in sorted(found.items(), key=lambda item: (item[0][0], item[0][1] is Grade.ALERT)):
        limits = tuple(
            RegisterLimit(() if len(states) == len(where.levels) else tuple(states), per_m3, "/m3", source)
            for (per_m3, source), states in by_limit.items()
        )
        yield _row(
            plan,
            count_alarm(where.id, size_nm, grade.value),
            f"count-{grade.value}",
            f"particles >= {size_text(size_nm)} above the {grade.value} level",
            f"{rule_words(where.rules[size_nm])}, {_period(where)}",
            limits,
            where=where,
            sensor=where.sensor,
        )
    for bound in plan.rooms[where.room].bounds:
        side = "below" if bound.bound.side is Side.LOW else "above"
        limit = RegisterLimit((), bound.bound.value / 1000, bound.unit, f"the site's own {bound.grade.value} bound")
        yield _row(
            plan,
            location_alarm(where.id, bound.key),
            f"{bound.quantity}-{bound.grade.value}",
            f"{bound.quantity.replace('-', ' ')} {side} its {bound.grade.value} bound",
            "",
            (limit,),
            bound.bound.on_delay_us,
            bound.bound.off_delay_us,
            bound.bound.deadband / 1000,
            where=where,
            sensor=where.sensor,
        )
    for trend in plan.trends.get(where.id, ()):
        table = trend.table
        usual = (
            f"the mean of the first {table.learn_samples} samples"
            if table.usual_per_m3 is None
            else f"a usual mean of {table.usual_per_m3:g} /m3, as stated"
        )
        yield _row(
            plan,
            location_alarm(where.id, trend.key),
            "trend",
            f"particles >= {table.size_um:g} um rise slowly",
            f"{table.method} about {usual}, {_period(where)}",
            where=where,
            sensor=where.sensor,
        )
    yield _row(
        plan,
        insufficient_alarm(where.id),
        "insufficient-sampling",
        "too little air sampled",
        f"{where.insufficient_after} samples in a row, {_period(where)}",
        (RegisterLimit((), 100 * where.min_coverage, "%", "the programme's min_coverage_pct"),),
        where=where,
        sensor=where.sensor,
    )


_SENSOR_WHAT: Final = {
    "silent": "nothing heard of it",
    "flow": "flow outside its tolerance, or reported as a fault",
    "laser": "its light source is reported as a fault",
    "clock": "its clock is off, or was stepped",
    "calibration": "its calibration is overdue",
}
_SUSPICION_WHAT: Final = {
    "sensor-stuck": "the same counts in too many readings",
    "sensor-all-zero": "no count at all in too many readings",
}


def _sensor(plan: Plan, ident: str) -> Iterator[RegisterRow]:
    sensor = plan.sensors[ident]
    where = None if sensor.location is None else plan.locations[sensor.location]
    limits = {
        "silent": (RegisterLimit((), sensor.silent_us / SECOND_US, "s", "the sensor's interval, or silent_after_s"),),
        "flow": (RegisterLimit((), 100 * sensor.flow_tolerance, "%", "the sensor's flow_tolerance_pct"),),
        "clock": (RegisterLimit((), plan.clock_tolerance_us / SECOND_US, "s", "service.clock_tolerance_s"),),
    }
    for word in SENSOR_WORDS:
        if word == "silent" and where is None:
            continue
        alarm = sensor_alarm(ident, word)
        yield _row(
            plan, alarm, f"sensor-{word}", _SENSOR_WHAT[word], limits=limits.get(word, ()), where=where, sensor=ident
        )
    if plan.suspicion is None or where is None:
        return
    judged = f"as likely with a healthy counter as {plan.suspicion.threshold:g}"
    for alarm, kind in zip(suspicion_alarms(ident), SUSPICION_KINDS, strict=True):
        yield _row(plan, alarm, kind, _SUSPICION_WHAT[kind], judged, where=where, sensor=ident)


def _period(where: LocationPlan) -> str:
    return "each reading" if where.period_us is None else f"periods of {where.period_us / SECOND_US:g} s"


def rule_words(rule: Rule) -> str:
    """A judging rule in a few words."""
    if isinstance(rule, KOfN):
        return f"{rule.k} of the last {rule.n} samples"
    if isinstance(rule, RollingVolume):
        return f"the last samples that hold {rule.volume_l:g} L together"
    if isinstance(rule, Confidence):
        return f"a sample above it with {rule.confidence_pct:g} % confidence"
    return "each sample"
