"""Every cell of the standards' tables, written down a second time from the sources named beside each test."""

from __future__ import annotations

import math
from decimal import ROUND_HALF_UP, Decimal

import pytest

from motewatch.limits.standards.library import ANNEX_1_2008, ANNEX_1_2022, ISO_2015, shipped
from motewatch.limits.standards.model import Evidence
from motewatch.limits.tables import Blank, Cell, Use, annex1_2008, annex1_2022, iso_14644_1_2015
from motewatch.site.models import Occupancy
from support.checks import check

FOUND, RECOMPUTED, MEMORY = Evidence.FOUND, Evidence.RECOMPUTED, Evidence.FROM_MEMORY
REST, WORK = Occupancy.AT_REST, Occupancy.OPERATIONAL
LETTERS = {
    "c": Blank.TOO_MANY,
    "d": Blank.TOO_FEW,
    "e": Blank.SAMPLING_LOSS,
    "d,e,f": Blank.MACROPARTICLE_ONLY,
    "not specified": Blank.NOT_SPECIFIED,
    "not predetermined": Blank.NOT_PREDETERMINED,
    "not defined": Blank.NOT_DEFINED,
}
SIZES_NM = (100, 200, 300, 500, 1000, 5000)

# ISO 14644-1:2015, Table 1 with its notes, as reproduced in a public list of frequent questions on the ISO classes.
TABLE_1 = """
1 | 10        | d       | d       | d          | d         | e
2 | 100       | 24      | 10      | d          | d         | e
3 | 1 000     | 237     | 102     | 35         | d         | e
4 | 10 000    | 2 370   | 1 020   | 352        | 83        | e
5 | 100 000   | 23 700  | 10 200  | 3 520      | 832       | d,e,f
6 | 1 000 000 | 237 000 | 102 000 | 35 200     | 8 320     | 293
7 | c         | c       | c       | 352 000    | 83 200    | 2 930
8 | c         | c       | c       | 3 520 000  | 832 000   | 29 300
9 | c         | c       | c       | 35 200 000 | 8 320 000 | 293 000
"""

# ISO 14644-1:2015, Table E.1: numbers recomputed by the formula; which cells are blank is from memory, not confirmed.
TABLE_E_1 = """
1.5 | 32        | d       | d       | d          | d         | e
2.5 | 316       | 75      | 32      | d          | d         | e
3.5 | 3 160     | 748     | 322     | 111        | d         | e
4.5 | 31 600    | 7 480   | 3 220   | 1 110      | 263       | e
5.5 | 316 000   | 74 800  | 32 200  | 11 100     | 2 630     | e
6.5 | 3 160 000 | 748 000 | 322 000 | 111 000    | 26 300    | 925
7.5 | c         | c       | c       | 1 110 000  | 263 000   | 9 250
8.5 | c         | c       | c       | 11 100 000 | 2 630 000 | 92 500
"""

# EU GMP Annex 1 (2022) = PIC/S PE 009-17 Annex 1 (2023), Table 1 (4.27). Columns as printed there:
# 0.5 um at rest, 0.5 um in operation, 5 um at rest, 5 um in operation.
CLASSIFICATION_2022 = """
A | 3 520     | 3 520             | not specified | not specified
B | 3 520     | 352 000           | not specified | 2 930
C | 352 000   | 3 520 000         | 2 930         | 29 300
D | 3 520 000 | not predetermined | 29 300        | not predetermined
"""

# The same, Table 5 (9.15).
MONITORING_2022 = """
A | 3 520     | 3 520             | 29     | 29
B | 3 520     | 352 000           | 29     | 2 930
C | 352 000   | 3 520 000         | 2 930  | 29 300
D | 3 520 000 | not predetermined | 29 300 | not predetermined
"""

# EU GMP Annex 1 (2008), from two public copies of its table. The 2008 table puts the state first:
# at rest 0.5 and 5 um, in operation 0.5 and 5 um.
BOTH_USES_2008 = """
A | 3 520     | 20     | 3 520       | 20
B | 3 520     | 29     | 352 000     | 2 900
C | 352 000   | 2 900  | 3 520 000   | 29 000
D | 3 520 000 | 29 000 | not defined | not defined
"""


def read(table: str) -> list[tuple[str, list[int | Blank]]]:
    """Rows of a table above: its first column, then each cell as a number or a kind of blank."""
    found = []
    for line in table.strip().splitlines():
        head, *cells = (cell.strip() for cell in line.split("|"))
        found.append((head, [LETTERS[cell] if cell in LETTERS else int(cell.replace(" ", "")) for cell in cells]))
    return found


@pytest.mark.parametrize(("iso_class", "cells"), read(TABLE_1))
def test_iso_14644_1_2015(iso_class: str, cells: list[int | Blank]) -> None:
    source = "a public list of frequent questions that reproduces Table 1 with its notes"
    row = shipped().get(ISO_2015).table("table-1").row(iso_class)
    assert row is not None
    for entry, size, cell in zip(row.entries, SIZES_NM, cells, strict=True):
        blank = isinstance(cell, Blank)
        where = ("ISO 14644-1:2015, Table 1", f"class {iso_class}, {size / 1000:g} um, per m3")
        confirmed = "found" if blank else "found, recomputed"
        check(*where, cell, iso_14644_1_2015(float(iso_class))[size], source=source, confirmed=confirmed)
        assert entry.evidence == ((FOUND,) if blank else (FOUND, RECOMPUTED))


@pytest.mark.parametrize(("iso_class", "cells"), read(TABLE_E_1))
def test_iso_14644_1_2015_half_classes(iso_class: str, cells: list[int | Blank]) -> None:
    row = shipped().get(ISO_2015).table("table-e-1").row(iso_class)
    assert row is not None
    for entry, size, cell in zip(row.entries, SIZES_NM, cells, strict=True):
        blank = isinstance(cell, Blank)
        where = ("ISO 14644-1:2015, Table E.1", f"class {iso_class}, {size / 1000:g} um, per m3")
        source = "memory, for the pattern of blanks" if blank else "the formula and the rounding of Table 1"
        confirmed = "from memory" if blank else "recomputed"
        check(*where, cell, iso_14644_1_2015(float(iso_class))[size], source=source, confirmed=confirmed)
        assert entry.evidence == ((MEMORY,) if blank else (RECOMPUTED,))


def test_letters_of_table_1() -> None:
    """Beside a number only b; in place of one the letter of the reason."""
    table = shipped().get(ISO_2015).table("table-1")
    marked = {(row.name, entry.size_nm) for row in table.rows for entry in row.entries if entry.mark == "b"}
    assert marked == {("1", 100), ("2", 200), ("2", 300), ("3", 500), ("4", 1000)}
    letters = {entry.mark for row in table.rows for entry in row.entries if isinstance(entry.cell, Blank)}
    assert letters == {"c", "d", "e", "d,e,f"}
    assert [row.name for row in table.rows if row.states] == ["9"], "note g"


def test_numbers_are_the_formula_to_three_figures() -> None:
    """10^N (0.1/D)^2.08, rounded to three significant figures and to a whole number, gives every printed number."""
    checked = 0
    for iso_class, _ in read(TABLE_1) + read(TABLE_E_1):
        for size_nm, cell in iso_14644_1_2015(float(iso_class)).items():
            if isinstance(cell, Blank):
                continue
            exact = 10 ** float(iso_class) * (100 / size_nm) ** 2.08
            unit = Decimal(10) ** max(0, math.floor(math.log10(exact)) - 2)
            assert cell == int((Decimal(exact) / unit).quantize(Decimal(1), ROUND_HALF_UP) * unit), (iso_class, size_nm)
            checked += 1
    assert checked == 33 + 30


PICS = "PIC/S PE 009-17 Annex 1, full text"


@pytest.mark.parametrize(("grade", "cells"), read(CLASSIFICATION_2022))
def test_annex_1_2022_classification(grade: str, cells: list[int | Blank]) -> None:
    rest_500, work_500, rest_5000, work_5000 = cells
    section = "EU GMP Annex 1 (2022), Table 1 (4.27)"
    rest = annex1_2022(grade, REST, Use.CLASSIFICATION)
    work = annex1_2022(grade, WORK, Use.CLASSIFICATION)
    compare_grade(section, grade, {500: rest_500, 5000: rest_5000}, {500: work_500, 5000: work_5000}, rest, work, PICS)


@pytest.mark.parametrize(("grade", "cells"), read(MONITORING_2022))
def test_annex_1_2022_monitoring(grade: str, cells: list[int | Blank]) -> None:
    rest_500, work_500, rest_5000, work_5000 = cells
    section = "EU GMP Annex 1 (2022), Table 5 (9.15)"
    rest = annex1_2022(grade, REST, Use.MONITORING)
    work = annex1_2022(grade, WORK, Use.MONITORING)
    compare_grade(section, grade, {500: rest_500, 5000: rest_5000}, {500: work_500, 5000: work_5000}, rest, work, PICS)


@pytest.mark.parametrize(("grade", "cells"), read(BOTH_USES_2008))
def test_annex_1_2008(grade: str, cells: list[int | Blank]) -> None:
    rest_500, rest_5000, work_500, work_5000 = cells
    source = "two public copies of the table"
    if grade == "D":
        source = "a public list of frequent questions that puts both editions side by side"
    rest, work = annex1_2008(grade, REST), annex1_2008(grade, WORK)
    section = "EU GMP Annex 1 (2008)"
    compare_grade(
        section, grade, {500: rest_500, 5000: rest_5000}, {500: work_500, 5000: work_5000}, rest, work, source
    )


def compare_grade(
    section: str,
    grade: str,
    rest: dict[int, int | Blank],
    work: dict[int, int | Blank],
    actual_rest: dict[int, Cell],
    actual_work: dict[int, Cell],
    source: str,
) -> None:
    for state, expected, actual in (("at rest", rest, actual_rest), ("in operation", work, actual_work)):
        assert actual.keys() == expected.keys()
        for size, cell in expected.items():
            what = f"grade {grade}, {size / 1000:g} um, {state}, per m3"
            check(section, what, cell, actual[size], source=source, confirmed="found")


def test_annex_1_claims_what_was_found() -> None:
    for standard in (ANNEX_1_2008, ANNEX_1_2022):
        for table in shipped().get(standard).tables:
            assert {entry.evidence for row in table.rows for entry in row.entries} == {(FOUND,)}
