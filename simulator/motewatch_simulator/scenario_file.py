"""Reads a scenario file and says every mistake in it at once.

First each table for itself (`mistakes`), then the scenario against its site (`scenario_check`). Messages name the file,
the key, the value, what is allowed and how to mend it.
"""

from __future__ import annotations

from pathlib import Path

from motewatch.site.models import Site
from motewatch_simulator import scenario as s
from motewatch_simulator.errors import ScenarioError
from motewatch_simulator.mistakes import model_of, text_of, toml_of
from motewatch_simulator.scenario_check import check


def load_scenario(path: Path, site: Site) -> s.Scenario:
    """The scenario of a file, checked against its site. Raises `ScenarioError` with every mistake found."""
    return parse_scenario(text_of(path, "a scenario file"), path.name, site)


def parse_scenario(text: str, name: str, site: Site) -> s.Scenario:
    """The same from text; `name` stands for the file in messages."""
    data = toml_of(text, name)
    scenario = model_of(s.Scenario, data, name)
    problems = check(name, data, scenario, site)
    if problems:
        raise ScenarioError(problems)
    return scenario
