"""Standards as printed: the list of them, and one of them whole, for people and for programs."""

from __future__ import annotations

import json
import textwrap
from typing import Any

import typer

from motewatch.cli.printing import table
from motewatch.limits.standards.library import Library
from motewatch.limits.standards.model import Blank, Cell, Entry, Evidence, Fact, Standard, Table
from motewatch.site.basics import size_text

_WIDTH = 100


def status_text(standard: Standard) -> str:
    """`cancelled since 2001-11-29, replaced by ISO 14644-1 and ISO 14644-2`."""
    since = f" since {standard.status_date}" if standard.status_date else ""
    replaced = f", replaced by {standard.replaced_by}" if standard.replaced_by else ""
    return standard.status.value.replace("-", " ") + since + replaced


def list_standards(library: Library, as_json: bool) -> None:
    """Every standard with its status."""
    if as_json:
        typer.echo(json.dumps([_head(standard) for standard in library], ensure_ascii=False, indent=2))
        return
    cells = [(standard.id, standard.name, status_text(standard)) for standard in library]
    typer.echo(table(("id", "standard", "status"), cells), nl=False)


def show_standard(standard: Standard, as_json: bool) -> None:
    """One standard: its tables as printed, its other facts, and how each was confirmed."""
    if as_json:
        typer.echo(json.dumps(_plain(standard), ensure_ascii=False, indent=2))
        return
    typer.echo(f"{standard.name}: {standard.title}")
    typer.echo(f"Edition {standard.edition}, {status_text(standard)}")
    if standard.remark:
        typer.echo(textwrap.fill(standard.remark, _WIDTH))
    for item in standard.tables:
        typer.echo(f"\n{_headline(item)}\n")
        titles = [standard.rows_are, *(_column(entry) for entry in item.rows[0].entries)]
        rows = [[_name(row.name, row.also), *(_word(entry.cell) for entry in row.entries)] for row in item.rows]
        typer.echo(table(titles, rows, frozenset(titles[1:])), nl=False)
        if item.formula is not None:
            typer.echo(f"Between them classes in steps of {item.formula.step:g}, by formula.")
        for remark in _remarks(item):
            typer.echo(textwrap.fill(remark, _WIDTH, subsequent_indent="  "))
    if standard.facts:
        typer.echo("")
        titles = ["fact", "holds for", "value", "clause", "confirmed"]
        facts = [
            [fact.what, fact.holds_for, _value(fact), fact.clause, _evidence(fact.evidence)] for fact in standard.facts
        ]
        typer.echo(table(titles, facts), nl=False)


def _headline(item: Table) -> str:
    use = "" if item.use is None else f", {item.use.value}"
    clause = f" ({item.clause}{', from memory' if Evidence.FROM_MEMORY in item.clause_evidence else ''})"
    unit = item.unit.value.replace("per-m3", "per m3").replace("per-ft3", "per ft3")
    return f"{item.name}{clause if item.clause else ''}{use}: particles {unit}, at or above the size"


def _column(entry: Entry) -> str:
    size = f">= {size_text(entry.size_nm)}"
    return size if entry.state is None else f"{size} {entry.state.value}"


def _name(name: str, also: tuple[str, ...]) -> str:
    return f"{name} ({', '.join(also)})" if also else name


def _word(cell: Cell) -> str:
    return cell.word if isinstance(cell, Blank) else f"{cell:,}".replace(",", " ")


def _remarks(item: Table) -> list[str]:
    found = []
    for row in item.rows:
        for entry in row.entries:
            if isinstance(entry.cell, Blank):
                found.append(f"{entry.cell.word}: {entry.note or entry.cell.reason}")
    confirmed = sorted({_evidence(entry.evidence) for row in item.rows for entry in row.entries} - {""})
    found.append(f"confirmed: {'; '.join(confirmed) or 'not stated'}")
    if item.source:
        found.append(f"source: {item.source}")
    return list(dict.fromkeys(found))


def _evidence(words: tuple[Evidence, ...]) -> str:
    return ", ".join(word.value for word in words)


def _value(fact: Fact) -> str:
    if fact.at_least is not None and fact.at_most is not None:
        return f"{fact.at_least:g} to {fact.at_most:g} {fact.unit}"
    for words, number in (("at least", fact.at_least), ("at most", fact.at_most), ("below", fact.below)):
        if number is not None:
            return f"{words} {number:g} {fact.unit}"
    return fact.text


def _head(standard: Standard) -> dict[str, Any]:
    return {
        "id": standard.id,
        "name": standard.name,
        "title": standard.title,
        "edition": standard.edition,
        "status": standard.status.value,
        "since": standard.status_date or None,
        "replaced_by": standard.replaced_by or None,
    }


def _plain(standard: Standard) -> dict[str, Any]:
    return {
        **_head(standard),
        "remark": standard.remark or None,
        "tables": [
            {
                "id": item.id,
                "name": item.name,
                "clause": item.clause or None,
                "use": None if item.use is None else item.use.value,
                "unit": item.unit.value,
                "source": item.source or None,
                "rows": [
                    {
                        standard.rows_are: row.name,
                        "also": list(row.also),
                        "states": [state.value for state in row.states],
                        "cells": [_cell(entry) for entry in row.entries],
                    }
                    for row in item.rows
                ],
            }
            for item in standard.tables
        ],
        "facts": [
            {
                "id": fact.id,
                "what": fact.what,
                "holds_for": fact.holds_for or None,
                "at_least": fact.at_least,
                "at_most": fact.at_most,
                "below": fact.below,
                "unit": fact.unit or None,
                "text": fact.text or None,
                "clause": fact.clause or None,
                "confirmed": [word.value for word in fact.evidence],
            }
            for fact in standard.facts
        ],
    }


def _cell(entry: Entry) -> dict[str, Any]:
    blank = entry.cell if isinstance(entry.cell, Blank) else None
    return {
        "size_um": entry.size_nm / 1000,
        "state": None if entry.state is None else entry.state.value,
        "limit": None if blank is not None else entry.cell,
        "blank": None if blank is None else blank.word,
        "letter": entry.mark or None,
        "reason": None if blank is None else entry.note or blank.reason,
        "note": (entry.note or None) if blank is None else None,
        "confirmed": [word.value for word in entry.evidence],
    }
