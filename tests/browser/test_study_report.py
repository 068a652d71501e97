"""The widest table of a printable report fits the width of an A4 sheet, in a real browser."""

from __future__ import annotations

from pathlib import Path

import pytest

from motewatch.links import report_page as page
from motewatch_simulator.study.words import SIZE_TITLES
from support.browser import Browser

pytestmark = pytest.mark.browser

A4 = (794, 1123)
"""In pixels, of which a sheet of 210 mm has 96 an inch."""


def test_the_table_of_sizes_of_a_study_fits_the_sheet(tmp_path: Path) -> None:
    row = ("0.5", "3 520 000", "64 371", "35 554 to 141 792", "99.2 %", "above 99.9 %", "none needed", "14.1")
    table = page.table(SIZE_TITLES, [row], range(len(row)))
    file = tmp_path / "report.html"
    file.write_text(page.page("Study", "study", [page.section("Class held", table)]), encoding="utf-8")
    with Browser(tmp_path) as browser:
        tab = browser.tab(size=A4)
        tab.open(file.as_uri())
        assert "none needed" in tab.text()
        assert tab.content_width() <= A4[0]
