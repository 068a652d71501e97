"""check, schemas, serve, and the program as a whole."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from motewatch.cli import app
from motewatch.site.shape import schema_text
from motewatch.wire.schemas import documents
from support.command_line import run, write_site
from support.facility import site_dict
from support.night import night_dict

COMMANDS = [
    "serve", "check", "schemas", "view", "acknowledge", "occupancy", "confirm-test", "shelve", "unshelve", "reset",
    "remove-from-service", "return-to-service", "samples",
    "alarms", "dead-letters", "audit", "make-key", "backup", "restore", "archive",
    "verify", "limits", "classify", "recovery", "rule-power", "sampling-plan", "alarm-register",
    "alarm-figures", "propose-levels",
    "oncall", "calls", "test-calls", "sequential", "try-channel", "access", "access-secret",
    "report", "check-report", "status", "rehearse",
]  # fmt: skip


def test_check_of_a_sound_file_says_what_the_site_holds(tmp_path: Path) -> None:
    path = write_site(tmp_path, site_dict())
    result = run("check", path)
    assert result.exit_code == 0, result.output
    assert f"{path} is fine" in result.stdout
    assert "  site         Testing ground (testing), UTC" in result.stdout
    assert "  rooms        2 (1 ISO 7, 1 grade A)" in result.stdout
    assert "  locations    3, by 2 sampling programmes" in result.stdout
    assert "  sensors      2 fixed, 1 portable" in result.stdout
    assert "  console " not in result.stdout


def test_check_says_where_the_console_will_be(tmp_path: Path) -> None:
    console = {"public_url": "https://air.example.org", "port": 8450}
    result = run("check", write_site(tmp_path, {**site_dict(), "console": console}))
    assert result.exit_code == 0, result.output
    assert "  console      https://air.example.org, served at 127.0.0.1:8450\n" in result.stdout


def test_warnings_are_told_and_leave_status_0(tmp_path: Path) -> None:
    path = write_site(tmp_path, night_dict())
    result = run("check", path)
    assert result.exit_code == 0
    assert "nothing is judged here in the state operational" in result.stdout
    assert re.search(r"is fine, with \d warnings?\.", result.stdout)


def test_check_tells_every_mistake_and_their_number(tmp_path: Path) -> None:
    site = site_dict()
    site["rooms"][0]["grade"] = "E"
    site["locations"][0]["room"] = "nowhere"
    site["sensors"][0]["flow"] = 28.3
    result = run("check", write_site(tmp_path, site))
    assert result.exit_code == 1
    for place in ("rooms[0].grade", "locations[0].room", "sensors[0].flow"):
        assert place in result.stdout
    assert "3 errors" in result.stdout.splitlines()[-1]
    assert "is fine" not in result.stdout


def test_check_of_no_file(tmp_path: Path) -> None:
    result = run("check", tmp_path / "none.toml")
    assert result.exit_code == 1
    assert "there is no such file" in result.stdout


def test_other_commands_name_the_first_mistake_and_where_to_see_all(tmp_path: Path) -> None:
    site = site_dict()
    site["rooms"][0]["grade"] = "E"
    site["sensors"][0]["flow"] = 28.3
    path = write_site(tmp_path, site)
    result = run("samples", path)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.startswith(f"motewatch: {path}: rooms[0].grade")
    assert f"and 1 more; see them all with: motewatch check {path}" in result.stderr


def test_schemas_are_written_and_checked(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "schemas"
    assert run("schemas", folder, "--check").exit_code == 1
    result = run("schemas", folder)
    assert result.exit_code == 0
    written = {path.name: path.read_text("utf-8") for path in folder.iterdir()}
    assert written == {**documents(), "site.schema.json": schema_text()}
    assert run("schemas", folder, "--check").exit_code == 0
    (folder / "asyncapi.json").write_text("{}")
    (folder / "count.schema.json").unlink()
    result = run("schemas", folder, "--check")
    assert result.exit_code == 1
    assert f"{folder / 'asyncapi.json'} differs from the models" in result.stderr
    assert f"{folder / 'count.schema.json'} is missing" in result.stderr


def test_schemas_where_nothing_can_be_written(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    result = run("schemas", blocked)
    assert result.exit_code == 1
    assert result.stderr == f"motewatch: {blocked}: File exists\n"


def test_help_names_every_command_and_each_has_examples() -> None:
    text = run("--help").output
    for command in COMMANDS:
        assert re.search(rf"^  {command} +\S.*[.?]$", text, re.MULTILINE), command
        help_text = run(command, "--help").output
        assert re.search(rf"^  motewatch {command} ", help_text, re.MULTILINE), command
        assert max(len(line) for line in help_text.splitlines()) <= 120
    assert "..." not in text.partition("Commands:")[2]  # no description is cut off
    assert sorted(COMMANDS) == sorted(command.name or command.callback.__name__ for command in app.registered_commands)  # type: ignore[union-attr]


def test_the_version() -> None:
    assert re.fullmatch(r"motewatch \d+\.\d+\.\d+\n", run("--version").output)


@pytest.mark.parametrize(
    "arguments", [["nonsense"], ["check"], ["limits", "--grade", "E"], ["serve", "x", "--log-level", "y"]]
)
def test_what_is_not_understood_is_status_2(arguments: list[str]) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert "Error: " in result.stderr
    assert "Traceback" not in result.stderr


def test_python_dash_m_is_the_same_program() -> None:
    done = subprocess.run([sys.executable, "-m", "motewatch", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout == run("--version").output
