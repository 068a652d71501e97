"""The page on threats names tests that exist, and says of each threat what is done, what is left, and what shows it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

import pytest

TESTS: Final = Path(__file__).parents[2]
DOCS: Final = TESTS.parent / "deploy" / "docs"
PAGE: Final = (DOCS / "threats.md").read_text()
SECTIONS: Final = dict(re.findall(r"^## ([^\n]+)\n(.*?)(?=^## |\Z)", PAGE, flags=re.MULTILINE | re.DOTALL))
NO_THREAT: Final = "Every reader of bytes from outside"
NAMED: Final = frozenset(re.findall(r"`(test_\w+)`", PAGE))


def test_every_test_that_it_names_exists() -> None:
    there = {
        name
        for path in TESTS.rglob("test_*.py")
        for name in re.findall(r"^ *(?:async )?def (test_\w+)", path.read_text(), flags=re.MULTILINE)
    }
    assert len(NAMED) > 30
    assert sorted(NAMED - there) == []


@pytest.mark.parametrize("threat", sorted(set(SECTIONS) - {NO_THREAT}))
def test_each_threat_says_what_is_done_what_is_left_and_what_shows_it(threat: str) -> None:
    said = SECTIONS[threat]
    assert re.findall(r"^- \*\*(.+?)\*\*: \S", said, flags=re.MULTILINE) == ["Software", "Site", "Shown by"]
    assert "`test_" in said.split("**Shown by**")[1]


def test_the_threats_that_must_be_answered_are() -> None:
    for word in (
        "spoofed sensor",
        "hostile payload",
        "stolen phone",
        "edits the file",
        "exposed port",
        "session or token",
    ):
        assert any(word in title for title in SECTIONS), word


def test_its_links_lead_somewhere() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", PAGE):
        assert (DOCS / target).is_file(), target
