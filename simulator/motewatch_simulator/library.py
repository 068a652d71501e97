"""Opens a scenario file together with the site file that it plays on.

A scenario may name its site (`scenario.site`, from its own folder); a site given beside it wins. Reads files, and knows
nothing of streams.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from motewatch.links.site_file import load_site
from motewatch.site.models import Site
from motewatch_simulator.clock import micros
from motewatch_simulator.errors import StreamError
from motewatch_simulator.scenario import Scenario
from motewatch_simulator.scenario_file import load_scenario
from motewatch_simulator.timeline import SECOND_US


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

    Raises `StreamError` where no site is known, `SiteFileError` and `ScenarioError` with every mistake in the files.
    """
    where = site or _named_site(scenario)
    if where is None:
        raise StreamError(
            f"{scenario.name} names no site file. Give it before the scenario, or write site = "
            '"path of the site file" into the table [scenario].'
        )
    facility = load_site(where)
    return Play(facility, load_scenario(scenario, facility), where, scenario)


def _named_site(scenario: Path) -> Path | None:
    """What the file says, whatever else may be wrong in it: that is told when it is read against its site."""
    try:
        data = tomllib.loads(scenario.read_text(encoding="utf-8"))
    except OSError as error:
        raise StreamError(f"{scenario}: cannot be read: {error.strerror}. Give the path of a scenario file.") from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise StreamError(f"{scenario.name}: is not TOML: {error}. Mend the syntax at this place.") from None
    head = data.get("scenario")
    named = head.get("site") if isinstance(head, dict) else None
    return scenario.parent / named if isinstance(named, str) and named else None
