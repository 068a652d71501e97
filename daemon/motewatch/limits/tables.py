"""Limits of the standards that the daemon judges by, as views over the data in `limits.standards`.

What a caller asks most: the limits of a grade of EU GMP Annex 1, of an ISO class, or of a class of a site's own
standard, in one occupancy state; and every cell with its reason, for people. Rules: see `limits.standards.model`. Must
not know rooms, samples or rules for judging; a site's own levels are the engine's matter.
"""

from __future__ import annotations

from dataclasses import dataclass

from motewatch.limits.errors import LimitsError as LimitsError
from motewatch.limits.errors import UnknownClassError as UnknownClassError
from motewatch.limits.errors import UnknownGradeError as UnknownGradeError
from motewatch.limits.standards import model
from motewatch.limits.standards.library import ANNEX_1_2008, ANNEX_1_2022, ISO_2015, Library, shipped
from motewatch.limits.standards.model import Blank as Blank
from motewatch.limits.standards.model import Cell as Cell
from motewatch.limits.standards.model import Evidence, Standard, Unit, class_key, entries_in, whole_per_m3
from motewatch.limits.standards.model import Use as Use
from motewatch.limits.standards.units import FT3_PER_M3
from motewatch.site.models import Occupancy, OwnClass


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit in numbers: particles per cubic metre at or above `size_nm`, and where it is written."""

    size_nm: int
    per_m3: int
    source: str


def iso_14644_1_2015(iso_class: float) -> dict[int, Cell]:
    """The row of a class by size: Table 1, or Table E.1 for a half class. Raises `UnknownClassError`."""
    _, row = _iso(iso_class)
    return {entry.size_nm: entry.cell for entry in row.entries}


def annex1_2022(grade: str, occupancy: Occupancy, use: Use) -> dict[int, Cell]:
    """Limits of EU GMP Annex 1 (2022) by size: Table 1 or Table 5. Raises `UnknownGradeError`.

    Annex 1 knows no as-built state; it is treated as at rest (our choice: the stricter numbers).
    """
    return _annex1(ANNEX_1_2022, grade, occupancy, use)


def annex1_2008(grade: str, occupancy: Occupancy) -> dict[int, Cell]:
    """Limits of the former EU GMP Annex 1 (2008), for reading old records. Raises `UnknownGradeError`."""
    return _annex1(ANNEX_1_2008, grade, occupancy, Use.MONITORING)


def _iso(iso_class: float) -> tuple[model.Table, model.Row]:
    try:
        return shipped().get(ISO_2015).where(f"{iso_class:g}")
    except UnknownClassError:
        raise UnknownClassError(iso_class) from None


def _annex1(standard: str, grade: str, occupancy: Occupancy, use: Use) -> dict[int, Cell]:
    if grade not in ("A", "B", "C", "D"):
        raise UnknownGradeError(grade)
    _, row = shipped().get(standard).where(grade, use)
    return {entry.size_nm: entry.cell for entry in entries_in(row, occupancy)}


def limits_for(
    grade: str | None,
    iso_class: float | None,
    occupancy: Occupancy,
    own_class: OwnClass | None = None,
    library: Library | None = None,
) -> tuple[Limit, ...]:
    """The limits in numbers that a location of this grade or class is monitored by, by rising size.

    Annex 1 by Table 5. Classes 8.5 and 9 have limits in the operational state only. `own_class` is looked up in
    `library` (absent: the standards that come with motewatch). None given: no limits. Raises `UnknownStandardError`,
    `UnknownClassError`.
    """
    if grade is not None:
        found = rows(grade=grade, occupancy=occupancy)
    elif iso_class is not None:
        found = rows(iso_class=iso_class, occupancy=occupancy)
    elif own_class is not None:
        standard = (library or shipped()).get(own_class.standard)
        found = rows_of(standard, own_class.class_name, occupancy)
    else:
        found = ()
    return tuple(
        Limit(row.size_nm, whole_per_m3(row.cell, row.unit), row.source)
        for row in found
        if not isinstance(row.cell, Blank)
    )


# For people


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table of limits: a number or the reason for its absence, and where it is written."""

    size_nm: int
    cell: Cell
    source: str
    note: str = ""
    why_blank: str = ""
    """The standard's own reason for a blank cell, where it gives one."""
    mark: str = ""
    """The letter that the standard prints in or beside the cell."""
    unit: Unit = Unit.PER_M3
    evidence: tuple[Evidence, ...] = ()

    @property
    def per_m3(self) -> float | None:
        """The limit per cubic metre, not rounded; None for a blank cell."""
        if isinstance(self.cell, Blank) or self.unit is Unit.PER_M3:
            return None if isinstance(self.cell, Blank) else self.cell
        return self.cell * float(FT3_PER_M3)

    @property
    def word(self) -> str:
        """The limit with its thousands apart (`3 520`), or the word for the blank cell."""
        return self.cell.word if isinstance(self.cell, Blank) else f"{self.cell:,}".replace(",", " ")

    @property
    def reason(self) -> str:
        """Why the cell is blank; empty where it is not."""
        return (self.why_blank or self.cell.reason) if isinstance(self.cell, Blank) else ""

    def to_plain(self) -> dict[str, str | float | int | list[str] | None]:
        """Plain values for JSON, with units in the names."""
        return {
            "size_um": self.size_nm / 1000,
            "limit": None if isinstance(self.cell, Blank) else self.cell,
            "unit": self.unit.value,
            "limit_per_m3": self.per_m3,
            "blank": self.cell.word if isinstance(self.cell, Blank) else None,
            "letter": self.mark or None,
            "reason": self.reason or None,
            "note": self.note or None,
            "source": self.source,
            "confirmed": [item.value for item in self.evidence],
        }


def rows(
    *,
    grade: str | None = None,
    iso_class: float | None = None,
    occupancy: Occupancy = Occupancy.OPERATIONAL,
    use: Use = Use.MONITORING,
) -> tuple[Row, ...]:
    """Every cell of a grade or a class, blank ones too, by rising size. Give one of `grade` and `iso_class`."""
    if grade is not None and iso_class is None:
        if grade not in ("A", "B", "C", "D"):
            raise UnknownGradeError(grade)
        return rows_of(shipped().get(ANNEX_1_2022), grade, occupancy, use)
    if iso_class is not None and grade is None:
        table, row = _iso(iso_class)
        return _rows(shipped().get(ISO_2015), table, row, occupancy)
    raise LimitsError("give one of grade and iso_class, not both and not none")


def rows_of(
    standard: Standard,
    name: str,
    occupancy: Occupancy = Occupancy.OPERATIONAL,
    use: Use = Use.MONITORING,
    table: str | None = None,
) -> tuple[Row, ...]:
    """Every cell of a class or grade of any standard, blank ones too, by rising size.

    `table`: the id of one of its tables; absent: the one for the use, per cubic metre where there is a choice. Raises
    `UnknownClassError`, `UnknownStandardError` for a table that is not there.
    """
    if table is None:
        return _rows(standard, *standard.where(name, use), occupancy)
    chosen = standard.table(table)
    row = chosen.row(name)
    if row is None:
        raise UnknownClassError(name, f"its classes are {', '.join(chosen.names)}", f"{standard.name}, {chosen.name}")
    return _rows(standard, chosen, row, occupancy)


def _rows(standard: Standard, table: model.Table, row: model.Row, occupancy: Occupancy) -> tuple[Row, ...]:
    states = {entry.state for entry in row.entries}
    held = occupancy
    note = ""
    if occupancy is Occupancy.AS_BUILT and occupancy not in states and Occupancy.AT_REST in states:
        held = Occupancy.AT_REST
        note = f"{standard.name} knows no as-built state: the limits are those at rest."
    source = standard.cite(table, row, None if states == {None} else held)
    found = []
    for entry in entries_in(row, occupancy):
        blank = isinstance(entry.cell, Blank)
        found.append(
            Row(
                size_nm=entry.size_nm,
                cell=entry.cell,
                source=source,
                note=note if blank else " ".join(text for text in (entry.note, note) if text),
                why_blank=entry.note if blank else "",
                mark=entry.mark,
                unit=table.unit,
                evidence=entry.evidence,
            )
        )
    return tuple(found)


def class_of(text: str) -> float:
    """The ISO class that a person wrote: `ISO 5`, `iso 5.5`, `5`. Raises `UnknownClassError`."""
    bare = class_key(text)
    for name in shipped().get(ISO_2015).class_names():
        if class_key(name) == bare:
            return float(name)
    raise UnknownClassError(text)
