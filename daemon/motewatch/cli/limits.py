"""The command `limits`: what the standards allow, with the places where they leave a blank; legacy editions too."""

from __future__ import annotations

import json
import textwrap
from enum import StrEnum
from typing import Annotated

import typer

from motewatch.cli.printing import table
from motewatch.cli.standards import list_standards, show_standard, status_text
from motewatch.limits.standards.library import shipped
from motewatch.limits.standards.model import Blank, Status, Unit
from motewatch.limits.tables import LimitsError, Row, Use, class_of, rows, rows_of
from motewatch.measure.samples import M3_PER_FT3
from motewatch.site.basics import size_text
from motewatch.site.models import Occupancy


class GradeLetter(StrEnum):
    """Grades of EU GMP Annex 1."""

    A = "A"
    B = "B"
    C = "C"
    D = "D"


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(limits)


def limits(
    iso_class: Annotated[
        str | None, typer.Option("--class", metavar="CLASS", help='ISO 14644-1 class: "ISO 5", 5 or 5.5.')
    ] = None,
    grade: Annotated[
        GradeLetter | None, typer.Option("--grade", case_sensitive=False, help="EU GMP Annex 1 grade.")
    ] = None,
    state: Annotated[Occupancy, typer.Option("--state", help="Occupancy state.")] = Occupancy.OPERATIONAL,
    use: Annotated[Use, typer.Option("--use", help="Annex 1 has a table for each.")] = Use.MONITORING,
    standard: Annotated[
        str | None,
        typer.Option("--standard", metavar="NAME", help="Another standard or edition, by its name in --list."),
    ] = None,
    list_all: Annotated[bool, typer.Option("--list", help="The standards that there are.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """What a standard allows, by size.

    Particles at or above each size, per cubic metre and per cubic foot.

    Blank cells of the standard are shown with the reason for which they are blank. A standard without a class is
    shown whole, with its other facts.

    \b
    motewatch limits --class "ISO 5"
    motewatch limits --grade A --state operational --use monitoring
    motewatch limits --grade C --state at-rest --use classification --json
    motewatch limits --standard fed-std-209e --class "M 3.5"
    motewatch limits --standard eu-gmp-annex-1-2008
    """
    if list_all:
        list_standards(shipped(), as_json)
        return
    wanted = iso_class if grade is None else grade.value
    try:
        if iso_class is not None and grade is not None:
            raise typer.BadParameter("give one of --class and --grade")
        if standard is not None:
            chosen = shipped().find(standard)
            if wanted is None:
                show_standard(chosen, as_json)
                return
            found = rows_of(chosen, wanted, state, use)
            if chosen.status is not Status.IN_FORCE:
                typer.echo(f"{chosen.name} is {status_text(chosen)}.", err=True)
        elif wanted is None:
            raise typer.BadParameter("give one of --class and --grade, or --standard, or --list")
        else:
            found = rows(
                grade=None if grade is None else grade.value,
                iso_class=None if iso_class is None else class_of(iso_class),
                occupancy=state,
                use=use,
            )
    except LimitsError as error:
        raise typer.BadParameter(str(error)) from None
    if as_json:
        typer.echo(json.dumps([_plain(row) for row in found], ensure_ascii=False, indent=2))
        return
    sources = list(dict.fromkeys(row.source for row in found))
    typer.echo("; ".join(sources))
    typer.echo("")
    cells = [(f">= {size_text(row.size_nm)}", _per_m3_text(row), _per_ft3_text(row)) for row in found]
    titles = ("size", "per m3", "per ft3")
    typer.echo(table(titles, cells, frozenset(titles)), nl=False)
    remarks = list(dict.fromkeys(f"{row.word}: {row.reason}" for row in found if isinstance(row.cell, Blank)))
    remarks += [f">= {size_text(row.size_nm)}: {row.note}" for row in found if row.note]
    if remarks:
        typer.echo("\n" + "\n".join(textwrap.fill(remark, 100, subsequent_indent="  ") for remark in remarks))


def _plain(row: Row) -> dict[str, str | float | int | list[str] | None]:
    given = row.to_plain()
    per_ft3 = _per_ft3(row)
    return {
        "size_um": given.pop("size_um"),
        "limit_per_m3": given.pop("limit_per_m3"),
        "limit_per_ft3": None if per_ft3 is None else float(f"{per_ft3:.6g}"),
        **given,
    }


def _per_ft3(row: Row) -> float | None:
    if row.unit is Unit.PER_FT3 and not isinstance(row.cell, Blank):
        return row.cell
    return None if row.per_m3 is None else row.per_m3 * M3_PER_FT3


def _per_m3_text(row: Row) -> str:
    """As printed where the standard states it per cubic metre, else converted."""
    return row.word if row.unit is Unit.PER_M3 or row.per_m3 is None else f"{row.per_m3:.6g}"


def _per_ft3_text(row: Row) -> str:
    """Converted, so that it may have decimals, unless the table is per cubic foot."""
    value = _per_ft3(row)
    if value is None:
        return ""
    return f"{value:,.0f}".replace(",", " ") if value >= 1000 else f"{value:.3g}"
