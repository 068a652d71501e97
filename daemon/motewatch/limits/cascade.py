"""The pressure cascade: is each room as far above its neighbour as it must be?

A facility states steps: this room above that one by at least so much (EU GMP Annex 1, 2022, 4.14: between adjacent
rooms of different grade at least 10 Pa, a guidance value; 10 to 15 Pa was the edition of 2008). Gauges show
differences, each between two places: a room and its neighbour, or a room and a common reference such as the corridor
or the plant room, which is then a place like any other.

Rules, our choice:

- A step with gauges of its own is judged by the lowest of them. Otherwise the difference is added up along the
  shortest chain of gauges between the two rooms, and says so.
- A difference equal to the required one passes. All arithmetic is in whole millipascal, so that equal is equal.
- Gauges that close a loop must add up to nothing, within `tolerance` for each gauge in it. A loop that does not add
  up is a contradiction: a step whose chain shares a gauge with it is contradictory and neither passed nor failed,
  unless even its worst reading passes or its best one fails.
- A step without a chain of gauges is unknown, never passed.

Pure functions of one instant's readings. Must not know alarms, delays or where a reading comes from.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum, StrEnum
from itertools import pairwise

from motewatch.limits.errors import LimitsError
from motewatch.site.models import Site
from motewatch.site.order import find_cycle

GUIDANCE_MILLIPASCAL = 10_000
"""EU GMP Annex 1 (2022), 4.14 (found): at least 10 Pa, guidance value."""

GAUGE_TOLERANCE_MILLIPASCAL = 1_000
"""What a gauge may be off before a loop is a contradiction (our choice: 1 Pa)."""


class CascadeError(LimitsError):
    """A cascade that cannot be judged as stated: names the step and how to mend it."""


@dataclass(frozen=True, slots=True)
class Step:
    """`higher` must be at least `least` millipascal above `lower`."""

    higher: str
    lower: str
    least: int = GUIDANCE_MILLIPASCAL


@dataclass(frozen=True, slots=True)
class Gauge:
    """A reading: `above` is `difference` millipascal above `below` (negative: beneath it)."""

    above: str
    below: str
    difference: int


class CascadeVerdict(StrEnum):
    """What the gauges show of a step."""

    WITHIN = "within"
    EXCEEDS = "exceeds"
    UNKNOWN = "unknown"


class Reason(Enum):
    """Why: one member for each branch, with its verdict and a sentence for people."""

    verdict: CascadeVerdict
    text: str

    HOLDS = (CascadeVerdict.WITHIN, "the difference is at least the required one")
    TOO_SMALL = (CascadeVerdict.EXCEEDS, "the difference is smaller than required")
    REVERSED = (CascadeVerdict.EXCEEDS, "air is pushed the wrong way: the lower room has the higher pressure")
    NO_GAUGE = (CascadeVerdict.UNKNOWN, "no gauge connects the two rooms")
    CONTRADICTORY = (CascadeVerdict.UNKNOWN, "the gauges between the rooms contradict each other")

    def __init__(self, verdict: CascadeVerdict, text: str) -> None:
        self.verdict = verdict
        self.text = text


@dataclass(frozen=True, slots=True)
class StepJudgement:
    """A step's verdict. `difference` in millipascal (None: unknown) along `through`, the places of the chain."""

    step: Step
    reason: Reason
    difference: int | None
    through: tuple[str, ...]

    @property
    def verdict(self) -> CascadeVerdict:
        """The reason's verdict."""
        return self.reason.verdict


@dataclass(frozen=True, slots=True)
class Loop:
    """Gauges around `places` that do not add up: `residual` millipascal are left over."""

    places: tuple[str, ...]
    residual: int


@dataclass(frozen=True, slots=True)
class Finding:
    """All steps in their order, and the loops that contradict themselves."""

    steps: tuple[StepJudgement, ...]
    contradictions: tuple[Loop, ...]


def steps_of(site: Site) -> tuple[Step, ...]:
    """The steps that a site states, in the order of its file."""
    return tuple(Step(step.higher, step.lower, round(step.low_pa * 1000)) for step in site.cascade)


def check_order(steps: Sequence[Step]) -> None:
    """Raise `CascadeError` for a room above itself, a step stated twice, a negative step, or an order in a circle."""
    seen: set[tuple[str, str]] = set()
    for step in steps:
        if step.higher == step.lower:
            raise CascadeError(f"room '{step.higher}' cannot be above itself: name two rooms")
        if step.least < 0:
            raise CascadeError(
                f"the step '{step.higher}' above '{step.lower}' asks for {step.least / 1000:g} Pa: "
                "give 0 or more, or exchange the rooms"
            )
        if (step.higher, step.lower) in seen:
            raise CascadeError(f"the step '{step.higher}' above '{step.lower}' is stated twice: remove one")
        seen.add((step.higher, step.lower))
    cycle = find_cycle(seen)
    if cycle is not None:
        raise CascadeError(f"the order goes in a circle: {' above '.join((*cycle, cycle[0]))}; remove one step")


def evaluate(steps: Sequence[Step], gauges: Iterable[Gauge], tolerance: int = GAUGE_TOLERANCE_MILLIPASCAL) -> Finding:
    """Judge every step by the gauges of one instant. Differences and `tolerance` in whole millipascal.

    Raises `CascadeError` for an order that contradicts itself (`check_order`), a gauge from a place to itself, or a
    negative tolerance. Source of the guidance value: EU GMP Annex 1 (2022), 4.14.
    """
    check_order(steps)
    if tolerance < 0:
        raise CascadeError(f"a tolerance of {tolerance} mPa is impossible: give 0 or more")
    graph = _Graph(gauges)
    loops = graph.loops(tolerance)
    return Finding(tuple(_judge(step, graph, loops) for step in steps), tuple(loops))


class _Graph:
    """Places joined by gauges; several gauges between the same two places stay apart."""

    def __init__(self, gauges: Iterable[Gauge]) -> None:
        self.between: dict[str, dict[str, list[int]]] = {}
        for gauge in sorted(gauges, key=lambda item: (item.above, item.below, item.difference)):
            if gauge.above == gauge.below:
                raise CascadeError(f"a gauge from '{gauge.above}' to itself shows nothing: name two places")
            self.between.setdefault(gauge.above, {}).setdefault(gauge.below, []).append(gauge.difference)
            self.between.setdefault(gauge.below, {}).setdefault(gauge.above, []).append(-gauge.difference)

    def chain(self, start: str, end: str) -> tuple[str, ...]:
        """Places of the shortest chain of gauges, both ends included; empty without one."""
        before: dict[str, str] = {start: start}
        waiting = deque((start,))
        while waiting and end not in before:
            place = waiting.popleft()
            for near in sorted(self.between.get(place, ())):
                if near not in before:
                    before[near] = place
                    waiting.append(near)
        if end not in before:
            return ()
        found = [end]
        while found[-1] != start:
            found.append(before[found[-1]])
        return tuple(reversed(found))

    def spread(self, places: Sequence[str]) -> tuple[int, int]:
        """The least and the greatest difference from the first place down to the last along the chain."""
        steps = [self.between[high][low] for high, low in pairwise(places)]
        return sum(min(step) for step in steps), sum(max(step) for step in steps)

    def loops(self, tolerance: int) -> list[Loop]:
        """The loops closed by gauges that do not add up: one for each gauge beyond those that join the places."""
        found: list[Loop] = []
        parent: dict[str, str] = {}
        level: dict[str, int] = {}
        for root in sorted(self.between):
            if root in level:
                continue
            parent[root], level[root] = root, 0
            waiting = deque((root,))
            while waiting:
                place = waiting.popleft()
                for near, differences in sorted(self.between[place].items()):
                    if near not in level:
                        parent[near] = place
                        level[near] = level[place] - differences[0]
                        waiting.append(near)
        for high, others in sorted(self.between.items()):
            for low, differences in sorted(others.items()):
                if high > low:
                    continue
                if max(differences) - min(differences) > 2 * tolerance:
                    found.append(Loop((high, low), max(differences) - min(differences)))
                if parent[low] == high or parent[high] == low:
                    continue
                residual = differences[0] - (level[high] - level[low])
                places = self._around(high, low, parent)
                if abs(residual) > tolerance * len(places):
                    found.append(Loop(places, residual))
        return found

    @staticmethod
    def _around(one: str, other: str, parent: dict[str, str]) -> tuple[str, ...]:
        """From `one` through the tree to `other`."""
        up = [one]
        while parent[up[-1]] != up[-1]:
            up.append(parent[up[-1]])
        down = [other]
        while down[-1] not in up:
            down.append(parent[down[-1]])
        return tuple(up[: up.index(down[-1])] + list(reversed(down)))


def _judge(step: Step, graph: _Graph, loops: Sequence[Loop]) -> StepJudgement:
    places = graph.chain(step.higher, step.lower)
    if not places:
        return StepJudgement(step, Reason.NO_GAUGE, None, ())
    least, most = graph.spread(places)
    pairs = {frozenset(pair) for pair in pairwise(places)}
    bad = [loop for loop in loops if pairs & _pairs(loop)]
    # By how much the loops through this chain do not add up, it may be wrong, up or down. Two gauges on one door are
    # both in the spread already.
    slack = sum(abs(loop.residual) for loop in bad if len(loop.places) > 2)
    if bad and least - slack < step.least <= most + slack:
        return StepJudgement(step, Reason.CONTRADICTORY, None, places)
    if least >= step.least:
        return StepJudgement(step, Reason.HOLDS, least, places)
    reason = Reason.REVERSED if least < 0 else Reason.TOO_SMALL
    return StepJudgement(step, reason, least, places)


def _pairs(loop: Loop) -> set[frozenset[str]]:
    return {frozenset(pair) for pair in zip(loop.places, (*loop.places[1:], loop.places[0]), strict=True)}
