"""What the counters of a study would have counted: months of ordinary work, and hours around one incident.

The air of a room is the exact solution of its balance for inputs that stand still over steps of `STEP_S`; people's
levels, doors and outdoor air are averaged over a step. Every differential bin of a counter is an independent Poisson
draw of what its tube and, where they are given, its optics make of that air. The outdoor air wanders from hour to hour;
each month and each run has people of its own. Knows no rules.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from motewatch.site.schedule import WeeklyWindows
from motewatch_simulator.balance import step
from motewatch_simulator.outdoors import HOURLY_CORRELATION, LogWander
from motewatch_simulator.people import CHANCES, HOLD_SHAPE, HOLDS_S, LEVELS, SHARES
from motewatch_simulator.plant import AirState
from motewatch_simulator.spectra import GARMENTS, Array
from motewatch_simulator.study import model as m
from motewatch_simulator.study.room import StudyRoom, transfer_s_m3
from motewatch_simulator.study.tubes import optics, passed

Counts = NDArray[np.int64]

MONTH_DAYS = 30
EPOCH_US = 1_767_571_200_000_000
"""Monday, 2026-01-05T00:00Z: where every simulated month begins (own choice)."""
STEP_US = m.STEP_S * 1_000_000
_HOUR_STEPS = 3600 // m.STEP_S
_BLOCK = 64


@dataclass(frozen=True, slots=True)
class Stream:
    """Cumulative counts per step, for each place an array (steps, sizes of the counter)."""

    counts: dict[str, Counts]
    begins_step: int = 0
    """The step at which the incident begins."""

    def periods(self, place: str, period_s: int) -> Counts:
        """The counts of whole sample periods, from the first step on."""
        counts = self.counts[place]
        each = period_s // m.STEP_S
        whole = len(counts) // each
        result: Counts = counts[: whole * each].reshape(whole, each, -1).sum(axis=1)
        return result


def month(study: m.Study, places: tuple[str, ...], rng: np.random.Generator) -> Stream:
    """30 days of ordinary work, from a Monday."""
    present = at_work(study)
    return _stream(study, places, present, rng, None, len(present), 0)


def at_work(study: m.Study) -> NDArray[np.bool_]:
    """In which steps of a month people work."""
    windows = WeeklyWindows.parse(study.room.operational, "UTC")
    # Windows begin and end on whole minutes.
    minutes = [windows.is_operational(EPOCH_US + minute * 60_000_000 + 1) for minute in range(MONTH_DAYS * 1440)]
    return np.repeat(np.array(minutes), 60 // m.STEP_S)


def run(
    study: m.Study, places: tuple[str, ...], incident: m.Incident, warm_s: int, period_s: int, rng: np.random.Generator
) -> Stream:
    """Hours in operation around one incident, which begins at a random moment of a sample period."""
    begins = warm_s // m.STEP_S + int(rng.integers(0, max(1, period_s // m.STEP_S)))
    # Two periods more, so that the sample in which the time runs out is there.
    steps = begins + round(max(incident.within_min, 1.0) * 60) // m.STEP_S + 2 * period_s // m.STEP_S
    return _stream(study, places, np.ones(steps, dtype=bool), rng, incident, steps, begins)


def _stream(
    study: m.Study,
    places: tuple[str, ...],
    present: NDArray[np.bool_],
    rng: np.random.Generator,
    incident: m.Incident | None,
    steps: int,
    begins: int,
) -> Stream:
    room = StudyRoom(study)
    air_rng, count_rng = rng.spawn(2)
    gains = _gains(room, present, air_rng)
    ends = steps if incident is None else min(steps, begins + max(1, round(incident.duration_min * 60 / m.STEP_S)))
    ordinary = (room, room.state())
    during = ordinary if incident is None else room.during(incident)
    if incident is not None:
        gains[begins:ends] += room.incident_sources(incident) / room.volume_m3
        # What the air itself brings follows the supply and the doors.
        none = np.zeros(len(room.sizes_um))
        gains[begins:ends] += during[0].gain(none, during[1]) - room.gain(none)
    air = room.mixed(at_rest=not bool(present[0]))
    integrals = np.empty_like(gains)
    for start, end, (there, state) in ((0, begins, ordinary), (begins, ends, during), (ends, steps, ordinary)):
        integrals[start:end], air = scan(there, state, air, gains[start:end])
    positions = {position.id: position for position in study.positions}
    counts = {}
    for place, one in zip(places, count_rng.spawn(len(places)), strict=True):
        position = positions[place]
        seen = _seen(room, position, integrals)
        if isinstance(incident, m.ZoneSource) and study.zone is not None:
            chi = transfer_s_m3(study.zone, incident, position)
            seen[begins:ends] += room.incident_sources(incident) * (chi * m.STEP_S)
        counts[place] = _counted(study, room, position, seen, one)
    return Stream(counts, begins)


def _gains(room: StudyRoom, present: NDArray[np.bool_], rng: np.random.Generator) -> Array:
    """What comes into each m3 of the room in each step, particles/(m3 s), shape (steps, bins)."""
    study, steps = room.study, len(present)
    outdoor_rng, door_rng, people_rng = rng.spawn(3)
    carried = room.gain(np.zeros(len(room.sizes_um)))
    gains = _outdoors(steps, study.uncertain.outdoors, outdoor_rng)[:, None] * carried
    gains += room.machines / room.volume_m3
    for group in study.people:
        source = GARMENTS[group.garment].bins(room.sizes_um) / room.volume_m3
        strength = np.zeros(steps)
        for one in people_rng.spawn(group.count):
            spread = study.uncertain.persons
            habit = float(np.exp(spread * one.standard_normal() - spread**2 / 2.0))
            strength += habit * (_levels(steps, one) if group.activity is None else group.activity)
        gains += (strength * present)[:, None] * source
    if study.air.passages_per_h > 0:
        passages = door_rng.poisson(study.air.passages_per_h / _HOUR_STEPS, steps) * present
        pulse = room.plant.surroundings * (study.air.exchange_m3 / m.STEP_S / room.volume_m3)
        gains += passages[:, None] * pulse
    return gains


def _outdoors(steps: int, spread: float, rng: np.random.Generator) -> Array:
    """The factor of the outdoor air, hour by hour, of median 1; its time of day is left out (own choice)."""
    wander = LogWander(spread, HOURLY_CORRELATION, rng)
    factors = []
    for _ in range(-(-steps // _HOUR_STEPS)):
        factors.append(wander.factor)
        wander.step()
    result: Array = np.repeat(np.array(factors), _HOUR_STEPS)[:steps]
    return result


def _levels(steps: int, rng: np.random.Generator) -> Array:
    """The mean level of activity of one person in each step: a semi-Markov process as in `people`."""
    length_s = steps * m.STEP_S
    mean_s = float(np.dot(CHANCES, HOLDS_S))
    # Far more than enough: the time that many holds take scatters by less than their square root.
    number = int(length_s / mean_s + 10.0 * np.sqrt(length_s / mean_s) + 20)
    which = np.concatenate(([rng.choice(len(LEVELS), p=SHARES)], rng.choice(len(LEVELS), number, p=CHANCES)))
    levels = np.array(LEVELS)[which]
    ends = np.cumsum(rng.gamma(HOLD_SHAPE, np.array(HOLDS_S)[which] / HOLD_SHAPE))
    done = np.concatenate(([0.0], np.cumsum(levels * np.diff(ends, prepend=0.0))))
    edges = np.arange(steps + 1) * float(m.STEP_S)
    result: Array = np.diff(np.interp(edges, np.concatenate(([0.0], ends)), done)) / m.STEP_S
    return result


def scan(room: StudyRoom, state: AirState, air: Array, gains: Array) -> tuple[Array, Array]:
    """The integral of the concentration over each step, and the concentration after the last.

    The same recursion as stepping `balance.Step`, worked off in blocks: `c' = P c + Q b`, integral `Q c + R b`.
    """
    if len(gains) == 0:
        return gains, air
    exact = step(room.plant.matrix(state), float(m.STEP_S))
    p, q, r = (matrix[:, 0, 0] for matrix in (exact.keep, exact.gain, exact.gain_integral))
    bins, steps = len(p), len(gains)
    blocks = -(-steps // _BLOCK)
    pushed = np.zeros((blocks * _BLOCK, bins))
    pushed[:steps] = gains * q
    after = np.arange(_BLOCK + 1)[:, None] - np.arange(_BLOCK)[None, :] - 1
    weights = np.where(after >= 0, p[:, None, None] ** np.maximum(after, 0), 0.0)
    from_zero = np.einsum("bik,nkb->nib", weights, pushed.reshape(blocks, _BLOCK, bins), optimize=True)
    starts = np.empty((blocks, bins))
    now, kept = air, p**_BLOCK
    for block in range(blocks):
        starts[block] = now
        now = kept * now + from_zero[block, _BLOCK]
    kept_within = p[None, :] ** np.arange(_BLOCK + 1)[:, None]
    states = (kept_within * starts[:, None, :] + from_zero)[:, :_BLOCK].reshape(-1, bins)[:steps]
    integrals: Array = q * states + r * gains
    last: Array = p * states[-1] + q * gains[-1]
    return integrals, last


def _seen(room: StudyRoom, position: m.Position, integrals: Array) -> Array:
    """What a place sees of the mixed air, as an integral over each step."""
    if position.zone == "room":
        result: Array = integrals / effectiveness_of(room, position)
        return result
    zone = room.study.zone
    assert zone is not None, "the file is checked"
    return integrals * zone.transfer + room.zone_supply * m.STEP_S


def effectiveness_of(room: StudyRoom, position: m.Position) -> float:
    """The place's own contaminant removal effectiveness, or the room's."""
    return room.effectiveness if position.effectiveness is None else position.effectiveness


def _counted(study: m.Study, room: StudyRoom, position: m.Position, seen: Array, rng: np.random.Generator) -> Counts:
    """Cumulative counts of each step at the counter's sizes."""
    counter = study.counter
    if counter.response is None:
        through = seen * (counter.flow_l_min / 60_000.0) * passed(position, counter, room.sizes_um)
        edges = [room.sizes_um.index(size) for size in counter.sizes_um]
        expected = np.add.reduceat(through, edges, axis=1)
    else:
        # Each stream has counters of its own, as far as they scatter.
        expected = optics(position, counter, room.sizes_um, rng.spawn(1)[0]).expected_many(seen, float(m.STEP_S))
    drawn = rng.poisson(expected)
    result: Counts = np.cumsum(drawn[:, ::-1], axis=1)[:, ::-1].astype(np.int64)
    return result
