"""The work of a study cut into tasks that can be done anywhere, in any order, with the same result.

A task's random numbers come from the study's seed and the task's own place (`SeedSequence` with a spawn key), so
neither the number of workers nor the order matters. Months and runs are the same for every rule, so that rules are
compared on the same air. `do` is what a worker process calls; it must stay importable by its name.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from motewatch_simulator.study import model as m
from motewatch_simulator.study.class_held import chunk
from motewatch_simulator.study.engine_run import alarms_in_month, incident_found, warm_s
from motewatch_simulator.study.streams import month, run

DRAWS = 250
"""Rooms in one task."""
RUNS = 10
"""Incidents in one task."""

Result = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Task:
    """One piece of work. `key` names it in the resume file."""

    kind: str
    number: int
    amount: int
    rule: str = ""
    incident: str = ""

    @property
    def key(self) -> str:
        """Unique within a study."""
        return "/".join(part for part in (self.kind, self.rule, self.incident, f"{self.number}") if part)


@dataclass(frozen=True, slots=True)
class Work:
    """What every task needs to know: the study as canonical JSON, and the places that have counters."""

    study: str
    places: tuple[str, ...]


def plan(study: m.Study) -> tuple[Task, ...]:
    """Every task, the longest first, so that no worker ends long after the others."""
    return (*_months(study), *_incidents(study), *_draws(study))


def _months(study: m.Study) -> Iterator[Task]:
    for number in range(study.study.months):
        for rule in sorted(study.rules, key=lambda one: one.period_s):
            yield Task("month", number, 1, rule=rule.id)


def _incidents(study: m.Study) -> Iterator[Task]:
    for rule in study.rules:
        for incident in study.incidents:
            for first in range(0, study.study.runs, RUNS):
                yield Task("incident", first, min(RUNS, study.study.runs - first), rule.id, incident.id)


def _draws(study: m.Study) -> Iterator[Task]:
    for first in range(0, study.study.draws, DRAWS):
        yield Task("draws", first, min(DRAWS, study.study.draws - first))


def do(work: Work, task: Task) -> Result:
    """Work off one task. The result can be written as JSON."""
    study = _study(work.study)
    if task.kind == "draws":
        return {"columns": chunk(study, task.amount, _rng(study, 1, task.number))}
    rule = next(one for one in study.rules if one.id == task.rule)
    if task.kind == "month":
        stream = month(study, work.places, _rng(study, 2, task.number))
        return {"starts": alarms_in_month(study, rule, stream)}
    place = [one.id for one in study.incidents].index(task.incident)
    incident = study.incidents[place]
    found = []
    for number in range(task.number, task.number + task.amount):
        warm = warm_s(rule, study.counter.flow_l_min)
        stream = run(study, work.places, incident, warm, rule.period_s, _rng(study, 3, place, number))
        one = incident_found(study, rule, stream, incident.within_min)
        found.append([one.delay_s, one.before])
    return {"found": found}


def _rng(study: m.Study, *key: int) -> np.random.Generator:
    return np.random.default_rng(np.random.SeedSequence(study.study.seed, spawn_key=key))


@lru_cache(maxsize=4)
def _study(text: str) -> m.Study:
    return m.Study.model_validate_json(text)
