"""Reads a standard from plain data (parsed TOML or JSON) into the frozen model, and tells every mistake.

Two steps: `site.standard_file` says what keys there are and what each may hold; here cells are held against their
columns, words and letters against what the file defines, classes and sizes against each other. Knows no standard, and
no file beyond its name for messages.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from motewatch.limits.errors import StandardFileError
from motewatch.limits.standards.formula import ISO_LARGEST_NM, ISO_SMALLEST_NM
from motewatch.limits.standards.model import (
    Blank,
    Cell,
    Entry,
    Evidence,
    Fact,
    Formula,
    Row,
    Standard,
    Status,
    Table,
    Unit,
    Use,
    class_key,
)
from motewatch.site.basics import size_nm
from motewatch.site.explain import explain
from motewatch.site.findings import did_you_mean
from motewatch.site.problems import KeyPath, Problem, key_text, value_text
from motewatch.site.standard_file import FactEntry, LimitTable, RowCells, StandardFile

BLANKS = {
    "too-many": Blank.TOO_MANY,
    "too-few": Blank.TOO_FEW,
    "sampling-loss": Blank.SAMPLING_LOSS,
    "macroparticle-only": Blank.MACROPARTICLE_ONLY,
    "operational-only": Blank.OPERATIONAL_ONLY,
    "not-specified": Blank.NOT_SPECIFIED,
    "not-predetermined": Blank.NOT_PREDETERMINED,
    "not-defined": Blank.NOT_DEFINED,
    "not-applicable": Blank.NOT_APPLICABLE,
}
"""The words of a file for the kinds of blank cells."""


@dataclass(frozen=True, slots=True)
class Flaw:
    """One mistake: where in the standard, the value there, what is wrong, how to mend it."""

    path: KeyPath
    value: Any
    message: str
    mend: str


def standard_from(data: dict[str, Any], file: str = "") -> Standard:
    """The standard in `data`, as parsed from TOML or JSON; `file` is its name for messages.

    Raises `StandardFileError` with every mistake: each names file, key and value, what is allowed and how to mend it.
    """
    try:
        model = StandardFile.model_validate(data)
    except ValidationError as failure:
        raise StandardFileError(explain(failure, data, file, ("standards", 0))) from None
    flaws = list(flaws_of(model))
    if flaws:
        raise StandardFileError(
            Problem(file, key_text(flaw.path), value_text(flaw.value), flaw.message, flaw.mend) for flaw in flaws
        )
    return built(model)


def standard_from_text(text: str, file: str = "") -> Standard:
    """As `standard_from`, from the text of a TOML file."""
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise StandardFileError([Problem(file, "", "", f"this is not TOML: {error}", "Correct it.")]) from None
    return standard_from(data, file)


def flaws_of(model: StandardFile) -> Iterator[Flaw]:
    """What no key can say alone; `built` may be called when there is none."""
    yield from _doubles(("tables",), [table.id for table in model.tables], "id")
    yield from _doubles(("facts",), [fact.id for fact in model.facts], "id")
    for number, table in enumerate(model.tables):
        yield from _table_flaws(("tables", number), table)


def _doubles(path: KeyPath, names: list[str], key: str) -> Iterator[Flaw]:
    first: dict[str, int] = {}
    for number, name in enumerate(names):
        if name in first:
            yield Flaw(
                (*path, number, key),
                name,
                f"used twice, first by {key_text((*path, first[name]))}",
                "Give each its own.",
            )
        first.setdefault(name, number)


def _table_flaws(path: KeyPath, table: LimitTable) -> Iterator[Flaw]:
    columns = [(size_nm(column.size_um), column.state) for column in table.columns]
    for number, column in enumerate(columns):
        if column in columns[:number]:
            yield Flaw(
                (*path, "columns", number),
                None,
                "a column for the same size and state is there already",
                "Give each column another size or state.",
            )
        if table.formula is not None and not ISO_SMALLEST_NM <= column[0] <= ISO_LARGEST_NM:
            yield Flaw(
                (*path, "columns", number, "size_um"),
                table.columns[number].size_um,
                "the formula of the classes holds from 0.1 to 5 um",
                "Remove the column or the formula.",
            )
    if table.formula is not None and table.formula.lowest > table.formula.highest:
        yield Flaw(
            (*path, "formula", "lowest"),
            table.formula.lowest,
            f"must not be greater than highest, which is {table.formula.highest:g}",
            "Exchange the two.",
        )
    seen: dict[str, int] = {}
    for number, row in enumerate(table.rows):
        where = (*path, "rows", number)
        for name in (row.name, *row.also):
            key = class_key(name)
            if seen.setdefault(key, number) != number:
                yield Flaw(
                    (*where, "name"),
                    name,
                    f"rows[{seen[key]}] of this table has that name",
                    "Give each class its own name.",
                )
        yield from _row_flaws(where, row, table, [size for size, _ in columns])


def _row_flaws(path: KeyPath, row: RowCells, table: LimitTable, sizes: list[int]) -> Iterator[Flaw]:
    for key, values in (("cells", row.cells), ("marks", row.marks)):
        if len(values) != len(sizes) and (key == "cells" or values):
            yield Flaw(
                (*path, key),
                list(values),
                f"must have {len(sizes)} entries, one for each column; there are {len(values)}",
                "Write a word such as not-applicable for a cell without a limit."
                if key == "cells"
                else 'Write "" where a cell has no letter.',
            )
            return
    known = (*table.blanks, *BLANKS)
    for at, cell in enumerate(row.cells):
        if isinstance(cell, str) and cell not in known:
            yield Flaw(
                (*path, "cells", at),
                cell,
                "neither a number nor a word for a blank cell",
                did_you_mean(cell, known, f"Known words: {', '.join(known)}."),
            )
    for at, mark in enumerate(row.marks):
        if mark and mark not in table.notes:
            yield Flaw(
                (*path, "marks", at),
                mark,
                "this letter has no note",
                did_you_mean(mark, table.notes, f"Known letters: {', '.join(table.notes) or 'none'}; add it to notes."),
            )
    yield from _falling(path, row, table)


def _falling(path: KeyPath, row: RowCells, table: LimitTable) -> Iterator[Flaw]:
    """Limits are cumulative, so none may be greater than that of a smaller size in the same state."""
    for at, cell in enumerate(row.cells):
        for before in range(at):
            other = row.cells[before]
            first, second = table.columns[before], table.columns[at]
            if isinstance(cell, str) or isinstance(other, str) or first.state is not second.state:
                continue
            if (first.size_um < second.size_um and other < cell) or (first.size_um > second.size_um and other > cell):
                yield Flaw(
                    (*path, "cells", at),
                    cell,
                    f"limits of larger sizes must not be greater: {other:g} at {first.size_um:g} um, "
                    f"{cell:g} at {second.size_um:g} um",
                    "Limits are cumulative, at or above the size: correct one of the two.",
                )
                return


def built(model: StandardFile) -> Standard:
    """The frozen standard of a model without flaws."""
    return Standard(
        id=model.id,
        name=model.name,
        title=model.title,
        edition=model.edition,
        status=Status(model.status),
        status_date=model.status_date or "",
        status_evidence=_evidence(model.status_confirmed),
        replaced_by=model.replaced_by or "",
        rows_are=model.rows_are,
        remark=model.remark or "",
        tables=tuple(_table(table) for table in model.tables),
        facts=tuple(_fact(fact) for fact in model.facts),
    )


def _evidence(words: tuple[str, ...]) -> tuple[Evidence, ...]:
    return tuple(Evidence(word) for word in words)


def _table(table: LimitTable) -> Table:
    formula = table.formula
    return Table(
        id=table.id,
        name=table.name,
        clause=table.clause or "",
        clause_evidence=_evidence(table.clause_confirmed),
        use=None if table.use == "both" else Use(table.use),
        unit=Unit(table.unit),
        source=table.source or "",
        rows=tuple(_row(row, table) for row in table.rows),
        formula=None
        if formula is None
        else Formula(size_nm(formula.reference_um), formula.exponent, formula.lowest, formula.highest, formula.step),
    )


def _row(row: RowCells, table: LimitTable) -> Row:
    numbers = _evidence(row.confirmed or table.confirmed)
    blanks = _evidence(table.blanks_confirmed) or numbers
    marks = row.marks or ("",) * len(row.cells)
    entries = []
    for column, value, mark in zip(table.columns, row.cells, marks, strict=True):
        cell: Cell
        note = table.notes.get(mark, "")
        if isinstance(value, str):
            cell, mark, note = _blank(value, table)
        else:
            cell = value
        evidence = blanks if isinstance(cell, Blank) else numbers
        entries.append(Entry(size_nm(column.size_um), column.state, cell, mark, note, evidence))
    return Row(row.name, row.also, row.states, tuple(entries))


def _blank(value: str, table: LimitTable) -> tuple[Blank, str, str]:
    lettered = table.blanks.get(value)
    if lettered is None:
        return BLANKS[value], "", ""
    return BLANKS[lettered.means], value, lettered.text or ""


def _fact(fact: FactEntry) -> Fact:
    return Fact(
        id=fact.id,
        what=fact.what,
        holds_for=fact.holds_for or "",
        at_least=fact.at_least,
        at_most=fact.at_most,
        below=fact.below,
        unit=fact.unit or "",
        text=fact.text or "",
        clause=fact.clause or "",
        evidence=_evidence(fact.confirmed),
    )
