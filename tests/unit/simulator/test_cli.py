"""The command line: streams into files, mistakes as sentences."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from motewatch.links.site_file import load_site
from motewatch_simulator.cli import app

CONFIG = Path(__file__).parents[3] / "config"
SITE, SCENARIO = str(CONFIG / "demo-site.toml"), str(CONFIG / "demo-scenario.toml")
runner = CliRunner()


def written(path: Path, *more: str) -> list[str]:
    result = runner.invoke(
        app, ["write", SITE, SCENARIO, str(path), "--start", "2026-06-01T08:00:00+02:00", "--seconds", "12", *more]
    )
    assert result.exit_code == 0, result.output
    return path.read_text().splitlines()


def test_a_stream_is_written_and_the_same_again(tmp_path: Path) -> None:
    lines = written(tmp_path / "a.jsonl")
    assert lines == written(tmp_path / "b.jsonl")
    assert lines != written(tmp_path / "c.jsonl", "--seed", "8")
    bodies = [json.loads(line) for line in lines]
    assert [body["retain"] for body in bodies[:8]] == [True] * 8
    last = bodies[-1]
    assert last["at"] == "2026-06-01T06:00:12Z"
    assert last["topic"] == f"motewatch/v1/mirrenfeld/counts/{last['payload']['sensor']}"
    # Seven sensors of one second, and a portable of ten.
    assert len(bodies) == 8 + 7 * 12 + 1


@pytest.mark.parametrize("start", ["yesterday", "2026-06-01T08:00:00"])
def test_a_start_without_a_time_zone_is_refused(tmp_path: Path, start: str) -> None:
    out = str(tmp_path / "x")
    result = runner.invoke(app, ["write", SITE, SCENARIO, out, "--start", start, "--seconds", "1"])
    assert result.exit_code == 1
    assert f'--start "{start}" is no instant' in result.output


def test_check_says_that_all_is_well() -> None:
    result = runner.invoke(app, ["check", SITE, SCENARIO])
    assert result.exit_code == 0
    assert "demo-scenario.toml: no mistakes. 5 rooms, 8 sensors" in result.output


def test_check_says_what_is_wrong_and_ends_with_2(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(Path(SCENARIO).read_text().replace("repeat_s", "repeat_min"))
    result = runner.invoke(app, ["check", SITE, str(wrong)])
    assert result.exit_code == 2
    assert "wrong.toml: scenario.repeat_min = 240" in result.output


def test_a_load_site_is_written(tmp_path: Path) -> None:
    out = tmp_path / "load.toml"
    result = runner.invoke(app, ["load-site", "--sensors", "12", "--out", str(out), "--each-reading"])
    assert result.exit_code == 0, result.output
    assert len(load_site(out).sensors) == 12


def test_a_load_without_rate_and_number_is_refused() -> None:
    result = runner.invoke(app, ["load", "--sensors", "1", "--rate", "0"])
    assert result.exit_code == 1
    assert "--rate 0 needs --messages" in result.output


@pytest.mark.parametrize("option", ["--seed=1e4", f"--seed={2**63}", "--months=10001", "--runs=9", "--draws=2000000"])
def test_an_amount_of_a_study_beyond_its_range_is_refused_by_name(option: str) -> None:
    result = runner.invoke(app, ["study", "config/studies/grade-c-room.toml", option])
    assert result.exit_code == 2
    assert option.split("=")[0] in result.output


@pytest.mark.parametrize("command", ["run", "write", "check", "truth", "score", "study", "load", "load-site"])
def test_every_command_explains_itself(command: str) -> None:
    result = runner.invoke(app, [command, "--help"])
    assert result.exit_code == 0
    assert "Usage:" in result.output
