"""How often run rules signal by chance alone: mean points to the first signal of any rule of a set.

A Markov chain over what the rules remember (C. W. Champ and W. H. Woodall, Technometrics 29, 1987, from memory, not
confirmed): a point matters only by its zone, so the states are found by feeding the rules one point of each zone.
For independent normal points; rules that compare a point with the one before (steady, alternating) know no zones and
are refused.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from motewatch.measure.absorption import mean_times
from motewatch.measure.errors import BadInputError
from motewatch.measure.run_rules import Pattern, Rule, RunRules
from motewatch.measure.signals import finite

MOST_STATES = 4_000


def average_run_length(rules: Sequence[Rule], shift: float = 0.0) -> float:
    """Mean number of points to the first signal when the true mean is `shift` sigmas from the centre.

    370.4 for one point beyond 3 sigma, 91.75 for the four Western Electric rules together.
    """
    finite("shift", shift)
    for rule in rules:
        if rule.pattern in (Pattern.STEADY, Pattern.ALTERNATING):
            raise BadInputError("rule", rule.name, "rules that look at zones only")
    zones = _zones(rules, shift)
    start = _key(RunRules(tuple(rules)))
    numbers, waiting = {start: 0}, [start]
    moves: list[tuple[int, int, float]] = []
    leaving: list[float] = [0.0]
    while waiting:
        state = waiting.pop()
        here = numbers[state]
        for point, chance in zones:
            chart = RunRules.from_state(tuple(rules), json.loads(state))
            if chart.observe(point):
                leaving[here] += chance
                continue
            there = _key(chart)
            if there not in numbers:
                numbers[there] = len(numbers)
                leaving.append(0.0)
                waiting.append(there)
                if len(numbers) > MOST_STATES:
                    raise BadInputError(
                        "rules", [rule.name for rule in rules], f"a set of at most {MOST_STATES} states"
                    )
            moves.append((here, numbers[there], chance))
    matrix = np.zeros((len(numbers), len(numbers)))
    for here, there_number, chance in moves:
        matrix[here, there_number] += chance
    return float(mean_times(matrix, np.array(leaving))[0])


def _key(chart: RunRules) -> str:
    """What matters of the state: not the last point's value, which only the refused rules look at."""
    state = chart.to_state()
    return json.dumps({**state, "last": None, "rises": 0, "falls": 0, "turns": 0})


def _zones(rules: Sequence[Rule], shift: float) -> list[tuple[float, float]]:
    """A point within each zone, and the zone's probability."""
    lines = sorted({0.0, *(rule.sigmas for rule in rules), *(-rule.sigmas for rule in rules)})
    edges = [-math.inf, *lines, math.inf]
    found = []
    for low, high in pairwise(edges):
        point = (high - 1 if low == -math.inf else low + 1) if math.inf in (-low, high) else (low + high) / 2
        # The nearer tail on both sides, so that a small difference keeps its digits.
        mirrored = low > shift
        ends = (shift - high, shift - low) if mirrored else (low - shift, high - shift)
        found.append((point, _below(ends[1]) - _below(ends[0])))
    return found


def _below(z: float) -> float:
    return math.erfc(-z / math.sqrt(2)) / 2
