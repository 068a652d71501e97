"""Run rules: each rule of both sets at its shortest pattern and one point short of it, and how often chance fires them.

The rules are found in the documentation of a statistics library and on public pages; the false-alarm rate of one
point beyond 3 sigma is recomputed, that of the four Western Electric rules together was remembered as about 91.75
(Champ and Woodall, Technometrics 29, 1987) and is recomputed here by an exact chain.
"""

from __future__ import annotations

import numpy as np
import pytest

from motewatch.measure.charts_arrays import run_rules
from motewatch.measure.errors import BadInputError
from motewatch.measure.run_rules import NELSON, SETS, WESTERN_ELECTRIC, RunRules
from motewatch.measure.run_rules_chance import average_run_length
from support.checks import check

SECTION = "Run rules"
SOURCE = "documentation of a statistics library and public pages on the two rule sets"
UP, DOWN = 1, -1
SHORTEST = {
    "WE1": ([3.1], 1),
    "WE2": ([2.1, 0.0, 2.1], 1),
    "WE3": ([1.1, 1.1, -0.5, 1.1, 1.1], 1),
    "WE4": ([0.1] * 8, 1),
    "N1": ([-3.1], -1),
    "N2": ([-0.1] * 9, -1),
    "N3": ([-1.4, -0.9, -0.4, 0.1, 0.6, 0.9], 1),
    "N4": ([0.5, -0.5] * 7, 0),
    "N5": ([2.1, 2.1], 1),
    "N6": ([-1.1, -1.1, -1.1, -1.1], -1),
    "N7": ([0.9, 0.8, -0.1, 0.2, -0.3] * 3, 0),
    "N8": ([1.1, -1.2, 1.3, -1.1, -1.4, 1.5, 1.2, -1.1], 0),
}
LENGTH = {
    "WE1": 1,
    "WE2": 3,
    "WE3": 5,
    "WE4": 8,
    "N1": 1,
    "N2": 9,
    "N3": 6,
    "N4": 14,
    "N5": 3,
    "N6": 5,
    "N7": 15,
    "N8": 8,
}


def set_of(name: str) -> str:
    return "western-electric" if name.startswith("WE") else "nelson"


@pytest.mark.parametrize("name", SHORTEST)
def test_the_shortest_pattern(name: str) -> None:
    points, side = SHORTEST[name]
    rules = RunRules(set_of(name))
    told = [[signal for signal in rules.observe(point) if signal.rule == name] for point in points]
    assert told[:-1] == [[]] * (len(points) - 1)
    assert [signal.side for signal in told[-1]] == [side]
    (rule,) = [rule for rule in SETS[set_of(name)] if rule.name == name]
    check(SECTION, f"{name}, {rule.text}: points", LENGTH[name], rule.n, source=SOURCE, confirmed="found")
    at_last = {key: int(found[-1]) for key, found in run_rules(points, SETS[set_of(name)]).items()}
    assert at_last[name] == (side or 2)


def test_eight_on_one_side_is_western_electric_nine_is_nelson() -> None:
    points = [0.1, 0.3, 0.2, 0.4, 0.1, 0.3, 0.2, 0.4]
    assert [rule for rule, found in run_rules(points, WESTERN_ELECTRIC).items() if found.any()] == ["WE4"]
    assert [rule for rule, found in run_rules(points, NELSON).items() if found.any()] == []


@pytest.mark.parametrize(
    ("points", "silent"),
    [
        ([3.0], "N1"),
        ([2.0, 2.1, 2.0], "N5"),
        ([2.1, -2.1, 0.0], "N5"),
        ([0.1] * 8 + [0.0], "N2"),
        ([1, 2, 3, 3, 4, 5], "N3"),
        ([0.5, -0.5] * 6 + [0.5, 0.5], "N4"),
        ([0.9] * 14 + [1.1], "N7"),
        ([1.1] * 7 + [1.0], "N8"),
        # The last point must itself be beyond.
        ([1.1, 1.1, 1.1, 1.1, 0.5], "last of N6"),
    ],
)
def test_what_is_no_pattern(points: list[float], silent: str) -> None:
    rules = RunRules("nelson")
    told = [{signal.rule for signal in rules.observe(point)} for point in points]
    assert silent.split()[-1] not in told[-1]


def test_a_pattern_that_goes_on_is_told_again() -> None:
    rules = RunRules("western-electric")
    told = [bool(rules.observe(0.2)) for _ in range(11)]
    assert told == [False] * 7 + [True] * 4


def test_false_alarms() -> None:
    one = average_run_length(WESTERN_ELECTRIC[:1])
    check(
        SECTION,
        "WE1 alone, points to a false alarm",
        370.4,
        one,
        source="1 / 2P(Z > 3)",
        confirmed="recomputed",
        abs=0.0501,
    )
    together = average_run_length(WESTERN_ELECTRIC)
    source = "Champ and Woodall, Technometrics 29 (1987); exact Markov chain"
    what = "WE1 to WE4 together, points to a false alarm"
    check(SECTION, what, 91.75, together, source=source, confirmed="from memory, recomputed", abs=0.00501)
    assert average_run_length(WESTERN_ELECTRIC, 0.5) == pytest.approx(
        average_run_length(WESTERN_ELECTRIC, -0.5), rel=1e-9
    )
    assert average_run_length(WESTERN_ELECTRIC, 1.0) < 10
    with pytest.raises(BadInputError, match="rule = N3"):
        average_run_length(NELSON)


def test_false_alarms_by_simulation() -> None:
    """The first signal of many independent charts, by the array version."""
    draw = np.random.default_rng(1956)
    points = draw.normal(size=(600, 1_000))
    found = run_rules(points, WESTERN_ELECTRIC)
    any_rule = np.any([sides != 0 for sides in found.values()], axis=0)
    assert any_rule.any(axis=0).mean() > 0.99
    # Charts without a signal within 600 points count with 600 and the mean that is then still to come.
    first = np.where(any_rule.any(axis=0), np.argmax(any_rule, axis=0) + 1, 600 + 91.75)
    assert first.mean() == pytest.approx(91.75, rel=0.12)
