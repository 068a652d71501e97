"""The library of scenarios: each loads with its site, plays, and has what its incident promises, told by the engine.

Their full length where that is short; the large facility for the time in which its incidents begin.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from motewatch.alarms.lifecycle import Event
from motewatch.cli import app as daemon_app
from motewatch.engine.records import AlarmChanged
from motewatch_simulator.cli import app
from motewatch_simulator.judging import judge
from motewatch_simulator.library import Play, open_play
from motewatch_simulator.score import Score
from motewatch_simulator.scoring import compared, true_of
from motewatch_simulator.simulation import Simulation
from motewatch_simulator.truth import TruthKind, from_line

LIBRARY = Path(__file__).parents[3] / "config" / "scenarios"
SITES = ("suite-site.toml", "campaign-site.toml", "facility-site.toml")

# What each must raise (the ends of alarms' ids), and what it says of itself in the truth.
STORIES: dict[str, tuple[set[str], set[str]]] = {
    "quiet-night": (set(), set()),
    "gowning-burst": ({"gowning-bench/0.5um/alert", "gowning-bench/5um/action"}, {"gowning-burst"}),
    "filter-pinhole": ({"filling-background/0.5um/alert"}, {"filter-leak"}),
    "door-wedge": (
        {"filling-background/pressure-difference-low/action", "cascade/filling/preparation"},
        {"door-open"},
    ),
    "fan-trip": (
        {"filling-background/pressure-difference-low/action", "filling-background/0.5um/alert"},
        {"fan-trip"},
    ),
    "humidity-drift": ({"preparation-bench/humidity-high/action"}, {"humidity-drift"}),
    "cleaning-shift": (
        {"preparation-bench/5um/alert", "preparation-bench/humidity-high/alert"},
        {"gowning-burst", "humidity-drift"},
    ),
    "ungowned-visitor": ({"preparation-bench/5um/alert", "filling-background/5um/action"}, {"gowning-burst"}),
    "network-split": ({"pc-05/silent", "pc-06/silent", "gowning-bench/5um/action"}, {"network-lost", "gowning-burst"}),
    "broker-restart": ({"pc-01/silent", "pc-06/silent"}, {"network-lost", "repeats"}),
    "full-facility": (
        {
            "north-gown-1-3/0.5um/alert",
            "east-filling-1-1/pressure-difference-low/action",
            "south-filling-2-1/pressure-difference-low/action",
            "west-prep-1-c3/silent",
        },
        {"gowning-burst", "door-open", "supply-drop", "sensor-unplugged"},
    ),
}
SHORTENED_S = {"full-facility": 1980.0}
PLAYED_ELSEWHERE = {"fault-campaign"}
"""Its score is a document with a test of its own."""


def played(name: str) -> tuple[Play, list[AlarmChanged], Score]:
    """The alarms of a scenario's stream, and their score."""
    play = open_play(LIBRARY / f"{name}.toml")
    start_us, length_us = play.start_us, play.length_us(SHORTENED_S.get(name))
    rng = np.random.default_rng(play.scenario.scenario.seed)
    simulation = Simulation(play.site, play.scenario, rng=rng, start_us=start_us)
    changes = judge(play.site, simulation.emissions(), start_us, start_us + length_us)
    return play, changes, compared(play, true_of(simulation, start_us + length_us), changes, start_us + length_us)


def test_it_holds_twelve_at_least_and_each_has_its_story_here() -> None:
    names = {path.stem for path in LIBRARY.glob("*.toml")} - {Path(site).stem for site in SITES}
    assert len(names) >= 12
    assert names == set(STORIES) | PLAYED_ELSEWHERE


@pytest.mark.parametrize("site", SITES)
def test_its_sites_have_no_mistakes(site: str) -> None:
    result = CliRunner().invoke(daemon_app, ["check", str(LIBRARY / site)])
    assert result.exit_code == 0, result.output
    assert f"{site} is fine" in result.output


@pytest.mark.parametrize("name", sorted(STORIES))
def test_a_scenario_shows_what_it_says_and_nothing_without_a_cause(name: str) -> None:
    _, changes, result = played(name)
    expected, _ = STORIES[name]
    raised = {one.alarm for one in changes if one.event is Event.STARTS}
    assert {end for end in expected if not any(one.endswith(end) for one in raised)} == set()
    if not expected:
        assert raised == set()
    assert result.false == ()
    # Air that is above a level for a moment is for the rules to judge.
    assert [truth for truth in result.missed if truth.kind is not TruthKind.EXCURSION] == []


@pytest.mark.parametrize("name", sorted({*STORIES, *PLAYED_ELSEWHERE}))
def test_the_command_tells_its_truth(name: str) -> None:
    result = CliRunner().invoke(app, ["truth", str(LIBRARY / f"{name}.toml"), *_short(name)])
    assert result.exit_code == 0, result.output
    truths = [from_line(line) for line in result.output.splitlines()]
    if name in STORIES:
        assert STORIES[name][1] <= {truth.what for truth in truths}
        assert {t.what for t in truths if t.kind is not TruthKind.EXCURSION} == STORIES[name][1]


def _short(name: str) -> list[str]:
    return ["--seconds", str(SHORTENED_S[name])] if name in SHORTENED_S else []


def test_what_is_found_late_is_marked_late() -> None:
    _, changes, _ = played("network-split")
    first = next(one for one in changes if one.event is Event.STARTS and one.kind.startswith("count"))
    assert first.late
    assert first.found_us - first.at_us > 600_000_000


def test_the_facility_is_what_its_generator_writes(tmp_path: Path) -> None:
    copy = tmp_path / "make_facility.py"
    copy.write_text((LIBRARY / "make_facility.py").read_text())
    subprocess.run([sys.executable, str(copy)], check=True)
    for name in ("facility-site.toml", "full-facility.toml"):
        assert (tmp_path / name).read_text() == (LIBRARY / name).read_text(), "run config/scenarios/make_facility.py"
    assert len(open_play(LIBRARY / "full-facility.toml").site.sensors) == 200


def test_the_score_is_printed_as_table_markdown_and_json() -> None:
    story = str(LIBRARY / "fan-trip.toml")
    said = CliRunner().invoke(app, ["score", story]).output
    assert "fan-trip" in said
    assert "found, 0 missed, 0 false of" in said
    assert "| fan-trip | 1 | 1 | 0 | 0 |" in CliRunner().invoke(app, ["score", story, "--markdown"]).output
    body = json.loads(CliRunner().invoke(app, ["score", story, "--json"]).output)
    (row,) = [one for one in body["rows"] if one["what"] == "fan-trip"]
    assert (row["happened"], row["found"], body["false"]) == (1, 1, [])


def test_the_page_of_scenarios_names_each_and_no_other() -> None:
    page = (LIBRARY.parents[1] / "deploy" / "docs" / "scenarios.md").read_text()
    library = page.split("## One of your own")[0]
    named = {line.split("`")[1] for line in library.splitlines() if line.startswith("| `")}
    assert named == set(STORIES) | PLAYED_ELSEWHERE
