"""The runbook names every kind of alarm that there is, says four things of each, and points only at what exists."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

import pytest
from typer.main import get_command

from motewatch.cli.app import app
from motewatch.engine.service_alarms import SERVICE_ALARMS
from motewatch.site.alarm_kinds import ALARM_KINDS, PLACELESS
from motewatch.web.console.house import FOOT, NAV

DOCS: Final = Path(__file__).parents[3] / "deploy" / "docs"
RUNBOOK: Final = (DOCS / "runbook.md").read_text()
SECTIONS: Final = dict(re.findall(r"^### (\S+)\n(.*?)(?=^##|\Z)", RUNBOOK, flags=re.MULTILINE | re.DOTALL))
OF_THE_AIR: Final = {
    kind
    for row in re.findall(r"^\| ([a-z, -]+) \|", RUNBOOK.split("## The air")[1], flags=re.MULTILINE)
    for kind in row.split(", ")
    if kind not in ("kind", "---")
}


def test_every_kind_of_alarm_has_its_place_and_none_has_two() -> None:
    assert set(SECTIONS) | OF_THE_AIR == set(ALARM_KINDS)
    assert not set(SECTIONS) & OF_THE_AIR
    assert len(re.findall(r"^### ", RUNBOOK, flags=re.MULTILINE)) == len(SECTIONS)


def test_what_is_no_matter_of_a_place_has_a_section_of_its_own() -> None:
    assert set(SECTIONS) >= PLACELESS
    assert {subject.kind for subject in SERVICE_ALARMS.values()} <= set(SECTIONS)
    assert {kind for kind in ALARM_KINDS if kind.startswith("sensor-")} <= set(SECTIONS)


@pytest.mark.parametrize("kind", SECTIONS)
def test_each_section_says_what_it_means_how_to_see_it_what_to_do_and_when_it_is_over(kind: str) -> None:
    assert re.findall(r"^- \*\*(.+?)\*\*: \S", SECTIONS[kind], flags=re.MULTILINE) == ["Means", "See it", "Do", "Over"]


def test_the_commands_that_it_names_are_commands_with_these_options() -> None:
    group = get_command(app)
    commands = getattr(group, "commands")  # noqa: B009
    for quoted in re.findall(r"`motewatch ([^`]+)`", RUNBOOK):
        name, *words = quoted.split()
        assert name in commands, quoted
        options = {option for param in commands[name].params for option in param.opts}
        assert {word for word in words if word.startswith("--")} <= options, quoted


def test_the_pages_that_it_names_are_on_the_console() -> None:
    labels = {way.label for way in (*NAV, *FOOT)}
    for named in re.findall(r"console(?:'s)? page `([^`]+)`", RUNBOOK):
        assert named in labels, named
    assert len(re.findall(r"console(?:'s)? page `", RUNBOOK)) >= 5


def test_its_links_lead_somewhere() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", RUNBOOK):
        assert (DOCS / target).is_file(), target
