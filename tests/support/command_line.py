"""Runs the command line in this process, on site files written for the test."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from typer.testing import CliRunner

from motewatch.cli import app
from motewatch_simulator.demo.toml_text import toml_text

if TYPE_CHECKING:
    from typer.testing import Result


def run(*arguments: str | Path, env: dict[str, str] | None = None) -> Result:
    """What the command wrote and its exit status; a defect's exception is raised."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments], prog_name="motewatch", env=env)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def write_site(folder: Path, site: dict[str, Any]) -> Path:
    """The site as a file in that folder."""
    path = folder / "site.toml"
    path.write_text(toml_text(site), encoding="utf-8")
    return path
