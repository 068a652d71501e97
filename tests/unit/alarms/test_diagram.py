"""The page of the lifecycle is the table: as written in the repository, and with every transition in it."""

from __future__ import annotations

from pathlib import Path

from motewatch.alarms.diagram import page
from motewatch.alarms.lifecycle import LETTERS, TABLE

PAGE = Path(__file__).parents[3] / "deploy" / "docs" / "alarm-lifecycle.md"


def test_the_page_in_the_repository_is_the_table() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "write motewatch.alarms.diagram.page() to this file"


def test_every_transition_is_a_row_and_an_arrow() -> None:
    text = page()
    for state, row in TABLE.items():
        for event, after in row.items():
            assert f"| {event.value} | {LETTERS[after]} {after.value} |" in text
            arrows = [line for line in text.splitlines() if f"    {LETTERS[state]} --> {LETTERS[after]} : " in line]
            assert len(arrows) == 1
            assert event.value in arrows[0].partition(" : ")[2].split(", ")
    assert text.count(" | ") == 3 * (2 + sum(len(row) for row in TABLE.values()))
