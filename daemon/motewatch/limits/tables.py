"""Limits of the standards, as literal tables: particles per cubic metre at or above a size.

Rules: the printed table is the rule, not the formula behind it (ISO 14644-1:2015 says so; 3 520 is the limit, not
3 516.76). A blank cell is no limit: neither zero nor infinity, and it says why it is blank. Classification and
monitoring are two tables. "Not specified" (may be left out) and "not predetermined" (the site must set it) are two
different things. Must not know rooms, samples or rules for judging; a site's own levels are the engine's matter.

Sizes are integer nanometres. Values of the half classes are by the standard's formula; which of their cells are blank
is from memory, not confirmed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, StrEnum

from motewatch.site.models import Occupancy


class LimitsError(ValueError):
    """Base: something was asked of the tables that they do not hold.

    LimitsError
     +- UnknownClassError
     +- UnknownGradeError
    """


class UnknownClassError(LimitsError):
    """There is no such class in ISO 14644-1:2015."""

    def __init__(self, asked: object) -> None:
        self.asked = asked
        super().__init__(f"ISO class '{asked}' is in no table: give 1 to 9, or a half class from 1.5 to 8.5")


class UnknownGradeError(LimitsError):
    """There is no such grade in EU GMP Annex 1."""

    def __init__(self, asked: object) -> None:
        self.asked = asked
        super().__init__(f"grade '{asked}' is in no table: give one of A, B, C, D")


class Blank(Enum):
    """Why a cell holds no number: a word for it, and the reason in a sentence."""

    TOO_MANY = ("too many", "The concentration would be too high for a limit to make sense (ISO 14644-1:2015, note c).")
    TOO_FEW = ("too few", "The concentration would be too low to classify by (ISO 14644-1:2015, note d).")
    SAMPLING_LOSS = ("sampling loss", "Large particles get lost on the way to the counter (ISO 14644-1:2015, note e).")
    MACROPARTICLE_ONLY = (
        "M descriptor",
        "Too few particles and sampling loss; if this size is wanted, use the M descriptor beside at least one other "
        "size (ISO 14644-1:2015, notes d, e and f).",
    )
    OPERATIONAL_ONLY = ("operational only", "The class is for the operational state only (ISO 14644-1:2015, note g).")
    NOT_SPECIFIED = (
        "not specified",
        "No limit for classification; the size may be added where the contamination control strategy or trends call "
        "for it (EU GMP Annex 1, 2022, Table 1, note a).",
    )
    NOT_PREDETERMINED = (
        "not predetermined",
        "The site sets its own limit from its risk assessment and routine data (EU GMP Annex 1, 2022).",
    )
    NOT_DEFINED = ("not defined", "The 2008 edition of EU GMP Annex 1 defines no limit here.")

    def __init__(self, word: str, reason: str) -> None:
        self.word = word
        self.reason = reason


Cell = int | Blank
"""A limit per cubic metre, or why there is none."""


class Use(StrEnum):
    """What a limit is used for: EU GMP Annex 1 (2022) has a table for each."""

    CLASSIFICATION = "classification"
    MONITORING = "monitoring"


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit in numbers: particles per cubic metre at or above `size_nm`, and where it is written."""

    size_nm: int
    per_m3: int
    source: str


_C, _D, _E, _F = Blank.TOO_MANY, Blank.TOO_FEW, Blank.SAMPLING_LOSS, Blank.MACROPARTICLE_ONLY

ISO_SIZES_NM = (100, 200, 300, 500, 1000, 5000)

# ISO 14644-1:2015, Table 1, notes a to g. Cumulative (note a).
_ISO_TABLE_1: dict[float, tuple[Cell, ...]] = {
    #      0.1        0.2      0.3      0.5         1          5 um
    1.0: (10, _D, _D, _D, _D, _E),
    2.0: (100, 24, 10, _D, _D, _E),
    3.0: (1_000, 237, 102, 35, _D, _E),
    4.0: (10_000, 2_370, 1_020, 352, 83, _E),
    5.0: (100_000, 23_700, 10_200, 3_520, 832, _F),
    6.0: (1_000_000, 237_000, 102_000, 35_200, 8_320, 293),
    7.0: (_C, _C, _C, 352_000, 83_200, 2_930),
    8.0: (_C, _C, _C, 3_520_000, 832_000, 29_300),
    9.0: (_C, _C, _C, 35_200_000, 8_320_000, 293_000),
}

# ISO 14644-1:2015, Table E.1 (half classes). Numbers by the formula of Annex E; the blanks are from memory.
_ISO_TABLE_E_1: dict[float, tuple[Cell, ...]] = {
    #      0.1        0.2      0.3      0.5         1          5 um
    1.5: (32, _D, _D, _D, _D, _E),
    2.5: (316, 75, 32, _D, _D, _E),
    3.5: (3_160, 748, 322, 111, _D, _E),
    4.5: (31_600, 7_480, 3_220, 1_110, 263, _E),
    5.5: (316_000, 74_800, 32_200, 11_100, 2_630, _E),
    6.5: (3_160_000, 748_000, 322_000, 111_000, 26_300, 925),
    7.5: (_C, _C, _C, 1_110_000, 263_000, 9_250),
    8.5: (_C, _C, _C, 11_100_000, 2_630_000, 92_500),
}

OPERATIONAL_CLASSES = frozenset({8.5, 9.0})
"""ISO 14644-1:2015, note g: class 9 holds for the operational state only (for class 8.5 from memory)."""

LARGE_VOLUME_CELLS = frozenset(
    {(1.0, 100), (2.0, 200), (2.0, 300), (3.0, 500), (4.0, 1000), (1.5, 100), (2.5, 200), (2.5, 300)}
)
"""ISO 14644-1:2015, note b: cells that need so much air that sequential sampling may be used (half classes: memory)."""

ANNEX_1_SIZES_NM = (500, 5000)

_REST, _WORK = Occupancy.AT_REST, Occupancy.OPERATIONAL
_NS, _NP, _ND = Blank.NOT_SPECIFIED, Blank.NOT_PREDETERMINED, Blank.NOT_DEFINED

# EU GMP Annex 1 (2022), Table 1 (clause 4.27): classification.
_ANNEX_1_TABLE_1: dict[str, dict[Occupancy, tuple[Cell, Cell]]] = {
    #                     0.5                5 um
    "A": {_REST: (3_520, _NS), _WORK: (3_520, _NS)},
    "B": {_REST: (3_520, _NS), _WORK: (352_000, 2_930)},
    "C": {_REST: (352_000, 2_930), _WORK: (3_520_000, 29_300)},
    "D": {_REST: (3_520_000, 29_300), _WORK: (_NP, _NP)},
}

# EU GMP Annex 1 (2022), Table 5 (clause 9.15): monitoring. Maximum action limits (clause 9.9).
_ANNEX_1_TABLE_5: dict[str, dict[Occupancy, tuple[Cell, Cell]]] = {
    #                     0.5                5 um
    "A": {_REST: (3_520, 29), _WORK: (3_520, 29)},
    "B": {_REST: (3_520, 29), _WORK: (352_000, 2_930)},
    "C": {_REST: (352_000, 2_930), _WORK: (3_520_000, 29_300)},
    "D": {_REST: (3_520_000, 29_300), _WORK: (_NP, _NP)},
}

# EU GMP Annex 1 (2008), in force from 2009 until August 2023: one table for both uses.
_ANNEX_1_2008: dict[str, dict[Occupancy, tuple[Cell, Cell]]] = {
    #                     0.5                5 um
    "A": {_REST: (3_520, 20), _WORK: (3_520, 20)},
    "B": {_REST: (3_520, 29), _WORK: (352_000, 2_900)},
    "C": {_REST: (352_000, 2_900), _WORK: (3_520_000, 29_000)},
    "D": {_REST: (3_520_000, 29_000), _WORK: (_ND, _ND)},
}


def iso_14644_1_2015(iso_class: float) -> dict[int, Cell]:
    """The row of a class by size: Table 1, or Table E.1 for a half class. Raises `UnknownClassError`."""
    row = _ISO_TABLE_1.get(iso_class) or _ISO_TABLE_E_1.get(iso_class)
    if row is None:
        raise UnknownClassError(iso_class)
    return dict(zip(ISO_SIZES_NM, row, strict=True))


def annex1_2022(grade: str, occupancy: Occupancy, use: Use) -> dict[int, Cell]:
    """Limits of EU GMP Annex 1 (2022) by size: Table 1 or Table 5. Raises `UnknownGradeError`.

    Annex 1 knows no as-built state; it is treated as at rest (our choice: the stricter numbers).
    """
    return _annex1(_ANNEX_1_TABLE_1 if use is Use.CLASSIFICATION else _ANNEX_1_TABLE_5, grade, occupancy)


def annex1_2008(grade: str, occupancy: Occupancy) -> dict[int, Cell]:
    """Limits of the former EU GMP Annex 1 (2008), for reading old records. Raises `UnknownGradeError`."""
    return _annex1(_ANNEX_1_2008, grade, occupancy)


def _annex1(table: dict[str, dict[Occupancy, tuple[Cell, Cell]]], grade: str, occupancy: Occupancy) -> dict[int, Cell]:
    states = table.get(grade)
    if states is None:
        raise UnknownGradeError(grade)
    cells = states[_WORK if occupancy is _WORK else _REST]
    return dict(zip(ANNEX_1_SIZES_NM, cells, strict=True))


def limits_for(grade: str | None, iso_class: float | None, occupancy: Occupancy) -> tuple[Limit, ...]:
    """The limits in numbers that a location of this grade or class is monitored by, by rising size.

    Annex 1 by Table 5. Classes 8.5 and 9 have limits in the operational state only. Neither given: none.
    """
    if grade is not None:
        found = rows(grade=grade, occupancy=occupancy)
    elif iso_class is not None:
        found = rows(iso_class=iso_class, occupancy=occupancy)
    else:
        found = ()
    return tuple(Limit(row.size_nm, row.cell, row.source) for row in found if isinstance(row.cell, int))


# For people


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table of limits: a number or the reason for its absence, and where it is written."""

    size_nm: int
    cell: Cell
    source: str
    note: str = ""

    @property
    def per_m3(self) -> int | None:
        """The limit, or None for a blank cell."""
        return self.cell if isinstance(self.cell, int) else None

    @property
    def word(self) -> str:
        """The limit with its thousands apart (`3 520`), or the word for the blank cell."""
        return f"{self.cell:,}".replace(",", " ") if isinstance(self.cell, int) else self.cell.word

    @property
    def reason(self) -> str:
        """Why the cell is blank; empty where it is not."""
        return self.cell.reason if isinstance(self.cell, Blank) else ""

    def to_plain(self) -> dict[str, str | float | int | None]:
        """Plain values for JSON, with units in the names."""
        return {
            "size_um": self.size_nm / 1000,
            "limit_per_m3": self.per_m3,
            "blank": self.cell.word if isinstance(self.cell, Blank) else None,
            "reason": self.reason or None,
            "note": self.note or None,
            "source": self.source,
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
        return _annex1_rows(grade, occupancy, use)
    if iso_class is not None and grade is None:
        return _iso_rows(iso_class, occupancy)
    raise LimitsError("give one of grade and iso_class, not both and not none")


def _annex1_rows(grade: str, occupancy: Occupancy, use: Use) -> tuple[Row, ...]:
    table = "Table 1 (4.27)" if use is Use.CLASSIFICATION else "Table 5 (9.15)"
    state = _WORK if occupancy is _WORK else _REST
    source = f"EU GMP Annex 1 (2022), {table}, grade {grade}, {state.value}"
    note = "" if state is occupancy else "Annex 1 knows no as-built state: the limits are those at rest."
    return tuple(Row(size, cell, source, note) for size, cell in annex1_2022(grade, occupancy, use).items())


def _iso_rows(iso_class: float, occupancy: Occupancy) -> tuple[Row, ...]:
    cells = iso_14644_1_2015(iso_class)
    source = f"ISO 14644-1:2015, {'Table 1' if iso_class in _ISO_TABLE_1 else 'Table E.1'}, class {iso_class:g}"
    if iso_class in OPERATIONAL_CLASSES and occupancy is not _WORK:
        cells = dict.fromkeys(cells, Blank.OPERATIONAL_ONLY)
    return tuple(Row(size, cell, source, _iso_note(iso_class, size)) for size, cell in cells.items())


def _iso_note(iso_class: float, size_nm: int) -> str:
    if (iso_class, size_nm) in LARGE_VOLUME_CELLS:
        return "Needs large volumes of air; sequential sampling may be used (note b)."
    return ""


def class_of(text: str) -> float:
    """The class that a person wrote: `ISO 5`, `iso 5.5`, `5`. Raises `UnknownClassError`."""
    bare = text.strip().lower().removeprefix("iso").removeprefix(" class").strip()
    try:
        iso_class = float(bare)
    except ValueError:
        raise UnknownClassError(text) from None
    if iso_class not in _ISO_TABLE_1 and iso_class not in _ISO_TABLE_E_1:
        raise UnknownClassError(text)
    return iso_class
