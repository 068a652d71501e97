"""Opens a scenario file together with the site file that it plays on.

A scenario may name its site (`scenario.site`, from its own folder); a site given beside it wins. Reads files, and knows
nothing of streams.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from motewatch.links.site_file import load_site
from motewatch.site.models import Site
from motewatch.site.problems import Problem
from motewatch_simulator.clock import micros
from motewatch_simulator.errors import ScenarioError, StreamError
from motewatch_simulator.mistakes import problem_at, text_of, toml_of
from motewatch_simulator.scenario import Scenario
from motewatch_simulator.scenario_file import load_scenario
from motewatch_simulator.timeline import SECOND_US

OTHERS: Final = {"site": "a site file", "study": "a room to study"}
"""Files that are taken for a scenario, by the table that tells them."""
_LAST: Final = "Give the scenario last, and its site file before it; a room to study goes to the command study."


@dataclass(frozen=True, slots=True)
class Play:
    """A scenario with its site, ready to be played."""

    site: Site
    scenario: Scenario
    site_path: Path
    scenario_path: Path

    @property
    def start_us(self) -> int:
        """Where its stream begins, unless the caller wants another start."""
        return micros(self.scenario.scenario.start)

    def length_us(self, seconds: float | None = None) -> int:
        """How long its stream is: so many seconds, or what the scenario states. StreamError where neither is given."""
        length_s = self.scenario.scenario.length_s if seconds is None else seconds
        if length_s is None:
            raise StreamError(
                f"{self.scenario_path.name} does not say how long it is. Give --seconds, or state length_s in its "
                "table [scenario]."
            )
        return round(length_s * SECOND_US)


def open_play(scenario: Path, site: Path | None = None) -> Play:
    """The scenario and its site, both checked.

    Raises `SiteFileError` and `ScenarioError` with every mistake in the files.
    """
    data = toml_of(text_of(scenario, "a scenario file"), scenario.name)
    if "scenario" not in data:
        for table, what in OTHERS.items():
            if table in data:
                raise ScenarioError([Problem(scenario.name, "", "", f"this is {what}, not a scenario", _LAST)])
    where = site or _named_site(scenario, data)
    facility = load_site(where)
    return Play(facility, load_scenario(scenario, facility), where, scenario)


def _named_site(scenario: Path, data: dict[str, Any]) -> Path:
    """What the file says, whatever else may be wrong in it: that is told when it is read against its site."""
    head = data.get("scenario")
    named = head.get("site") if isinstance(head, dict) else None
    if not isinstance(named, str) or not named:
        mend = 'Give the site file before the scenario, or write site = "path of the site file" into [scenario].'
        raise ScenarioError([Problem(scenario.name, "scenario.site", "", "no site file is named", mend)])
    where = scenario.parent / named
    if not where.is_file():
        mend = f"Give its path from the folder {scenario.parent}, or give the site file before the scenario."
        raise ScenarioError([problem_at(scenario.name, data, ("scenario", "site"), "there is no such file", mend)])
    return where
