"""Where counters should sit and how many: the sets of places that find the most of what may happen.

Every incident is played `RUNS` times with a counter at every place at once, and the daemon's judging of whole series
says in which runs a place would have found it in time, for each rule. What ordinary work would have set off in as much
time before the incident is taken off: an alarm that always stands finds nothing. So places that fail together are seen
to fail together. Every set of up to `EXACT` places is tried; beyond, the best place is added one by one. The rule that
finds most beyond chance decides; the engine tells afterwards what the chosen set really does. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import NDArray

from motewatch.limits.judging import Verdict
from motewatch.limits.judging_arrays import VERDICTS, judge_series, series, verdicts
from motewatch_simulator.balance import step
from motewatch_simulator.spectra import Array
from motewatch_simulator.study import model as m
from motewatch_simulator.study.engine_run import levels_of, warm_s
from motewatch_simulator.study.room import StudyRoom, at_least, transfer_s_m3
from motewatch_simulator.study.streams import Stream, effectiveness_of, run
from motewatch_simulator.study.tubes import passed

RUNS = 40
"""Of each incident, for the places alone (own choice)."""
EXACT = 20_000
"""So many sets are tried at most for one number of counters (own choice)."""
FEW_COUNTS = 3.0
"""An incident that adds fewer expected particles than this at every place is a gap."""
GAIN = 0.01
"""Another counter is worth it when it finds so much more of what may happen (own choice)."""

Flags = NDArray[np.bool_]
"""Per rule, incident, run and place: would it have told?"""


@dataclass(frozen=True, slots=True)
class Sight:
    """One incident at one place, alone: how often it tells in time, and the expected particles that the incident adds.

    `by_chance`: how often it tells in as much time before the incident.
    """

    incident: str
    place: str
    chance: float
    by_chance: float
    added: float


@dataclass(frozen=True, slots=True)
class Choice:
    """The best set of a number of places, and how much of what may happen it finds beyond chance, weighted."""

    places: tuple[str, ...]
    beyond: float


@dataclass(frozen=True, slots=True)
class Gap:
    """An incident that the chosen set does not cover, and where it is seen best."""

    incident: str
    best_place: str
    chance: float
    by_chance: float
    added: float
    few: bool
    """So few particles reach any counter (of a source in a zone: any counter there) that no rule can help."""


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


def place_counters(study: m.Study) -> Placing:
    """The places, by the rule that finds most with the fewest that find it."""
    told, before = _played(study)
    found = []
    for number, rule in enumerate(study.rules):
        choices = tuple(_best(study, told[number], before[number], n) for n in range(1, len(study.positions) + 1))
        found.append((max(choice.beyond for choice in choices), -number, rule, choices))
    _, minus, rule, choices = max(found, key=lambda one: one[:2])
    mine, calm = told[-minus], before[-minus]
    sights = tuple(_sights(study, mine, calm))
    worth = next(c for c in choices if c.beyond >= max(other.beyond for other in choices) - GAIN)
    chosen = _with_every_part(study, sights, worth)
    return Placing(rule.id, sights, choices, chosen, tuple(_gaps(study, sights, chosen, mine, calm)))


def _played(study: m.Study) -> tuple[Flags, Flags]:
    """Which place tells in time, and which told in as much time before; shape (rules, incidents, runs, places)."""
    places = tuple(position.id for position in study.positions)
    shape = (len(study.rules), len(study.incidents), RUNS, len(places))
    told, before = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    back_s = max(warm_s(rule, study.counter.flow_l_min) for rule in study.rules)
    longest_s = max(rule.period_s for rule in study.rules)
    for i, incident in enumerate(study.incidents):
        within_s = round(incident.within_min * 60)
        for number in range(RUNS):
            seed = np.random.SeedSequence(study.study.seed, spawn_key=(4, i, number))
            stream = run(study, places, incident, back_s + within_s, longest_s, np.random.default_rng(seed))
            begins_s = stream.begins_step * m.STEP_S
            for k, rule in enumerate(study.rules):
                for column, place in enumerate(places):
                    ends_s = _exceeding(study, rule, stream, place)
                    told[k, i, number, column] = ((ends_s > begins_s) & (ends_s <= begins_s + within_s)).any()
                    before[k, i, number, column] = ((ends_s > begins_s - within_s) & (ends_s <= begins_s)).any()
    return told, before


def _exceeding(study: m.Study, rule: m.AlarmRule, stream: Stream, place: str) -> NDArray[np.int64]:
    """Ends of the samples at which the rule tells, in seconds of the stream."""
    counts = stream.periods(place, rule.period_s)
    volume_ul = volume_of(study, rule)
    tells = np.zeros(len(counts), dtype=bool)
    for size_um, level in levels_of(study, rule, place, at_rest=False):
        column = study.counter.sizes_um.index(size_um)
        reasons = judge_series(rule.rule, series(counts[:, column], np.full(len(counts), volume_ul)), level)
        tells |= verdicts(reasons) == VERDICTS.index(Verdict.EXCEEDS)
    result: NDArray[np.int64] = (np.flatnonzero(tells) + 1) * rule.period_s
    return result


def volume_of(study: m.Study, rule: m.AlarmRule) -> int:
    """Air of one sample in microlitres."""
    return round(study.counter.flow_l_min * 1_000_000 * rule.period_s / 60)


def _with_every_part(study: m.Study, sights: tuple[Sight, ...], choice: Choice) -> tuple[str, ...]:
    """A unidirectional zone is monitored whatever the incidents are: it gets its best place if it has none."""
    inside = [position.id for position in study.positions if position.zone == "unidirectional"]
    if not inside or set(inside) & set(choice.places):
        return choice.places
    best = max(inside, key=lambda place: sum(s.chance - s.by_chance for s in sights if s.place == place))
    return tuple(p.id for p in study.positions if p.id in {*choice.places, best})


def _best(study: m.Study, told: Flags, before: Flags, number: int) -> Choice:
    places = [position.id for position in study.positions]
    weights = np.array([incident.weight for incident in study.incidents])
    weights = weights / weights.sum()

    def beyond(columns: tuple[int, ...]) -> float:
        found, chance = _shares(told, columns), _shares(before, columns)
        return float(weights @ np.maximum(0.0, found - chance))

    best: tuple[int, ...] = ()
    if comb(len(places), number) <= EXACT:
        best = max(combinations(range(len(places)), number), key=beyond)
    else:
        for _ in range(number):
            best = max(((*best, one) for one in range(len(places)) if one not in best), key=beyond)
    return Choice(tuple(places[column] for column in sorted(best)), beyond(best))


def _shares(flags: Flags, columns: tuple[int, ...]) -> Array:
    """Of each incident, the share of runs in which any of the places tells."""
    result: Array = flags[:, :, list(columns)].any(axis=2).mean(axis=1)
    return result


def _sights(study: m.Study, told: Flags, before: Flags) -> Iterator[Sight]:
    room = StudyRoom(study)
    for i, incident in enumerate(study.incidents):
        course = _course(room, incident, max(1, round(incident.within_min * 60 / m.STEP_S)))
        for column, position in enumerate(study.positions):
            added = _added(study, room, incident, position, course)
            yield Sight(
                incident.id,
                position.id,
                float(told[i, :, column].mean()),
                float(before[i, :, column].mean()),
                added,
            )


def _gaps(
    study: m.Study, sights: tuple[Sight, ...], chosen: tuple[str, ...], told: Flags, before: Flags
) -> Iterator[Gap]:
    wanted = study.study.wanted_pct / 100.0
    columns = tuple(n for n, position in enumerate(study.positions) if position.id in chosen)
    found, chance = _shares(told, columns), _shares(before, columns)
    for i, incident in enumerate(study.incidents):
        mine = [one for one in sights if one.incident == incident.id]
        inside = {position.id for position in study.positions if position.zone == "unidirectional"}
        # What a zone's source gives the room comes late and thin: it has to be seen within the zone.
        near = [s for s in mine if s.place in inside] if isinstance(incident, m.ZoneSource) else mine
        most = max((one.added for one in near), default=0.0)
        few = most < FEW_COUNTS
        if found[i] < wanted or few:
            best = max(mine, key=lambda one: (one.chance - one.by_chance, one.added))
            yield Gap(
                incident.id,
                best.place,
                float(found[i]),
                float(chance[i]),
                max((s.added for s in near), default=0.0),
                few,
            )


def _added(study: m.Study, room: StudyRoom, incident: m.Incident, position: m.Position, course: Array) -> float:
    """The expected particles that an incident adds in time at a place, at the size that gains most; in the mean."""
    more = course - np.broadcast_to(room.mixed(at_rest=False), course.shape) * m.STEP_S
    zone = study.zone
    if position.zone == "room":
        seen = more / effectiveness_of(room, position)
    else:
        assert zone is not None, "the file is checked"
        seen = more * zone.transfer
    if isinstance(incident, m.ZoneSource) and zone is not None:
        lasts = round(incident.duration_min * 60 / m.STEP_S)
        seen[:lasts] += room.incident_sources(incident) * (transfer_s_m3(zone, incident, position) * m.STEP_S)
    through = passed(position, study.counter, room.sizes_um) * (study.counter.flow_l_min / 60_000.0)
    sizes = [size for size in room.sizes_um if size in study.counter.sizes_um]
    return max(float(at_least(seen * through, room.sizes_um, size).sum()) for size in sizes)


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
