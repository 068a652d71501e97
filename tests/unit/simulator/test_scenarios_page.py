"""What deploy/docs/scenarios.md says holds: its example can be played, and its table has every incident and key."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest
from typer.testing import CliRunner

from motewatch_simulator import scenario as s
from motewatch_simulator.cli import app

ROOT = Path(__file__).parents[3]
PAGE = (ROOT / "deploy/docs/scenarios.md").read_text(encoding="utf-8")
SUITE = ROOT / "config/scenarios/suite-site.toml"


def example() -> str:
    found = re.search(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    assert found is not None
    return found[1]


def test_the_example_can_be_played_on_the_suite(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SUITE.read_text(encoding="utf-8"), encoding="utf-8")
    mine = tmp_path / "mine.toml"
    # The suite has rooms and sensors beside those of the example.
    more = "".join(f'[[rooms]]\nid = "{room}"\nair_changes_per_h = 30\n' for room in ("preparation", "corridor"))
    mine.write_text(f"{example()}\n{more}", encoding="utf-8")
    result = CliRunner().invoke(app, ["check", str(mine)])
    assert result.output == "mine.toml: no mistakes. 4 rooms, 6 sensors, 2 incidents.\n"
    told = CliRunner().invoke(app, ["truth", str(mine), "--seconds", "5460"])
    assert [what in told.output for what in ("door-open", "stuck")] == [True, True]


def rows() -> dict[str, str]:
    return dict(re.findall(r"^\| `([\w-]+)` \| (`[^|]*)\|", PAGE, re.MULTILINE))


def test_every_incident_of_the_rooms_is_in_the_table() -> None:
    models = [one for one in get_args(get_args(s.Incident)[0]) if not issubclass(one, s.SensorFault)]
    rooms = {get_args(one.model_fields["kind"].annotation)[0]: one for one in models}
    assert rows().keys() == rooms.keys()
    for kind, model in rooms.items():
        told = dict(re.findall(r"`(\w+)`(?: \(`?([\w.-]+)`?\))?", rows()[kind]))
        assert told.keys() == set(model.model_fields) - {"kind", "at_s", "duration_s"}, kind
        for key, default in told.items():
            if default not in ("", "all"):
                known = model.model_fields[key].default
                assert default == known or float(default) == pytest.approx(known), (kind, key)
