"""Writes the recorded checks as a page: `pytest tests/reference --write-checks PATH`.

Only for a run of all reference tests from the command line of that folder; a part of them would write a part of the
page.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from support import checks


def pytest_addoption(parser: pytest.Parser) -> None:
    """The option is known only where this folder is named on the command line."""
    parser.addoption("--write-checks", metavar="PATH", default=None, help="write the recorded reference checks there")


def pytest_sessionfinish(session: pytest.Session) -> None:
    """All tests have run: what they recorded is complete."""
    path = session.config.getoption("write_checks", None)
    if path is not None:
        Path(path).write_text(checks.page(checks.RECORDED), encoding="utf-8", newline="\n")
