"""What a study says: figures that never claim more than they hold, the rule to begin with, drawings that are drawn."""

from __future__ import annotations

from dataclasses import replace
from threading import Event
from xml.etree import ElementTree

import pytest

from motewatch_simulator.study import plots, words
from motewatch_simulator.study.command import work_out
from motewatch_simulator.study.findings import Answers
from motewatch_simulator.study.positions import Gap
from motewatch_simulator.study.text import summary
from support.studies import small_study


@pytest.fixture(scope="module")
def answers() -> Answers:
    """A small study of the zone, worked out once."""
    return work_out(small_study("grade-ab-filling"), 1, None, Event(), lambda done, total: None)


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.0, "0 %"), (1.0, "100 %"), (0.0004, "below 0.1 %"), (0.9996, "above 99.9 %"), (0.5, "50 %"),
        (0.954, "95.4 %"), (0.031, "3.1 %"),
    ],
)  # fmt: skip
def test_percent_never_says_all_or_none_by_rounding(share: float, text: str) -> None:
    assert words.percent(share) == text


def test_tiny_concentrations_are_not_called_nothing() -> None:
    assert words.per_m3(0.003) == "below 0.1"
    assert words.per_m3(0.0) == "0"
    assert words.per_m3(14.66) == "14.7"
    assert words.between(0.001, 0.002) == "below 0.1"
    assert words.between(0.001, 3.0) == "below 0.1 to 3.0"


def test_air_and_delays() -> None:
    assert (words.changes(None), words.changes(0.01), words.changes(12.34)) == (
        "no supply does it", "none needed", "12.3",
    )  # fmt: skip
    assert (words.minutes(None), words.minutes(0.0), words.minutes(3.06)) == ("never", "at once", "3.1 min")
    assert (words.seconds(None), words.seconds(90.0), words.seconds(150.0)) == ("-", "90 s", "2.5 min")


def test_the_rule_to_begin_with_is_the_best_of_those_that_are_bearable(answers: Answers) -> None:
    first, second = answers.rules
    noisy = replace(first, beyond=0.9, weighted=0.95, per_month=50.0)
    quiet = replace(second, beyond=0.6, weighted=0.6, per_month=1.0)
    best, why = words.best_rule(replace(answers, rules=(noisy, quiet)))
    assert best is quiet
    assert "1.0 alarms a month" in why[0]
    best, why = words.best_rule(replace(answers, rules=(noisy, replace(quiet, per_month=20.0))))
    assert best is noisy
    assert "No rule stays within 4.0 alarms a month" in why[1]


def test_verdicts_follow_the_interval_and_not_the_share_alone(answers: Answers) -> None:
    def told(held: float, low: float, high: float) -> str:
        states = tuple(replace(state, held=held, held_from=low, held_to=high) for state in answers.states)
        return words.held_headline(replace(answers, states=states))[0]

    assert told(0.99, 0.97, 0.995) == "good"
    assert told(0.96, 0.93, 0.98) == "open"
    assert told(0.80, 0.75, 0.84) == "bad"


def test_a_gap_says_what_can_help() -> None:
    few = words.gap_words(Gap("valve", "needle", 0.0, 0.0, 0.024, True), "Valve")
    assert few.endswith("at most 0.024 particles of it are expected: only another place can help.")
    weak = words.gap_words(Gap("fan", "return", 0.38, 0.2, 36997.0, False), "Fan")
    assert weak.startswith("Fan: found with 38 %, of which 20 % would be by chance.")
    assert "36 997 expected particles at return" in weak


def test_every_drawing_is_well_formed_and_names_what_it_shows(answers: Answers) -> None:
    drawings = {
        "class": plots.class_plot(answers.states),
        "supply": plots.supply_plot(answers, lambda change: [("a < b", 30.0 / change), ("far", 1e-6)]),
        "rules": plots.rules_plot(answers.rules),
        "plan": plots.plan_plot(answers),
        "influence": plots.influence_plot(answers.states[1]),
    }
    texts = {
        name: [one.text for one in ElementTree.fromstring(svg).iter() if one.tag == "text"]
        for name, svg in drawings.items()
    }
    assert "limit" in texts["class"]
    assert "a < b" in texts["supply"]
    assert "far" not in texts["supply"]
    assert {rule.rule.id for rule in answers.rules} <= set(texts["rules"])
    assert {position.id for position in answers.study.positions} <= set(texts["plan"])
    assert "spread between people" in texts["influence"]


def test_the_text_says_everything_and_the_cautions(answers: Answers) -> None:
    text = summary(answers)
    for part in ("room, in operation: grade B", "zone, in operation: grade A", "Recovery", "Counters:", "by chance"):
        assert part in text
    for caution in words.CAUTIONS:
        assert caution in text
