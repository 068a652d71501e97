"""Streams in files: the ways to name a scenario, JSON lines against Parquet, and the same bytes again."""

from __future__ import annotations

import importlib
import json
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from motewatch_simulator.cli import app

CONFIG = Path(__file__).parents[3] / "config"
SITE, SCENARIO = CONFIG / "demo-site.toml", CONFIG / "demo-scenario.toml"
STUDY = CONFIG / "studies" / "grade-c-room.toml"
runner = CliRunner()


def a_copy(folder: Path, **head: str) -> str:
    """The demo's scenario, with further keys in its table [scenario]."""
    more = "".join(f"{key} = {value}\n" for key, value in head.items())
    path = folder / "story.toml"
    path.write_text(SCENARIO.read_text().replace("[scenario]\n", f"[scenario]\n{more}"))
    return str(path)


def wrote(*arguments: str) -> str:
    result = runner.invoke(app, ["write", *arguments])
    assert result.exit_code == 0, result.output
    return str(result.output)


def test_a_scenario_that_names_its_site_start_and_length_needs_nothing_else(tmp_path: Path) -> None:
    story = a_copy(tmp_path, site=json.dumps(str(SITE)), start="2026-06-01T08:00:00+02:00", length_s="6")
    out = tmp_path / "a.jsonl"
    assert f"{8 + 7 * 6} messages" in wrote(story, str(out))
    first, *_, last = [json.loads(line)["at"] for line in out.read_text().splitlines()]
    assert (first, last) == ("2026-06-01T06:00:00Z", "2026-06-01T06:00:06Z")
    # What the command line says wins.
    wrote(story, str(out), "--seconds", "3", "--start", "2026-06-02T00:00:00Z")
    assert json.loads(out.read_text().splitlines()[-1])["at"] == "2026-06-02T00:00:03Z"
    assert runner.invoke(app, ["check", story]).exit_code == 0


def test_parquet_holds_the_same_readings_as_json_lines_and_the_same_bytes_again(tmp_path: Path) -> None:
    parquet: Any = importlib.import_module("pyarrow.parquet")
    story = a_copy(tmp_path, site=json.dumps(str(SITE)), length_s="25")
    wrote(story, str(tmp_path / "a.jsonl"))
    assert f"{7 * 25 + 2} rows" in wrote(story, str(tmp_path / "a.parquet"))
    wrote(story, str(tmp_path / "b.parquet"))
    wrote(story, str(tmp_path / "c.parquet"), "--seed", "99")
    assert (tmp_path / "a.parquet").read_bytes() == (tmp_path / "b.parquet").read_bytes()
    assert (tmp_path / "a.parquet").read_bytes() != (tmp_path / "c.parquet").read_bytes()

    rows = parquet.read_table(tmp_path / "a.parquet").to_pylist()
    messages = [json.loads(line) for line in (tmp_path / "a.jsonl").read_text().splitlines()]
    bodies = [message for message in messages if "/counts/" in message["topic"]]
    assert len(rows) == len(bodies)
    for row, message in zip(rows, bodies, strict=True):
        body = message["payload"]
        assert row["at"] == datetime.fromisoformat(message["at"])
        assert row["start"] == datetime.fromisoformat(body["start"])
        assert (row["sensor"], row["boot"], row["seq"]) == (body["sensor"], body["boot"], body["seq"])
        assert (row["duration_s"], row["volume_l"]) == (body["duration_s"], body["volume_l"])
        assert (row["kind"], row["sizes_um"], row["values"]) == tuple(
            body["counts"][key] for key in ("kind", "sizes_um", "values")
        )
        for key in ("temperature_c", "humidity_pct", "pressure_difference_pa", "location"):
            assert row[key] == body.get(key)
        assert row["flow_ok"] is (body["status"]["flow"] == "ok")
        assert row["laser_ok"] is (body["status"]["laser"] == "ok")


def test_counts_alone_are_those_of_the_stream_and_the_same_bytes_again(tmp_path: Path) -> None:
    parquet: Any = importlib.import_module("pyarrow.parquet")
    story = str(CONFIG / "scenarios" / "gowning-burst.toml")
    assert f"{6 * 120} rows" in wrote(story, str(tmp_path / "a.parquet"), "--counts-only")
    wrote(story, str(tmp_path / "b.parquet"), "--counts-only")
    wrote(story, str(tmp_path / "all.parquet"))
    assert (tmp_path / "a.parquet").read_bytes() == (tmp_path / "b.parquet").read_bytes()
    whole = {(row["sensor"], row["start"]): row for row in parquet.read_table(tmp_path / "all.parquet").to_pylist()}
    alone = parquet.read_table(tmp_path / "a.parquet").to_pylist()
    assert len(alone) == len(whole)
    for row in alone:
        same = whole[(row["sensor"], row["start"])]
        assert (row["kind"], row["duration_s"]) == ("differential", same["duration_s"])
        assert row["sizes_um"] == same["sizes_um"]
        # The stream shows them cumulative.
        assert [sum(row["values"][i:]) for i in range(len(row["values"]))] == same["values"]


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["write", str(SCENARIO), "OUT", "--seconds", "1"], 2, "scenario.site: no site file is named"),
        (["check", str(SITE)], 2, "demo-site.toml: this is a site file, not a scenario"),
        (["check", str(SCENARIO), str(SITE)], 2, "Give the scenario last, and its site file before it; "),
        (["write", str(SITE), str(SCENARIO), "OUT"], 1, "does not say how long it is. Give --seconds"),
        (
            ["write", str(SITE), str(SCENARIO), "OUT", "--seconds", "9", "--counts-only"],
            1,
            "--counts-only writes Parquet",
        ),
        (
            ["write", str(SITE), str(SCENARIO), "OUT.parquet", "--seconds", "9", "--counts-only"],
            1,
            "blocks cannot hold",
        ),
        (["write", "OUT"], 1, "the file to write is missing"),
        (["write", "a", "b", "c", "OUT"], 1, "3 files are named"),
        (["check", str(SITE), str(STUDY)], 2, "grade-c-room.toml: this is a room to study, not a scenario"),
        (["check", str(STUDY)], 0, "grade-c-room.toml: no mistakes. 4 places, 5 incidents, 4 rules."),
        (["study", str(SCENARIO)], 2, "demo-scenario.toml: this is a scenario, not a room to study"),
        (["check", "nowhere.toml"], 2, "nowhere.toml: cannot be read"),
        (["run", str(SITE), str(SCENARIO), "--speed", "2"], 1, "does not say how long it is"),
        (
            ["run", str(SITE), str(SCENARIO), "--host", "127.0.0.1", "--port", "1", "--seconds", "0.3"],
            1,
            "no connection came up: ",
        ),
    ],
)
def test_what_is_missing_is_said(tmp_path: Path, arguments: list[str], status: int, words: str) -> None:
    result = runner.invoke(app, [one.replace("OUT", str(tmp_path / "out")) for one in arguments])
    assert result.exit_code == status
    assert words in result.output


def test_a_scenario_that_is_not_toml_is_said_before_its_site_is_sought(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("[scenario\n")
    result = runner.invoke(app, ["check", str(wrong)])
    assert result.exit_code == 2
    assert "wrong.toml: is not TOML" in result.output


def test_a_site_file_that_is_not_there_is_told_with_its_key_and_the_mend(tmp_path: Path) -> None:
    story = a_copy(tmp_path, site='"gone.toml"')
    result = runner.invoke(app, ["check", story])
    assert result.exit_code == 2
    assert f'{Path(story).name}: scenario.site = "gone.toml": there is no such file' in result.output
    assert f"Give its path from the folder {tmp_path}" in result.output


def test_a_named_site_with_mistakes_is_told_with_them(tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("format = 2\n")
    result = runner.invoke(app, ["check", a_copy(tmp_path, site='"bad.toml"')])
    assert result.exit_code == 2
    assert "bad.toml" in result.output
