"""Listings in three forms."""

from __future__ import annotations

import csv
import io
import json

from motewatch.cli.options import Format
from motewatch.cli.printing import Listing, table


def listing(*names: str) -> Listing:
    records = [{"name": name, "count": number} for number, name in enumerate(names)]
    return Listing(
        records=records,
        columns=("name", "count"),
        rows=records,
        titles=("name", "count"),
        cells=[[name, str(number)] for number, name in enumerate(names)],
        nothing="Nothing.",
        right=frozenset({"count"}),
    )


def test_a_table_has_its_figures_to_the_right() -> None:
    assert listing("a", "long name").text(Format.TABLE) == (
        "name       count\n"
        "---------  -----\n"
        "a              0\n"
        "long name      1\n"
    )  # fmt: skip


def test_wide_characters_keep_the_columns() -> None:
    assert table(("a", "b"), [("日本", "x"), ("≥", "y")]).splitlines()[2:] == ["日本  x", "≥     y"]


def test_without_records() -> None:
    assert listing().text(Format.TABLE) == "Nothing.\n"
    assert listing().text(Format.CSV) == "name,count\n"
    assert json.loads(listing().text(Format.JSON)) == []


def test_csv_reads_back_and_runs_no_formula() -> None:
    texts = ["plain", 'with "quotes", and comma', "two\nlines", "=1+1", "@x", "-2"]
    rows = list(csv.DictReader(io.StringIO(listing(*texts).text(Format.CSV))))
    assert [row["name"] for row in rows] == [*texts[:3], "'=1+1", "'@x", "'-2"]


def test_a_table_writes_control_characters_as_escapes() -> None:
    text = listing("\x1b[2Jx", "two\nlines").text(Format.TABLE)
    assert "\\x1b[2Jx" in text
    assert "two\\nlines" in text
    assert len(text.splitlines()) == 4


def test_json_keeps_letters_as_they_are() -> None:
    assert "Füllraum" in listing("Füllraum").text(Format.JSON)
