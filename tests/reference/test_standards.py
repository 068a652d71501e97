"""Every value of the legacy editions, formulas, conversions and facilities' facts, written down a second time.

The tables of ISO 14644-1:2015 and of both editions of EU GMP Annex 1 are in test_standard_tables.py. Each check names
its source and how it was confirmed; the data files must claim the same.
"""

from __future__ import annotations

from fractions import Fraction
from functools import partial

import numpy as np
import pytest

from motewatch.limits.standards.designation import Designation, Macroparticles
from motewatch.limits.standards.formula import (
    class_limit,
    class_limit_unrounded,
    class_number,
    fed_std_209e_limit,
    rounded,
)
from motewatch.limits.standards.library import (
    ANNEX_1_2008,
    ANNEX_1_2022,
    FDA_2004,
    FED_STD_209E,
    ISO_1999,
    USP_797,
    USP_800,
    shipped,
)
from motewatch.limits.standards.model import Blank, Entry, Evidence, Status, Use
from motewatch.limits.standards.units import (
    FT3_PER_M3,
    M3_PER_FT3,
    inch_water_from_pa,
    pa_from_inch_water,
    per_ft3_from_per_m3,
    per_m3_from_per_ft3,
)
from motewatch.limits.standards.verdict import CellVerdict, verdict
from motewatch.limits.tables import iso_14644_1_2015, rows_of
from motewatch.site.models import Occupancy
from support.checks import check

WORDS = {
    "F": (Evidence.FOUND,),
    "F R": (Evidence.FOUND, Evidence.RECOMPUTED),
    "F2": (Evidence.FOUND_SECONDARY,),
    "M": (Evidence.FROM_MEMORY,),
    "M R": (Evidence.FROM_MEMORY, Evidence.RECOMPUTED),
    "R": (Evidence.RECOMPUTED,),
}
CONFIRMED = {
    "F": "found",
    "F R": "found, recomputed",
    "F2": "found secondary",
    "M": "from memory",
    "M R": "from memory, recomputed",
    "R": "recomputed",
}
SIZES_UM = (0.1, 0.2, 0.3, 0.5, 1.0, 5.0)


def parsed(table: str) -> list[list[str]]:
    return [[cell.strip() for cell in line.split("|")] for line in table.strip().splitlines()]


def number(text: str) -> float | None:
    return None if text == "-" else float(text.replace(" ", ""))


def plain(entry: Entry) -> float | None:
    if isinstance(entry.cell, Blank):
        assert entry.cell is Blank.NOT_APPLICABLE
        return None
    return float(entry.cell)


# ISO 14644-1:1999

# Cells that the 2015 edition blanked (class 1 at 0.2, 2 at 0.5, 3 at 1, 5 at 5 um) are numbers here.
TABLE_1_1999 = """
1 | 10        | 2       | -       | -          | -         | -
2 | 100       | 24      | 10      | 4          | -         | -
3 | 1 000     | 237     | 102     | 35         | 8         | -
4 | 10 000    | 2 370   | 1 020   | 352        | 83        | -
5 | 100 000   | 23 700  | 10 200  | 3 520      | 832       | 29
6 | 1 000 000 | 237 000 | 102 000 | 35 200     | 8 320     | 293
7 | -         | -       | -       | 352 000    | 83 200    | 2 930
8 | -         | -       | -       | 3 520 000  | 832 000   | 29 300
9 | -         | -       | -       | 35 200 000 | 8 320 000 | 293 000
"""
ISO_1999_SOURCE = "a public list of questions with the 1999 table and formula; also in a national standard of 2013"


@pytest.mark.parametrize("line", parsed(TABLE_1_1999), ids=lambda line: line[0])
def test_iso_14644_1_1999(line: list[str]) -> None:
    row = shipped().get(ISO_1999).table("table-1").row(line[0])
    assert row is not None
    for entry, size_um, text in zip(row.entries, SIZES_UM, line[1:], strict=True):
        check(
            "ISO 14644-1:1999, Table 1",
            f"class {line[0]}, {size_um:g} um, per m3",
            number(text),
            plain(entry),
            source=ISO_1999_SOURCE,
            confirmed=CONFIRMED["F R" if number(text) is not None else "F"],
        )
        assert entry.evidence == WORDS["F R" if number(text) is not None else "F"]
        if number(text) is not None:
            # The formula is the rule in 1999, and gives every printed number.
            assert class_limit(float(line[0]), round(size_um * 1000)) == number(text)


def test_1999_is_equal_to_2015_but_for_the_cells_that_2015_blanked() -> None:
    differ = {}
    for name in ("1", "2", "3", "4", "5", "6", "7", "8", "9"):
        row = shipped().get(ISO_1999).table("table-1").row(name)
        assert row is not None
        newer = iso_14644_1_2015(float(name))
        for entry in row.entries:
            if not isinstance(entry.cell, Blank) and entry.cell != newer[entry.size_nm]:
                assert isinstance(newer[entry.size_nm], Blank)
                differ[(name, entry.size_nm)] = entry.cell
    assert differ == {("1", 200): 2, ("2", 500): 4, ("3", 1000): 8, ("5", 5000): 29}


# The formula

UNROUNDED_CLASS_5 = {0.1: 100_000, 0.2: 23_651.4, 0.3: 10_176.3, 0.5: 3_516.76, 1.0: 831.764, 5.0: 29.2511}
UNROUNDED_HALF = {0.1: 31.6228, 0.2: 74.7924, 0.3: 32.1801, 0.5: 111.210, 1.0: 263.027, 5.0: 925.001}
HALF_CLASS_OF = {0.1: 1.5, 0.2: 2.5, 0.3: 2.5, 0.5: 3.5, 1.0: 4.5, 5.0: 6.5}
BETWEEN_SIZES = {
    0.7: (1_750, 17_500, 175_000, 1_750_000),
    2.0: (197, 1_970, 19_700, 197_000),
    3.0: (85, 846, 8_460, 84_600),
}
INVERSE = [
    (3_520, 0.5, 5.0004),
    (1_000, 0.5, 4.4539),
    (5_000, 0.5, 5.1528),
    (20_000, 0.5, 5.7549),
    (20, 5.0, 4.8349),
    (29, 5.0, 4.9963),
]
FORMULA = "ISO 14644-1, formula"


@pytest.mark.parametrize("size_um", SIZES_UM)
def test_unrounded_formula(size_um: float) -> None:
    size = round(size_um * 1000)
    compare = partial(check, source="formula of ISO 14644-1:1999", confirmed="recomputed")
    compare(FORMULA, f"C(5, {size_um:g} um)", UNROUNDED_CLASS_5[size_um], class_limit_unrounded(5, size), rel=5e-6)
    half = HALF_CLASS_OF[size_um]
    value = class_limit_unrounded(half, size)
    compare(FORMULA, f"C({half:g}, {size_um:g} um)", UNROUNDED_HALF[size_um], value, rel=5e-6)


@pytest.mark.parametrize("size_um", BETWEEN_SIZES)
def test_sizes_between(size_um: float) -> None:
    for iso_class, expected in zip((5, 6, 7, 8), BETWEEN_SIZES[size_um], strict=True):
        check(
            "ISO 14644-1, sizes between by formula",
            f"class {iso_class}, {size_um:g} um",
            expected,
            class_limit(iso_class, round(size_um * 1000)),
            source="formula and rounding",
            confirmed="recomputed",
        )


@pytest.mark.parametrize(("per_m3", "size_um", "expected"), INVERSE)
def test_class_number_from_a_concentration(per_m3: float, size_um: float, expected: float) -> None:
    check(
        "ISO 14644-1, class number from a concentration",
        f"{per_m3:g} per m3 at {size_um:g} um",
        expected,
        class_number(per_m3, round(size_um * 1000)),
        source="inverse of the formula",
        confirmed="recomputed",
        abs=5e-5,
    )


def test_the_limit_looks_like_just_above_its_class_by_formula_and_yet_passes() -> None:
    """The trap: never judge by the formula's class number."""
    assert class_number(3_520, 500) > 5
    assert verdict(iso_14644_1_2015(5.0)[500], 3_520) is CellVerdict.WITHIN


def test_class_4_8_of_the_2008_reasoning() -> None:
    """20 per m3 at 5 um is only roughly "ISO 4.8": the formula gives 18.46, and 2 218.9 at 0.5 um."""
    compare = partial(check, source="formula; the label 4.8 in a secondary page", confirmed="recomputed")
    compare(FORMULA, "C(4.8, 5 um)", 18.46, class_limit_unrounded(4.8, 5000), abs=0.005)
    compare(FORMULA, "C(4.8, 0.5 um)", 2_218.9, class_limit_unrounded(4.8, 500), abs=0.05)
    row = shipped().get(ISO_1999).table("table-1").row("4.8")
    assert row is not None
    assert [entry.cell for entry in row.entries] == [63_100, 14_900, 6_420, 2_220, 525, 18]
    assert {entry.evidence for entry in row.entries} == {WORDS["R"]}


@pytest.mark.parametrize(
    ("concentration", "expected"),
    [
        (99.4, 99),
        (99.5, 100),
        (100.4, 100),
        (1_005, 1_010),
        (1_004.9, 1_000),
        (2.365, 2),
        (0.4, 0),
        (0, 0),
        (999.6, 1_000),
    ],
)
def test_rounding(concentration: float, expected: int) -> None:
    assert rounded(concentration) == expected


# FED-STD-209E: per m3 / per ft3 at 0.1, 0.2, 0.3, 0.5, 5 um; evidence of the m3 and the ft3 numbers.

TABLE_I = """
M 1   |         | 350 / 9.91   | 75.7 / 2.14    | 30.9 / 0.875 | 10.0 / 0.283         | -              | F   | F
M 1.5 | 1       | 1 240 / 35.0 | 265 / 7.50     | 106 / 3.00   | 35.3 / 1.00          | -              | F   | F
M 2   |         | 3 500 / 99.1 | 757 / 21.4     | 309 / 8.75   | 100 / 2.83           | -              | F   | F
M 2.5 | 10      | 12 400 / 350 | 2 650 / 75.0   | 1 060 / 30.0 | 353 / 10.0           | -              | F   | F
M 3   |         | 35 000 / 991 | 7 570 / 214    | 3 090 / 87.5 | 1 000 / 28.3         | -              | M   | M
M 3.5 | 100     | -            | 26 500 / 750   | 10 600 / 300 | 3 530 / 100          | -              | M R | F
M 4   |         | -            | 75 700 / 2 140 | 30 900 / 875 | 10 000 / 283         | -              | M   | M
M 4.5 | 1 000   | -            | -              | -            | 35 300 / 1 000       | 247 / 7.00     | M R | F
M 5   |         | -            | -              | -            | 100 000 / 2 830      | 618 / 17.5     | M   | M
M 5.5 | 10 000  | -            | -              | -            | 353 000 / 10 000     | 2 470 / 70.0   | M R | F
M 6   |         | -            | -              | -            | 1 000 000 / 28 300   | 6 180 / 175    | M   | M
M 6.5 | 100 000 | -            | -              | -            | 3 530 000 / 100 000  | 24 700 / 700   | M R | F
M 7   |         | -            | -              | -            | 10 000 000 / 283 000 | 61 800 / 1 750 | M   | M
"""
FED_SIZES_UM = (0.1, 0.2, 0.3, 0.5, 5.0)
FED_SOURCE = {
    "F": "an engineering reference page with the table; a laboratory handbook of 2011 for classes 100 to 100 000",
    "M": "memory",
    "M R": "memory, and the formula",
}


@pytest.mark.parametrize("line", parsed(TABLE_I), ids=lambda line: line[0])
def test_fed_std_209e(line: list[str]) -> None:
    standard = shipped().get(FED_STD_209E)
    name, english, *cells, m3_tag, ft3_tag = line
    for table, at, tag, unit in (("table-1-m3", 0, m3_tag, "per m3"), ("table-1-ft3", 1, ft3_tag, "per ft3")):
        row = standard.table(table).row(name)
        assert row is not None
        if english:
            assert standard.table(table).row(f"class {english}") is row
        for entry, size_um, text in zip(row.entries, FED_SIZES_UM, cells, strict=True):
            check(
                "FED-STD-209E, Table I",
                f"{name}, {size_um:g} um, {unit}",
                None if text == "-" else number(text.split("/")[at]),
                plain(entry),
                source=FED_SOURCE[tag],
                confirmed=CONFIRMED[tag],
            )
            assert entry.evidence == WORDS[tag]


FED_AGAINST_FORMULA = [
    # limit at 0.5 um, size, by formula, printed, unit
    (1, 0.1, 34.49, 35.0, "table-1-ft3", "M 1.5"),
    (1, 0.2, 7.507, 7.50, "table-1-ft3", "M 1.5"),
    (1, 0.3, 3.077, 3.00, "table-1-ft3", "M 1.5"),
    (1_000, 5.0, 6.31, 7.00, "table-1-ft3", "M 4.5"),
    (10, 0.1, 344.9, 350, "table-1-m3", "M 1"),
    (10, 0.2, 75.07, 75.7, "table-1-m3", "M 1"),
    (10, 0.3, 30.77, 30.9, "table-1-m3", "M 1"),
]


@pytest.mark.parametrize(("at_half", "size_um", "formula", "printed", "table", "name"), FED_AGAINST_FORMULA)
def test_fed_std_209e_prints_other_numbers_than_its_formula(
    at_half: float, size_um: float, formula: float, printed: float, table: str, name: str
) -> None:
    check(
        "FED-STD-209E, formula",
        f"{name} ({table}), {size_um:g} um",
        formula,
        fed_std_209e_limit(at_half, round(size_um * 1000)),
        source="formula of FED-STD-209E, from memory",
        confirmed="recomputed",
        rel=3e-4,
    )
    entry = shipped().get(FED_STD_209E).table(table).entry(name, round(size_um * 1000))
    assert entry.cell == printed


def test_fed_std_209e_was_cancelled() -> None:
    standard = shipped().get(FED_STD_209E)
    assert standard.status is Status.CANCELLED
    check(
        "FED-STD-209E",
        "cancelled on",
        "2001-11-29",
        standard.status_date,
        source="a regulator's questions and answers (November 2001); a comparison page (the day)",
        confirmed="found",
    )


# FDA 2004

FDA = """
100     | 5 | 3 520     | 1   | 1
1 000   | 6 | 35 200    | 7   | 3
10 000  | 7 | 352 000   | 10  | 5
100 000 | 8 | 3 520 000 | 100 | 50
"""


@pytest.mark.parametrize("line", parsed(FDA), ids=lambda line: line[0])
def test_fda_2004(line: list[str]) -> None:
    standard = shipped().get(FDA_2004)
    name, iso, particles, air, plate = line
    table = standard.table("table-1")
    assert table.row(name) is table.row(f"ISO {iso}")
    entry = table.entry(name, 500)
    digits = name.replace(" ", "")
    for what, expected, actual in (
        ("particles per m3 at 0.5 um", number(particles), entry.cell),
        ("CFU per m3 in active air", number(air), standard.fact(f"active-air-{digits}").at_most),
        ("CFU in 4 h on a settle plate", number(plate), standard.fact(f"settle-plate-{digits}").at_most),
    ):
        check(
            "FDA 2004, Table 1",
            f"class {name}, {what}",
            expected,
            actual,
            source="a public page that reproduces Table 1; two journal papers",
            confirmed="found",
        )
    assert entry.evidence == WORDS["F"]
    assert table.sizes_nm == (500,), "FDA has no limit at 5 um"
    assert [row.cell for row in rows_of(standard, name, Occupancy.AT_REST)] == [Blank.OPERATIONAL_ONLY]


def test_fda_classes_in_operation_are_eu_grades_one_step_cleaner() -> None:
    """The mapping trap: FDA ISO 7 in operation is grade B in operation, ISO 8 grade C; grade D has no number."""
    fda = shipped().get(FDA_2004).table("table-1")
    annex = shipped().get(ANNEX_1_2022).table("table-5")
    assert fda.entry("ISO 7", 500).cell == annex.entry("B", 500).cell
    assert fda.entry("ISO 8", 500).cell == annex.entry("C", 500).cell
    assert annex.entry("D", 500).cell is Blank.NOT_PREDETERMINED


# Facts

FACTS = [
    # standard, fact, at least, at most, below, unit, evidence
    (ANNEX_1_2022, "pressure-difference", 10, None, None, "Pa", "F"),
    (ANNEX_1_2022, "clean-up", None, None, 20, "min", "F"),
    (ANNEX_1_2022, "air-speed", 0.36, 0.54, None, "m/s", "F"),
    (ANNEX_1_2022, "requalification-a-b", None, 6, None, "months", "F"),
    (ANNEX_1_2022, "requalification-c-d", None, 12, None, "months", "F"),
    (ANNEX_1_2022, "sample-tube", None, 1, None, "m", "F"),
    (ANNEX_1_2022, "sample-flow", 28, None, None, "L/min", "F"),
    (ANNEX_1_2008, "pressure-difference", 10, 15, None, "Pa", "F"),
    (ANNEX_1_2008, "air-speed", 0.36, 0.54, None, "m/s", "F"),
    (ANNEX_1_2008, "clean-up", 15, 20, None, "min", "M"),
    (ANNEX_1_2008, "classification-sample", 1, None, None, "m3", "F2"),
    (FDA_2004, "pressure-difference", 10, 15, None, "Pa", "M"),
    (FDA_2004, "air-changes", 20, None, None, "1/h", "M"),
    (USP_797, "temperature", None, 20, None, "C", "F2"),
    (USP_797, "humidity", None, 60, None, "%", "F2"),
    (USP_797, "pressure-difference", 0.020, None, None, "inch water", "F2"),
    (USP_797, "air-changes-iso-7", 30, None, None, "1/h", "M"),
    (USP_797, "air-changes-iso-8", 20, None, None, "1/h", "M"),
    (USP_797, "certification", None, 6, None, "months", "M"),
    (USP_800, "containment-pressure", 0.01, 0.03, None, "inch water", "F2"),
    (USP_800, "air-changes-c-sca", 12, None, None, "1/h", "M"),
]
FACT_SOURCE = {
    ANNEX_1_2022: "PIC/S PE 009-17 Annex 1, full text",
    ANNEX_1_2008: "a public question-and-answer page that cites the text",
    FDA_2004: "memory",
    USP_797: "public pages that paraphrase the chapter, else memory",
    USP_800: "public pages that paraphrase the chapter, else memory",
}


@pytest.mark.parametrize(("standard", "fact", "at_least", "at_most", "below", "unit", "tag"), FACTS)
def test_facts(
    standard: str, fact: str, at_least: float | None, at_most: float | None, below: float | None, unit: str, tag: str
) -> None:
    found = shipped().get(standard).fact(fact)
    check(
        "Facts beside the tables",
        f"{standard}, {fact}",
        (at_least, at_most, below, unit),
        (found.at_least, found.at_most, found.below, found.unit),
        source=FACT_SOURCE[standard],
        confirmed=CONFIRMED[tag],
    )
    assert found.evidence == WORDS[tag]


def test_annex_1_gives_no_numbers_for_the_climate() -> None:
    found = shipped().get(ANNEX_1_2022).fact("climate")
    assert (found.at_least, found.at_most, found.below) == (None, None, None)
    assert "no numbers" in found.text
    assert found.clause == "9.6"


# Conversions


def test_the_cubic_foot_is_exact() -> None:
    compare = partial(check, source="definition of the international foot, 0.3048 m", confirmed="recomputed")
    compare("Conversions", "m3 in 1 ft3", Fraction(3048, 10_000) ** 3, M3_PER_FT3)
    compare("Conversions", "ft3 in 1 m3", 35.31466672, float(FT3_PER_M3), abs=5e-9)
    compare("Conversions", "100 per ft3, per m3", 3_531.47, per_m3_from_per_ft3(100), abs=0.005)


def test_exactly_100_per_cubic_foot_meets_class_100_and_fails_iso_5() -> None:
    class_100 = shipped().get(FED_STD_209E).table("table-1-ft3").entry("100", 500).cell
    assert verdict(class_100, 100) is CellVerdict.WITHIN
    assert verdict(iso_14644_1_2015(5.0)[500], 100 * FT3_PER_M3) is CellVerdict.EXCEEDS


@pytest.mark.parametrize(("inches", "pascal"), [(0.020, 4.98), (0.01, 2.49), (0.03, 7.47), (1, 249.089)])
def test_inches_of_water(inches: float, pascal: float) -> None:
    check(
        "Conversions",
        f"{inches:g} inch water, Pa",
        pascal,
        pa_from_inch_water(inches),
        source="1 inch of water at 4 C = 249.089 Pa",
        confirmed="recomputed",
        abs=0.005,
    )


@pytest.mark.parametrize(("pascal", "inches"), [(10, 0.0401), (12.5, 0.0502), (15, 0.0602), (5, 0.0201), (20, 0.0803)])
def test_pascal_in_inches_of_water(pascal: float, inches: float) -> None:
    check(
        "Conversions",
        f"{pascal:g} Pa, inch water",
        inches,
        inch_water_from_pa(pascal),
        source="1 inch of water at 4 C = 249.089 Pa",
        confirmed="recomputed",
        abs=5e-5,
    )


def test_conversions_of_arrays_are_those_of_numbers() -> None:
    values = np.array([0.0, 1.0, 99.7, 3_520.0])
    assert per_ft3_from_per_m3(values).tolist() == [per_ft3_from_per_m3(float(value)) for value in values]
    assert per_m3_from_per_ft3(values).tolist() == [per_m3_from_per_ft3(float(value)) for value in values]


# Editions against each other, and designations


def test_what_changed_from_2008_to_2022() -> None:
    older, newer = shipped().get(ANNEX_1_2008), shipped().get(ANNEX_1_2022)
    rest = Occupancy.AT_REST
    monitoring = newer.where("A", Use.MONITORING)[0]
    assert older.table("table").entry("A", 5000).cell == 20
    assert monitoring.entry("A", 5000).cell == 29
    assert (older.table("table").entry("B", 5000).cell, monitoring.entry("B", 5000).cell) == (2_900, 2_930)
    assert (older.table("table").entry("C", 5000).cell, monitoring.entry("C", 5000).cell) == (29_000, 29_300)
    assert older.table("table").entry("B", 5000, rest).cell == 29
    assert newer.table("table-1").entry("B", 5000, rest).cell is Blank.NOT_SPECIFIED
    assert older.status is Status.SUPERSEDED
    check(
        "EU GMP Annex 1 (2022)",
        "in force since",
        "2023-08-25",
        newer.status_date,
        source="PIC/S PS/INF 26/2022 (Rev. 1)",
        confirmed="found",
    )


def test_macroparticle_descriptor() -> None:
    check(
        "ISO 14644-1, designations",
        "macroparticles beside ISO 5",
        "ISO M (29; >=5 um); LSAPC",
        str(Macroparticles(29)),
        source="a secondary page for the three fields; the example from memory",
        confirmed="found secondary",
    )
    assert Macroparticles.parse("ISO M (29; ≥5 µm); LSAPC") == Macroparticles(29)


def test_designation_of_a_class() -> None:
    designation = Designation("5", (Occupancy.AT_REST,), (500, 1000))
    check(
        "ISO 14644-1, designations",
        "class; occupancy state; considered sizes",
        "ISO Class 5; at-rest; 0.5 um, 1 um",
        str(designation),
        source="titles of clauses 4.1 and 4.4 of ISO 14644-1:2015; the format from memory",
        confirmed="from memory",
    )
