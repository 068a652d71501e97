"""Where counters should sit and how many: the sets of places that find the most of what may happen.

For each incident and place the nominal course of the concentration gives the expected count of every sample until the
time runs out; a sample alarms when its count exceeds the limit times the rule's share, with Poisson probability. Two
counters miss an incident independently. Every set of up to `EXACT` places is tried; beyond, the best place is added one
by one. Pure; the engine has no part in this: it tells afterwards what the chosen set really does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np

from motewatch.measure.statistics import poisson_tail, smallest_exceeding_count
from motewatch_simulator.balance import step
from motewatch_simulator.spectra import Array
from motewatch_simulator.study import model as m
from motewatch_simulator.study.limits import limits_of
from motewatch_simulator.study.room import StudyRoom, at_least, transfer_s_m3
from motewatch_simulator.study.streams import effectiveness_of
from motewatch_simulator.study.tubes import passed

EXACT = 20_000
"""So many sets are tried at most for one number of counters (own choice)."""
FEW_COUNTS = 3.0
"""An incident that adds fewer expected particles than this at every place is a gap."""
GAIN = 0.01
"""Another counter is worth it when it finds so much more of what may happen (own choice)."""


@dataclass(frozen=True, slots=True)
class Sight:
    """One incident at one place: the chance of an alarm in time, and the expected particles that it adds."""

    incident: str
    place: str
    chance: float
    by_chance: float
    """The chance of an alarm in the same time without the incident."""
    added: float


@dataclass(frozen=True, slots=True)
class Choice:
    """The best set of a number of places, and the weighted chance to find what may happen."""

    places: tuple[str, ...]
    chance: float


@dataclass(frozen=True, slots=True)
class Gap:
    """An incident that the chosen set does not cover, and why."""

    incident: str
    best_place: str
    chance: float
    added: float
    few: bool
    """So few particles reach any counter that no rule can help."""


@dataclass(frozen=True, slots=True)
class Placing:
    """Everything about the places."""

    rule: str
    sights: tuple[Sight, ...]
    choices: tuple[Choice, ...]
    chosen: tuple[str, ...]
    gaps: tuple[Gap, ...]

    def sight(self, incident: str, place: str) -> Sight:
        """One incident at one place."""
        return next(one for one in self.sights if (one.incident, one.place) == (incident, place))


def place_counters(study: m.Study, rule: m.AlarmRule) -> Placing:
    """The places for one rule, judged sample by sample."""
    room = StudyRoom(study)
    sights = tuple(
        _sight(study, room, rule, incident, position) for incident in study.incidents for position in study.positions
    )
    choices = tuple(_best(study, sights, number) for number in range(1, len(study.positions) + 1))
    worth = [choice for choice in choices if choice.chance >= max(c.chance for c in choices) - GAIN]
    chosen = _with_every_part(study, sights, worth[0])
    return Placing(rule.id, sights, choices, chosen, tuple(_gaps(study, sights, chosen)))


def _with_every_part(study: m.Study, sights: tuple[Sight, ...], choice: Choice) -> tuple[str, ...]:
    """A unidirectional zone is monitored whatever the incidents are: it gets its best place if it has none."""
    inside = [position.id for position in study.positions if position.zone == "unidirectional"]
    if not inside or set(inside) & set(choice.places):
        return choice.places
    best = max(inside, key=lambda place: sum(s.chance for s in sights if s.place == place))
    return tuple(p.id for p in study.positions if p.id in {*choice.places, best})


def _best(study: m.Study, sights: tuple[Sight, ...], number: int) -> Choice:
    places = [position.id for position in study.positions]
    chance = {(one.incident, one.place): one.chance for one in sights}
    missed = np.array([[1.0 - chance[i.id, place] for place in places] for i in study.incidents])
    weights = np.array([incident.weight for incident in study.incidents])
    weights = weights / weights.sum()

    def found(columns: tuple[int, ...]) -> float:
        return float(weights @ (1.0 - missed[:, columns].prod(axis=1)))

    if comb(len(places), number) <= EXACT:
        best = max(combinations(range(len(places)), number), key=found)
    else:
        best = ()
        for _ in range(number):
            best = max(((*best, one) for one in range(len(places)) if one not in best), key=found)
    return Choice(tuple(places[column] for column in sorted(best)), found(best))


def _gaps(study: m.Study, sights: tuple[Sight, ...], chosen: tuple[str, ...]) -> Iterator[Gap]:
    wanted = study.study.wanted_pct / 100.0
    for incident in study.incidents:
        mine = [one for one in sights if one.incident == incident.id]
        found = 1.0 - float(np.prod([1.0 - one.chance for one in mine if one.place in chosen]))
        few = max(one.added for one in mine) < FEW_COUNTS
        if found < wanted or few:
            best = max(mine, key=lambda one: (one.chance, one.added))
            yield Gap(incident.id, best.place, found, max(one.added for one in mine), few)


def _sight(study: m.Study, room: StudyRoom, rule: m.AlarmRule, incident: m.Incident, position: m.Position) -> Sight:
    part = "zone" if position.zone == "unidirectional" else "room"
    within = max(1, round(incident.within_min * 60 / m.STEP_S))
    course = _course(room, incident, within)
    calm = np.broadcast_to(room.mixed(at_rest=False), course.shape) * m.STEP_S
    plume = np.zeros_like(course)
    if isinstance(incident, m.ZoneSource) and study.zone is not None:
        chi = transfer_s_m3(study.zone, incident, position)
        lasts = round(incident.duration_min * 60 / m.STEP_S)
        plume[:lasts] = room.incident_sources(incident) * (chi * m.STEP_S)
    flow = study.counter.flow_l_min / 60_000.0
    through = passed(position, study.counter, room.sizes_um) * flow
    own = effectiveness_of(room, position)

    def expected(mixed: Array, more: Array) -> Array:
        if part == "room":
            seen: Array = (mixed / own + more) * through
            return seen
        assert study.zone is not None, "the file is checked"
        return (mixed * study.zone.transfer + room.zone_supply * m.STEP_S + more) * through

    during, without = expected(course, plume), expected(calm, np.zeros_like(plume))
    limits = [
        limit
        for limit in limits_of(study, part, at_rest=False)
        if limit.size_um in study.counter.sizes_um and (not rule.sizes_um or limit.size_um in rule.sizes_um)
    ]
    volume_ul = round(study.counter.flow_l_min * 1_000_000 * rule.period_s / 60)
    chances = [1.0, 1.0]
    added = 0.0
    for limit in limits:
        first = smallest_exceeding_count(round(limit.per_m3 * rule.share), volume_ul)
        for n, bins in enumerate((during, without)):
            for mean in _per_period(at_least(bins, room.sizes_um, limit.size_um), rule.period_s):
                chances[n] *= 1.0 - poisson_tail(first, float(mean))
        added = max(added, float(at_least(during - without, room.sizes_um, limit.size_um).sum()))
    return Sight(incident.id, position.id, 1.0 - chances[0], 1.0 - chances[1], added)


def _per_period(steps: Array, period_s: int) -> Array:
    """Expected counts of whole periods; less than one period is one that is not full."""
    each = period_s // m.STEP_S
    whole = max(1, len(steps) // each)
    result: Array = np.array([part.sum() for part in np.array_split(steps[: max(each * whole, 1)], whole)])
    return result


def _course(room: StudyRoom, incident: m.Incident, steps: int) -> Array:
    """The mixed air from the beginning of an incident on, as integrals over the steps, in the mean."""
    lasts = round(incident.duration_min * 60 / m.STEP_S)
    sources = room.sources(at_rest=False)
    air, course = room.mixed(at_rest=False), []
    ordinary, during = (room, room.state()), room.during(incident)
    exact = [step(there.plant.matrix(state), float(m.STEP_S)) for there, state in (ordinary, during)]
    more = room.incident_sources(incident)
    gains = [room.gain(sources), during[0].gain(sources + more, during[1])]
    for number in range(steps):
        now = int(number < lasts)
        after, integral = exact[now].advance(air[:, None], gains[now][:, None])
        air = after[:, 0]
        course.append(integral[:, 0])
    return np.array(course)
