"""Which limits are used, what a blank cell says, and how rows read; every cell's value is in tests/reference."""

from __future__ import annotations

import pytest

from motewatch.limits.tables import (
    Blank,
    Limit,
    LimitsError,
    UnknownClassError,
    UnknownGradeError,
    Use,
    annex1_2008,
    annex1_2022,
    class_of,
    iso_14644_1_2015,
    limits_for,
    rows,
)
from motewatch.site.models import Occupancy

REST, WORK, BUILT = Occupancy.AT_REST, Occupancy.OPERATIONAL, Occupancy.AS_BUILT


def test_monitoring_limits_of_grade_a() -> None:
    source = "EU GMP Annex 1 (2022), Table 5 (9.15), grade A, operational"
    assert limits_for("A", None, WORK) == (Limit(500, 3_520, source), Limit(5000, 29, source))


def test_blank_cells_are_no_limits() -> None:
    """Neither zero nor infinity: class 5 has no limit at 5 um, grade D none in operation."""
    assert [limit.size_nm for limit in limits_for(None, 5.0, WORK)] == [100, 200, 300, 500, 1000]
    assert [limit.size_nm for limit in limits_for(None, 7.0, WORK)] == [500, 1000, 5000]
    assert limits_for("D", None, WORK) == ()
    assert [limit.per_m3 for limit in limits_for("D", None, REST)] == [3_520_000, 29_300]


def test_no_grade_and_no_class_is_no_limit() -> None:
    assert limits_for(None, None, WORK) == ()


def test_class_9_is_for_operation_only() -> None:
    assert [limit.per_m3 for limit in limits_for(None, 9.0, WORK)] == [35_200_000, 8_320_000, 293_000]
    assert limits_for(None, 9.0, REST) == ()
    assert limits_for(None, 8.5, BUILT) == ()
    assert {row.cell for row in rows(iso_class=9, occupancy=REST)} == {Blank.OPERATIONAL_ONLY}


def test_iso_classes_hold_in_every_other_state() -> None:
    assert limits_for(None, 8.0, REST) == limits_for(None, 8.0, WORK) == limits_for(None, 8.0, BUILT)


def test_as_built_is_judged_as_at_rest() -> None:
    assert limits_for("B", None, BUILT) == limits_for("B", None, REST)
    assert limits_for("B", None, BUILT) != limits_for("B", None, WORK)
    assert [row.note for row in rows(grade="B", occupancy=BUILT)] != ["", ""]
    assert [row.note for row in rows(grade="B", occupancy=REST)] == ["", ""]


def test_rows_of_a_class() -> None:
    found = rows(iso_class=5.0)
    assert [(row.size_nm, row.word) for row in found] == [
        (100, "100 000"),
        (200, "23 700"),
        (300, "10 200"),
        (500, "3 520"),
        (1000, "832"),
        (5000, "M descriptor"),
    ]
    assert found[-1].per_m3 is None
    assert "M descriptor" in found[-1].reason
    assert found[0].reason == ""
    assert {row.source for row in found} == {"ISO 14644-1:2015, Table 1, class 5"}
    assert rows(iso_class=5.5)[0].source == "ISO 14644-1:2015, Table E.1 (Annex E), class 5.5"


def test_large_volumes_are_noted() -> None:
    assert [row.size_nm for row in rows(iso_class=2) if "sequential sampling" in row.note] == [200, 300]
    assert [row.size_nm for row in rows(iso_class=5) if row.note] == []


def test_the_two_uses_of_annex_1_differ() -> None:
    classification = rows(grade="A", use=Use.CLASSIFICATION)
    monitoring = rows(grade="A", use=Use.MONITORING)
    assert classification[1].cell is Blank.NOT_SPECIFIED
    assert monitoring[1].cell == 29
    assert "Table 1 (4.27)" in classification[1].source
    assert "Table 5 (9.15)" in monitoring[1].source


def test_not_specified_is_not_not_predetermined() -> None:
    left_out = annex1_2022("B", REST, Use.CLASSIFICATION)[5000]
    to_be_set = annex1_2022("D", WORK, Use.CLASSIFICATION)[5000]
    assert left_out is Blank.NOT_SPECIFIED
    assert to_be_set is Blank.NOT_PREDETERMINED
    assert annex1_2008("D", WORK)[5000] is Blank.NOT_DEFINED


def test_every_blank_says_why() -> None:
    assert len({blank.word for blank in Blank}) == len({blank.reason for blank in Blank}) == len(Blank) == 9


def test_rows_for_json() -> None:
    found = rows(grade="D", occupancy=WORK)
    assert found[0].to_plain() == {
        "size_um": 0.5,
        "limit": None,
        "unit": "per-m3",
        "limit_per_m3": None,
        "blank": "not predetermined",
        "letter": "a",
        "reason": "The site sets its own limit from its risk assessment and routine data (EU GMP Annex 1, 2022, "
        "Table 5, note a).",
        "note": None,
        "source": "EU GMP Annex 1 (2022), Table 5 (9.15), grade D, operational",
        "confirmed": ["found"],
    }
    assert rows(grade="C", occupancy=WORK)[1].to_plain()["limit_per_m3"] == 29_300


@pytest.mark.parametrize(
    ("text", "expected"), [("ISO 5", 5.0), ("iso 5.5", 5.5), ("5", 5.0), (" ISO class 9 ", 9.0), ("ISO6", 6.0)]
)
def test_classes_as_people_write_them(text: str, expected: float) -> None:
    assert class_of(text) == expected


@pytest.mark.parametrize("text", ["ISO 0", "ISO 9.5", "5.2", "0.5", "nan", "inf", "grade A", "", "100"])
def test_no_such_class(text: str) -> None:
    with pytest.raises(UnknownClassError, match="give 1 to 9, or a half class"):
        class_of(text)


def test_refusals() -> None:
    with pytest.raises(UnknownClassError, match=r"ISO class '4\.2' is in no table"):
        iso_14644_1_2015(4.2)
    with pytest.raises(UnknownGradeError, match="grade 'E' is in no table: give one of A, B, C, D"):
        annex1_2022("E", REST, Use.MONITORING)
    with pytest.raises(LimitsError, match="one of grade and iso_class"):
        rows()
    with pytest.raises(LimitsError, match="one of grade and iso_class"):
        rows(grade="A", iso_class=5.0)
