"""What deploy/docs/simulated-counters.md says holds: its example, its table of misbehaviour, its line of truth."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import get_args

from motewatch_simulator.scenario import Counter, Fault, Response
from motewatch_simulator.truth import from_line

PAGE = (Path(__file__).parents[3] / "deploy/docs/simulated-counters.md").read_text(encoding="utf-8")


def block(language: str) -> str:
    found = re.search(rf"```{language}\n(.*?)```", PAGE, re.DOTALL)
    assert found is not None
    return found[1]


def test_the_example_can_be_read() -> None:
    example = tomllib.loads(block("toml"))
    assert Response.model_validate(example["response"]).false_per_min == 0.02
    counters = [Counter.model_validate(table) for table in example["sensors"]]
    assert [counter.id for counter in counters] == ["pc-01", "pp-01", "pp-02"]


def test_every_misbehaviour_is_in_the_table_with_its_own_keys() -> None:
    common = {"kind", "sensor", "at_s", "duration_s", "random"}
    rows = {
        row[0]: set(re.findall(r"`(\w+)`", row[1])) for row in re.findall(r"^\| `([\w-]+)` \|([^|]*)\|", PAGE, re.M)
    }
    models = {get_args(model.model_fields["kind"].annotation)[0]: model for model in get_args(Fault)}
    assert rows.keys() == models.keys()
    for kind, model in models.items():
        assert set(model.model_fields) - common <= rows[kind], kind


def test_the_line_of_truth_can_be_read() -> None:
    truth = from_line(block("json").strip())
    assert truth.what == "stuck"
    assert truth.detail == {"readings": 30}
