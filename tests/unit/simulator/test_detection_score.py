"""The detection score in the documentation is what the command gives, to the last digit."""

from __future__ import annotations

from pathlib import Path

from typer.testing import CliRunner

from motewatch_simulator.cli import app

ROOT = Path(__file__).parents[3]
PAGE = ROOT / "deploy" / "docs" / "detection-score.md"
CAMPAIGN = ROOT / "config" / "scenarios" / "fault-campaign.toml"
BEGIN, END = "<!-- generated: begin -->\n", "<!-- generated: end -->\n"


def test_the_page_holds_the_score_of_the_fault_campaign() -> None:
    result = CliRunner().invoke(app, ["score", str(CAMPAIGN), "--markdown"])
    assert result.exit_code == 0, result.output
    held = PAGE.read_text().split(BEGIN)[1].split(END)[0]
    assert held == result.output, (
        "the stream or the engine changed what is found: put the output of `motewatch-simulator score "
        f"{CAMPAIGN.relative_to(ROOT)} --markdown` between the marks in {PAGE.name}, and read the text around it anew"
    )
