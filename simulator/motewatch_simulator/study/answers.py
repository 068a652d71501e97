"""Puts the answers of a study together from the results of its tasks. Plain values, ready to be printed or written.

Pure: no files, no clocks. What is sampled carries its uncertainty; simple arithmetic stands beside it as a check.
"""

from __future__ import annotations

from math import exp, isfinite

import numpy as np

from motewatch.limits.sample_volume import least_minutes, least_volume_l
from motewatch.limits.sampling_locations import locations_2015
from motewatch.measure.statistics import poisson_upper
from motewatch_simulator.spectra import Array
from motewatch_simulator.study import model as m
from motewatch_simulator.study import tubes
from motewatch_simulator.study.class_held import (
    STATES,
    Cell,
    cells,
    exceeded,
    geometric,
    hundredth_min,
    joined,
    recovery_min,
    settled,
    simple_supply_m3_s,
    wilson,
)
from motewatch_simulator.study.findings import (
    Answers,
    IncidentAnswer,
    Recovery,
    RuleAnswer,
    Sampling,
    SizeAnswer,
    StateAnswer,
    TubeAnswer,
)
from motewatch_simulator.study.limits import class_text, limits_of, parts_of
from motewatch_simulator.study.positions import Placing
from motewatch_simulator.study.room import StudyRoom, at_least
from motewatch_simulator.study.sensitivity import influences
from motewatch_simulator.study.streams import at_work, effectiveness_of
from motewatch_simulator.study.tasks import Result, Task, plan


def answer(study: m.Study, placing: Placing, results: dict[str, Result]) -> Answers:
    """The answers from the results of all tasks."""
    done = [(task, results[task.key]) for task in plan(study)]
    columns = joined([result["columns"] for task, result in sorted(_of(done, "draws"), key=lambda one: one[0].number)])
    room = StudyRoom(study)
    states = tuple(
        _state(study, room, part, state, columns)
        for part in parts_of(study)
        for state in STATES
        if limits_of(study, part, at_rest=state == "at-rest")
    )
    needed = [size.needed_per_h for state in states for size in state.sizes]
    known = [value for value in needed if value is not None]
    return Answers(
        study,
        states,
        tuple(_recoveries(study, room)),
        placing,
        tuple(_rule(study, room, placing, rule, done) for rule in study.rules),
        tuple(_tube(study, position) for position in study.positions if position.tube is not None),
        _sampling(study),
        max(known) if len(known) == len(needed) else None,
    )


def _of(done: list[tuple[Task, Result]], kind: str) -> list[tuple[Task, Result]]:
    return [one for one in done if one[0].kind == kind]


def _state(study: m.Study, room: StudyRoom, part: str, state: str, columns: dict[str, Array]) -> StateAnswer:
    mine = [cell for cell in cells(study) if (cell.part, cell.state) == (part, state)]
    sizes = tuple(_size(study, room, cell, columns) for cell in mine)
    all_held = np.all([columns[f"per-m3/{cell.key}"] <= cell.limit_per_m3 for cell in mine], axis=0)
    held, tried = int(all_held.sum()), len(all_held)
    # The size that decides is the one nearest to its limit; where all hold, shares held are all one.
    binding = max(sizes, key=lambda one: one.high / one.cell.limit_per_m3)
    return StateAnswer(
        part,
        state,
        class_text(study, part, at_rest=state == "at-rest"),
        held / tried,
        *wilson(held, tried),
        binding.cell.size_um,
        sizes,
        influences(study, binding.cell, columns),
    )


def _size(study: m.Study, room: StudyRoom, cell: Cell, columns: dict[str, Array]) -> SizeAnswer:
    values, supplies = columns[f"per-m3/{cell.key}"], columns[f"supply/{cell.key}"]
    held = int((values <= cell.limit_per_m3).sum())
    median, spread = geometric(values)
    design = study.room.air_changes_per_h
    needed = float(np.quantile(supplies, study.study.wanted_pct / 100.0, method="higher")) * design
    simple: float | None = None
    if cell.part == "room":
        source = float(at_least(room.sources(at_rest=cell.state == "at-rest"), room.sizes_um, cell.size_um))
        flow = simple_supply_m3_s(source, cell.limit_per_m3, room.effectiveness, study.study.safety)
        simple = flow * 3600.0 / room.volume_m3
    return SizeAnswer(
        cell,
        settled(room, cell),
        median,
        float(np.quantile(values, 0.05)),
        float(np.quantile(values, 0.95)),
        held / len(values),
        *wilson(held, len(values)),
        1.0 - exceeded(median / cell.limit_per_m3, spread),
        needed if isfinite(needed) else None,
        simple,
    )


def _recoveries(study: m.Study, room: StudyRoom) -> list[Recovery]:
    found = []
    for part in parts_of(study):
        for limit in limits_of(study, part, at_rest=True):
            minutes = recovery_min(room, part, limit.size_um, limit.per_m3)
            found.append(
                Recovery(
                    part,
                    limit.size_um,
                    limit.per_m3,
                    minutes if isfinite(minutes) else None,
                    hundredth_min(room, limit.size_um) if part == "room" else None,
                )
            )
    return found


def _rule(
    study: m.Study, room: StudyRoom, placing: Placing, rule: m.AlarmRule, done: list[tuple[Task, Result]]
) -> RuleAnswer:
    months = [result["starts"] for task, result in _of(done, "month") if task.rule == rule.id]
    alarms = sum(sum(starts.values()) for starts in months)
    by_place = tuple((place, sum(one[place] for one in months) / len(months)) for place in placing.chosen)
    per_month = [sum(starts.values()) for starts in months]
    # The scatter between months is far wider than Poisson: each has people of its own.
    error = float(np.std(per_month, ddof=1)) / len(months) ** 0.5 if len(months) > 1 else 0.0
    by_counting = poisson_upper(alarms, 0.90) / len(months)
    # Nearly all of them start while people work.
    per_minute = alarms / len(months) / max(1.0, _working_min(study))
    incidents = []
    for incident in study.incidents:
        mine = [result["found"] for task, result in _of(done, "incident") if _is(task, rule, incident)]
        runs = [one for found in mine for one in found]
        delays = [delay for delay, _ in runs if delay is not None]
        incidents.append(
            IncidentAnswer(
                incident.id,
                len(delays),
                len(runs),
                sum(before for _, before in runs),
                len(delays) / len(runs),
                *wilson(len(delays), len(runs)),
                1.0 - exp(-per_minute * incident.within_min),
                float(np.median(delays)) if delays else None,
                float(np.quantile(delays, 0.9, method="higher")) if delays else None,
                _delay_parts(study, room, placing, rule, incident),
            )
        )
    mean = alarms / len(months)
    heaviest = sum(incident.weight for incident in study.incidents)
    weights = [incident.weight / heaviest for incident in study.incidents]
    return RuleAnswer(
        rule,
        len(months),
        alarms,
        mean,
        max(mean + 1.645 * error, by_counting),
        by_place,
        tuple(incidents),
        sum(weight * one.chance for weight, one in zip(weights, incidents, strict=True)),
        sum(weight * max(0.0, one.chance - one.by_chance) for weight, one in zip(weights, incidents, strict=True)),
    )


def _working_min(study: m.Study) -> float:
    """Minutes of work in a simulated month."""
    return float(at_work(study).sum()) * m.STEP_S / 60.0


def _is(task: Task, rule: m.AlarmRule, incident: m.Incident) -> bool:
    return (task.rule, task.incident) == (rule.id, incident.id)


def _delay_parts(
    study: m.Study, room: StudyRoom, placing: Placing, rule: m.AlarmRule, incident: m.Incident
) -> tuple[tuple[str, float], ...]:
    """Sampling, tube and mixing lag; the wait of the rule itself is in the engine's delays."""
    sights = [placing.sight(incident.id, place) for place in placing.chosen]
    best = max(sights, key=lambda one: (one.chance - one.by_chance, one.added)).place
    position = next(one for one in study.positions if one.id == best)
    plume = isinstance(incident, m.ZoneSource) and position.zone == "unidirectional"
    own = 1.0 if position.zone == "unidirectional" else effectiveness_of(room, position)
    size = room.sizes_um.index(study.counter.sizes_um[0])
    there, state = room.during(incident)
    lag = 0.0 if plume else 1.0 / (float(there.loss(state)[size]) * min(1.0, own))
    return (
        ("half a sample period", rule.period_s / 2.0),
        ("tube", tubes.transit_s(position, study.counter)),
        ("mixing", lag),
    )


def _tube(study: m.Study, position: m.Position) -> TubeAnswer:
    return TubeAnswer(
        position.id,
        tuple((size, tubes.arrives(position, study.counter, size)) for size in study.counter.sizes_um),
        tubes.transit_s(position, study.counter),
        tuple(tubes.cures(position, study.counter)),
    )


def _sampling(study: m.Study) -> Sampling:
    limits = [
        limit.per_m3
        for part in parts_of(study)
        for at_rest in (True, False)
        for limit in limits_of(study, part, at_rest=at_rest)
        if limit.per_m3 > 0
    ]
    lowest = min(limits)
    return Sampling(
        locations_2015(study.room.area_m2), least_volume_l(lowest), least_minutes(lowest, study.counter.flow_l_min)
    )
