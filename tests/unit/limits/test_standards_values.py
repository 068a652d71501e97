"""Units, formulas and designations at their edges; published figures are in tests/reference."""

from __future__ import annotations

import numpy as np
import pytest

from motewatch.limits.errors import DesignationError, OutOfRangeError
from motewatch.limits.standards.designation import Designation, Macroparticles
from motewatch.limits.standards.formula import class_limit, class_number, fed_std_209e_limit, rounded
from motewatch.limits.standards.model import Unit, whole_per_m3
from motewatch.limits.standards.units import per_ft3_from_per_m3, per_m3_from_per_ft3
from motewatch.limits.standards.verdict import CellVerdict, exceeding, verdict_of_counts
from motewatch.site.models import Occupancy

NAN, INF = float("nan"), float("inf")


@pytest.mark.parametrize("value", [-1.0, NAN, INF])
def test_no_such_concentration(value: float) -> None:
    for function in (per_m3_from_per_ft3, per_ft3_from_per_m3, rounded):
        with pytest.raises(OutOfRangeError, match=str(value)):
            function(value)
    with pytest.raises(OutOfRangeError, match=str(value)):
        per_m3_from_per_ft3(np.array([1.0, value]))
    with pytest.raises(OutOfRangeError, match=str(value)):
        exceeding(29, np.array([1.0, value]))
    with pytest.raises(OutOfRangeError):
        fed_std_209e_limit(value, 500)
    with pytest.raises(OutOfRangeError):
        whole_per_m3(value, Unit.PER_M3)


@pytest.mark.parametrize("value", [0.0, -3.0, NAN, INF])
def test_no_class_number_of(value: float) -> None:
    with pytest.raises(OutOfRangeError, match="concentration ="):
        class_number(value, 500)


@pytest.mark.parametrize("size_nm", [0, -100, 99, 5_001, 10_000])
def test_sizes_outside_the_standard(size_nm: int) -> None:
    """10 um by formula would be extrapolation, not a standard's limit."""
    for call in (
        lambda: class_limit(5, size_nm),
        lambda: class_number(10, size_nm),
        lambda: fed_std_209e_limit(1, size_nm),
    ):
        with pytest.raises(OutOfRangeError, match=f"size_nm = {size_nm}: give a size from 100 to 5000 nm"):
            call()


@pytest.mark.parametrize("number", [-0.1, 21, NAN])
def test_class_numbers_outside_the_range(number: float) -> None:
    with pytest.raises(OutOfRangeError, match="class number"):
        class_limit(number, 500)


@pytest.mark.parametrize(
    ("cell", "unit", "expected"),
    [(3_520, Unit.PER_M3, 3_520), (75.7, Unit.PER_M3, 75), (100, Unit.PER_FT3, 3_531), (0.283, Unit.PER_FT3, 9)],
)
def test_whole_limits_are_never_laxer(cell: float, unit: Unit, expected: int) -> None:
    assert whole_per_m3(cell, unit) == expected


def test_counts_against_a_cell_without_rounding() -> None:
    """176 in 50 L are 3 520 per m3: equal passes, one more does not."""
    assert verdict_of_counts(3_520, 176, 50_000_000) is CellVerdict.WITHIN
    assert verdict_of_counts(3_520, 177, 50_000_000) is CellVerdict.EXCEEDS
    with pytest.raises(OutOfRangeError, match="count = -1"):
        verdict_of_counts(29, -1, 1)
    with pytest.raises(OutOfRangeError, match="volume_ul = 0"):
        verdict_of_counts(29, 0, 0)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("ISO M (29; >=5 um); LSAPC", Macroparticles(29)),
        ("iso m (1 000; ≥ 20 μm): microscopy", Macroparticles(1000, 20_000, None, "microscopy")),
        (
            "ISO M (2.5; 10 um to 20 um); cascade impactor",
            Macroparticles(2.5, 10_000, 20_000, "cascade impactor"),
        ),
    ],
)
def test_macroparticles_are_read(text: str, expected: Macroparticles) -> None:
    assert Macroparticles.parse(text) == expected
    assert Macroparticles.parse(str(expected)) == expected


@pytest.mark.parametrize(
    "text", ["", "ISO 5", "ISO M (29; >=5 um)", "ISO M (-1; >=5 um); LSAPC", "ISO M (; >=5 um); x"]
)
def test_no_macroparticle_descriptor(text: str) -> None:
    with pytest.raises(DesignationError, match="write it as ISO M"):
        Macroparticles.parse(text)


def test_macroparticles_begin_at_5_um() -> None:
    """One public page says 0.5 um: wrong."""
    with pytest.raises(OutOfRangeError, match="larger than 5 um"):
        Macroparticles.parse("ISO M (29; >=0.5 um); LSAPC")
    with pytest.raises(OutOfRangeError, match="upper_nm"):
        Macroparticles(1, 20_000, 10_000)
    with pytest.raises(OutOfRangeError, match="limit_per_m3 = nan"):
        Macroparticles(NAN)
    with pytest.raises(OutOfRangeError, match="measuring method"):
        Macroparticles(29, method=" ")


def test_designations_are_read() -> None:
    wanted = Designation("5.5", (Occupancy.AS_BUILT, Occupancy.AT_REST), (200, 500))
    assert str(wanted) == "ISO Class 5.5; as-built, at-rest; 0.2 um, 0.5 um"
    assert Designation.parse(str(wanted)) == wanted
    assert Designation.parse("ISO 5.5; As-built, at rest; ≥0.2 µm, 0.5 µm") == wanted


@pytest.mark.parametrize(
    "text", ["", "ISO 5", "ISO Class 5; asleep; 0.5 um", "ISO Class 5; at-rest; half", "Class 5; at-rest; 0.5 um"]
)
def test_no_designation(text: str) -> None:
    with pytest.raises(DesignationError, match="write it as ISO Class 5; at-rest"):
        Designation.parse(text)


def test_designations_need_a_state_and_classification_sizes() -> None:
    with pytest.raises(OutOfRangeError, match="occupancy state"):
        Designation("5", (), (500,))
    with pytest.raises(OutOfRangeError, match="rising"):
        Designation("5", (Occupancy.AT_REST,), (500, 300))
    with pytest.raises(OutOfRangeError, match="sizes_nm = 10000"):
        Designation("5", (Occupancy.AT_REST,), (500, 10_000))
