"""Listings: the same records as a table for people, as CSV for spreadsheets, as JSON for programs.

Rules: CSV and JSON carry UTC times and unrounded figures with the unit in the name; the table is local time, rounded.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from rich.cells import cell_len

from motewatch.cli.options import Format
from motewatch.wire.wording import plain


@dataclass(frozen=True, slots=True)
class Listing:
    """What is to be printed, in its three forms."""

    records: Sequence[Mapping[str, Any]]
    columns: Sequence[str]
    rows: Sequence[Mapping[str, Any]]
    """For CSV: keys are among `columns`; what is absent is empty."""
    titles: Sequence[str]
    cells: Sequence[Sequence[str]]
    """For the table, one text for each title."""
    nothing: str
    """The sentence of an empty table."""
    right: frozenset[str] = field(default_factory=frozenset)
    """Titles of columns of figures."""

    def text(self, form: Format) -> str:
        """The listing in one form, with its last line end."""
        if form is Format.JSON:
            return json.dumps(list(self.records), ensure_ascii=False, indent=2) + "\n"
        if form is Format.CSV:
            return self._csv()
        return table(self.titles, self.cells, self.right) if self.cells else f"{self.nothing}\n"

    def _csv(self) -> str:
        stream = io.StringIO()
        writer = csv.DictWriter(stream, self.columns, restval="", lineterminator="\n")
        writer.writeheader()
        for row in self.rows:
            writer.writerow({key: _safe(value) for key, value in row.items()})
        return stream.getvalue()


def table(titles: Sequence[str], cells: Sequence[Sequence[str]], right: frozenset[str] = frozenset()) -> str:
    """Columns two blanks apart, a rule under the titles. Control characters are written as escapes."""
    rows = [[plain(cell) for cell in row] for row in cells]
    widths = [max(cell_len(row[number]) for row in [list(titles), *rows]) for number in range(len(titles))]

    def line(row: Sequence[str]) -> str:
        padded = []
        for title, cell, width in zip(titles, row, widths, strict=True):
            gap = " " * (width - cell_len(cell))
            padded.append(gap + cell if title in right else cell + gap)
        return "  ".join(padded).rstrip()

    lines = [line(titles), "  ".join("-" * width for width in widths), *(line(row) for row in rows)]
    return "\n".join(lines) + "\n"


def _safe(value: object) -> object:
    """A spreadsheet would run a text that begins like a formula; anyone may name himself `=...` in a command."""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return f"'{value}"
    return value
