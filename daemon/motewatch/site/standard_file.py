"""A standard's own file as pydantic models: its tables as printed, its facts, and how each was confirmed.

The same form for the standards that come with motewatch (`limits/standards/*.toml`), for a site's own file
(`standard_files`) and for one written into the site file (`[[standards]]`). What one key can say about itself is
validated here; whether cells fit their columns and words are known is `limits.standards.reading`. Must not know what
any standard says.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, StringConstraints, model_validator

from motewatch.site.basics import LABEL_PATTERN, Identifier, Label, Number, Occupancy, SizeUm, Table, mistake

DATE_PATTERN = r"^\d{4}(-\d{2}(-\d{2})?)?$"

Text = Annotated[str, StringConstraints(min_length=1, max_length=600, pattern=LABEL_PATTERN)]
Mark = Annotated[str, StringConstraints(min_length=1, max_length=12, pattern=LABEL_PATTERN)]
"""The letter of a note, as printed: `b`, `d,e,f`."""

EvidenceWord = Literal["found", "found-secondary", "from-memory", "recomputed", "constructed"]
"""How a value was confirmed: seen in a public document; only in a page that repeats it; not at all; by formula; made
up here."""

Confirmed = tuple[EvidenceWord, ...]

BlankWord = Literal[
    "too-many",
    "too-few",
    "sampling-loss",
    "macroparticle-only",
    "operational-only",
    "not-specified",
    "not-predetermined",
    "not-defined",
    "not-applicable",
]
"""Why a cell holds no number."""


def _cell(value: object) -> object:
    # The union would tell a wrong cell once for each of its members.
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise mistake("", "must be a number or the word for a blank cell", 'Write 3520, or "not-specified".')
    if isinstance(value, str):
        if not value.strip():
            raise mistake("", "a cell must not be empty", 'Write the word for a blank cell, such as "not-specified".')
    elif not 0 <= value <= 1e13:
        raise mistake("", "must be a number from 0 to 1e13", "Give the limit in the unit of the table.")
    return value


CellValue = Annotated[int | float | str, BeforeValidator(_cell)]
"""A limit in the table's unit; a word for a blank cell; or the letter of a note that says why it is blank."""


class Column(Table):
    """What the cells of one column limit: particles at or above a size, in one occupancy state or in all."""

    size_um: SizeUm
    state: Occupancy | None = None


class BlankNote(Table):
    """What a letter in place of a number means."""

    means: BlankWord
    text: Text | None = None
    """The standard's reason, in our own words."""


class FormulaRows(Table):
    """Rows between and beyond the printed ones: 10^N (reference / size)^exponent for N in steps."""

    reference_um: SizeUm
    exponent: Annotated[Number, Field(gt=0, le=10)]
    lowest: Annotated[Number, Field(ge=0, le=20)]
    highest: Annotated[Number, Field(ge=0, le=20)]
    step: Annotated[Number, Field(ge=0.1, le=1, multiple_of=0.1)]


class RowCells(Table):
    """One class or grade: its cells in the order of the columns."""

    name: Label
    also: tuple[Label, ...] = ()
    """Other names of the class, such as the English one beside the SI one."""
    states: tuple[Occupancy, ...] = ()
    """Where the class holds in some occupancy states only."""
    cells: Annotated[tuple[CellValue, ...], Field(min_length=1, max_length=64)]
    marks: tuple[Mark | Literal[""], ...] = ()
    """Letters of notes that stand beside the numbers, in the order of the columns; empty where there is none."""
    confirmed: Confirmed = ()
    """Absent: as the table."""


class LimitTable(Table):
    """One table of limits. Cumulative: particles at or above the size."""

    id: Identifier
    name: Label
    """As the standard calls it: `Table 1`."""
    clause: Label | None = None
    clause_confirmed: Confirmed = ()
    use: Literal["classification", "monitoring", "both"] = "both"
    unit: Literal["per-m3", "per-ft3"] = "per-m3"
    confirmed: Confirmed = ()
    """How the numbers were confirmed, where a row says nothing else."""
    blanks_confirmed: Confirmed = ()
    """How the pattern of blank cells was confirmed; absent: as the numbers."""
    source: Text | None = None
    """Where the values were found."""
    columns: Annotated[tuple[Column, ...], Field(min_length=1, max_length=64)]
    blanks: dict[Mark, BlankNote] = Field(default_factory=dict)
    notes: dict[Mark, Text] = Field(default_factory=dict)
    rows: Annotated[tuple[RowCells, ...], Field(min_length=1, max_length=500)]
    formula: FormulaRows | None = None


class FactEntry(Table):
    """A number or rule beside the tables: a pressure, an air change, how often to test."""

    id: Identifier
    what: Text
    holds_for: Label | None = None
    """The class, room or state that it is about."""
    at_least: Number | None = None
    at_most: Number | None = None
    below: Number | None = None
    unit: Label | None = None
    text: Text | None = None
    clause: Label | None = None
    confirmed: Confirmed = ()

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        numbers = (self.at_least, self.at_most, self.below)
        if all(x is None for x in numbers) and self.text is None:
            raise mistake("", "a fact without a value", "Give at_least, at_most, below or text.")
        if any(x is not None for x in numbers) and self.unit is None:
            raise mistake("unit", "a number without a unit", 'Add unit, such as "Pa" or "1/h".')
        if self.at_least is not None and self.at_most is not None and self.at_least > self.at_most:
            raise mistake("at_least", f"must not be greater than at_most, which is {self.at_most:g}", "Give a smaller.")
        return self


class StandardFile(Table):
    """One standard in one edition."""

    format: Literal[1] = 1
    id: Identifier
    name: Label
    """Short, as it is cited: `ISO 14644-1:2015`."""
    title: Text
    edition: Label
    status: Literal["in-force", "superseded", "cancelled"] = "in-force"
    status_date: Annotated[str, StringConstraints(pattern=DATE_PATTERN)] | None = None
    """Since when, as far as known: `2001-11-29`, `2023-08` or `2015`."""
    status_confirmed: Confirmed = ()
    replaced_by: Label | None = None
    rows_are: Literal["class", "grade"] = "class"
    remark: Text | None = None
    tables: tuple[LimitTable, ...] = ()
    facts: tuple[FactEntry, ...] = ()

    @model_validator(mode="after")
    def _holds_something(self) -> Self:
        if not self.tables and not self.facts:
            raise mistake("", "a standard without tables and without facts", "Add a table [[tables]] or [[facts]].")
        return self


class OwnClass(Table):
    """A class or grade of a standard, by the standard's id and the class's name there."""

    model_config = Table.model_config | {"serialize_by_alias": True, "validate_by_name": True}

    standard: Identifier
    class_name: Label = Field(alias="class")
