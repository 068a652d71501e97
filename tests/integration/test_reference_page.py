"""The page of reference checks is the one that the present tests record.

The tests run once more in a process of their own: all of them, whatever part of the tests was asked for here.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "deploy" / "docs" / "reference-checks.md"


def test_the_page_is_the_generated_one(tmp_path: Path) -> None:
    written = tmp_path / "page.md"
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests/reference", "--write-checks", written],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=900,
        check=False,
    )
    assert run.returncode == 0, run.stdout[-4000:] + run.stderr[-2000:]
    found = written.read_text("utf-8")
    assert "**FAIL**" not in found
    regenerate = f"pytest tests/reference --write-checks {PAGE.relative_to(ROOT)}"
    assert PAGE.read_text("utf-8") == found, f"the page differs from what the tests record; write it anew: {regenerate}"
