"""Figures that a page for people repeats from the code: they change together or not at all."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from motewatch.service.writer import BATCH

DOCS: Final = Path(__file__).parents[3] / "deploy" / "docs"


def test_the_batch_that_waits_for_the_disk_is_as_large_as_is_said() -> None:
    text = (DOCS / "store-failure.md").read_text()
    assert re.findall(r"The batch at hand \(up to (\d+) messages\)", text) == [str(BATCH)]
