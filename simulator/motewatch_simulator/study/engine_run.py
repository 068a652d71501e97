"""Simulated counts through the daemon's own engine: which alarms would have started, and when.

One site with a location for each place, each reading a sample, and the limits of the class times the rule's share as
the site's own action levels. Everything that judges and alarms is the daemon's; nothing here knows how. Pure.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

from motewatch.alarms.lifecycle import Event
from motewatch.engine import Engine
from motewatch.engine.records import AlarmChanged, Configured, Heard, Input, Memory, Output
from motewatch.site.models import KOfN, RollingVolume, Site
from motewatch.wire.records import SECOND_US, Reading
from motewatch_simulator.study import model as m
from motewatch_simulator.study.limits import limits_of
from motewatch_simulator.study.streams import EPOCH_US, STEP_US, Stream

_LEAD_US = SECOND_US
_WARM_S = 3600
"""Ordinary work before each incident (own choice)."""


@dataclass(frozen=True, slots=True)
class Found:
    """One run of an incident. `delay_s` from its beginning to the sample that started the alarm; None: not found.

    `before`: an alarm was already active when it began, so that it may not have been found for its own sake.
    """

    delay_s: float | None
    before: bool


def warm_s(rule: m.AlarmRule, flow_l_min: float) -> int:
    """How long the stream runs before an incident, so that rules that look back are full."""
    back_s = 0.0
    if isinstance(rule.rule, KOfN):
        back_s = rule.rule.n * rule.period_s
    elif isinstance(rule.rule, RollingVolume):
        back_s = rule.rule.volume_l / flow_l_min * 60.0 + rule.period_s
    periods = -(-int(_WARM_S + back_s) // rule.period_s)
    return periods * rule.period_s


def alarms_in_month(study: m.Study, rule: m.AlarmRule, stream: Stream) -> dict[str, int]:
    """How many alarms start in a month, by place."""
    starts = dict.fromkeys(stream.counts, 0)
    for change in _changes(study, rule, stream, always=False):
        if change.event is Event.STARTS and change.location is not None:
            starts[change.location] += 1
    return starts


def incident_found(study: m.Study, rule: m.AlarmRule, stream: Stream, within_min: float) -> Found:
    """Does any alarm start within the time, at any place?"""
    begins_us = EPOCH_US + stream.begins_step * STEP_US
    until_us = begins_us + round(within_min * 60) * SECOND_US
    active: set[str] = set()
    before = False
    for change in _changes(study, rule, stream, always=True):
        if change.at_us > begins_us:
            before = before or bool(active)
            if change.event is Event.STARTS and change.at_us <= until_us:
                return Found((change.at_us - begins_us) / SECOND_US, before)
        elif change.event is Event.STARTS:
            active.add(change.alarm)
        elif change.event is Event.RETURNS:
            active.discard(change.alarm)
    return Found(None, before or bool(active))


def _changes(study: m.Study, rule: m.AlarmRule, stream: Stream, *, always: bool) -> list[AlarmChanged]:
    """Every start and return of a level's alarm, in order. `always`: in operation all the time."""
    engine = Engine(Memory())
    text = _site(study, rule, tuple(stream.counts), always=always).model_dump_json()
    digest = hashlib.sha256(text.encode()).hexdigest()
    said: list[Output] = list(engine.apply(Input(EPOCH_US, EPOCH_US, Configured(digest, text))))
    sizes_nm = tuple(round(size * 1000) for size in study.counter.sizes_um)
    period_us = rule.period_s * SECOND_US
    volume_ul = round(study.counter.flow_l_min * 1_000_000 * rule.period_s / 60)
    columns = {place: stream.periods(place, rule.period_s).tolist() for place in stream.counts}
    length = len(next(iter(columns.values())))
    found = [one for one in said if _is_level(one)]
    for number in range(length):
        start_us = EPOCH_US + number * period_us
        now_us = start_us + period_us + _LEAD_US
        for place, counts in columns.items():
            reading = Reading(
                f"at-{place}", "study", number, start_us, period_us, volume_ul, sizes_nm, tuple(counts[number])
            )
            for one in engine.apply(Input(now_us, now_us, Heard(reading))):
                if _is_level(one):
                    found.append(one)
    return [one for one in found if isinstance(one, AlarmChanged)]


def _is_level(output: Output) -> bool:
    return isinstance(output, AlarmChanged) and output.location is not None and output.alarm.endswith("/action")


def part_of(study: m.Study, place: str) -> str:
    """The part of the room that a place belongs to."""
    position = next(one for one in study.positions if one.id == place)
    return "zone" if position.zone == "unidirectional" else "room"


def levels_of(study: m.Study, rule: m.AlarmRule, place: str, *, at_rest: bool) -> list[tuple[float, int]]:
    """The level of each size that a rule holds a place to, per m3."""
    return [
        (limit.size_um, round(limit.per_m3 * rule.share))
        for limit in limits_of(study, part_of(study, place), at_rest=at_rest)
        if limit.size_um in study.counter.sizes_um and limit.size_um in (rule.sizes_um or study.counter.sizes_um)
    ]


def _site(study: m.Study, rule: m.AlarmRule, places: tuple[str, ...], *, always: bool) -> Site:
    levels = [
        {"location": place, "size_um": size_um, "occupancy": state, "action_per_m3": level}
        for place in places
        for state, at_rest in (("operational", False), ("at-rest", True))
        for size_um, level in levels_of(study, rule, place, at_rest=at_rest)
    ]
    room: dict[str, Any] = {"id": "room", "name": "Room", "area": "area", "clean_up_min": study.room.clean_up_min}
    room |= {"occupancy": "operational"} if always else {"occupancy": "at-rest", "operational": study.room.operational}
    return Site.model_validate(
        {
            "format": 1,
            "site": {"id": "study", "name": "Study", "time_zone": "UTC"},
            "areas": [{"id": "area", "name": "Area"}],
            "rooms": [room],
            "programmes": [{"id": "each", "sample": "each-reading", "rule": rule.rule.model_dump()}],
            "locations": [{"id": place, "name": place, "room": "room", "programme": "each"} for place in places],
            "sensors": [
                {
                    "id": f"at-{place}",
                    "serial": place,
                    "location": place,
                    "sizes_um": study.counter.sizes_um,
                    "flow_l_min": study.counter.flow_l_min,
                    "interval_s": float(rule.period_s),
                }
                for place in places
            ],
            "levels": levels,
        }
    )
