"""What holds for every cell of every standard: three answers, blanks decide nothing, conversions there and back."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.limits.standards.formula import class_limit_unrounded, class_number
from motewatch.limits.standards.library import shipped
from motewatch.limits.standards.model import Blank, Cell, entries_in, whole_per_m3
from motewatch.limits.standards.units import per_ft3_from_per_m3, per_m3_from_per_ft3
from motewatch.limits.standards.verdict import CellVerdict, exceeding, verdict
from motewatch.limits.tables import Limit, limits_for
from motewatch.site.models import Occupancy, OwnClass

CELLS = [
    (table.unit, entry.cell)
    for standard in shipped()
    for table in standard.tables
    for row in table.rows
    for state in Occupancy
    for entry in entries_in(row, state)
]
BLANKS = [*Blank]
NUMBERS = sorted({cell for _, cell in CELLS if not isinstance(cell, Blank)})
concentrations = st.floats(min_value=0, max_value=1e12, allow_nan=False) | st.integers(0, 10**12)


@given(st.sampled_from(BLANKS), concentrations)
def test_a_blank_cell_never_passes_or_fails(blank: Blank, concentration: float) -> None:
    assert verdict(blank, concentration) is CellVerdict.NOT_APPLICABLE
    assert exceeding(blank, np.array([concentration])) is None


@given(st.sampled_from(NUMBERS), concentrations, concentrations)
def test_more_particles_never_make_it_better(cell: Cell, first: float, second: float) -> None:
    low, high = sorted((first, second))
    assert not (verdict(cell, low) is CellVerdict.EXCEEDS and verdict(cell, high) is CellVerdict.WITHIN)


@given(st.sampled_from(NUMBERS), st.lists(concentrations.map(float), min_size=1))
def test_arrays_are_judged_as_numbers_are(cell: Cell, many: list[float]) -> None:
    found = exceeding(cell, np.array(many))
    assert found is not None
    assert found.tolist() == [verdict(cell, one) is CellVerdict.EXCEEDS for one in many]


@pytest.mark.parametrize("cell", NUMBERS)
def test_equal_passes_and_any_more_exceeds(cell: float) -> None:
    exact = Fraction(cell)
    assert verdict(cell, exact) is CellVerdict.WITHIN
    assert verdict(cell, exact + Fraction(1, 10**9)) is CellVerdict.EXCEEDS


@given(st.floats(min_value=0, max_value=1e12, allow_nan=False, allow_subnormal=False))
def test_units_there_and_back(value: float) -> None:
    assert per_ft3_from_per_m3(per_m3_from_per_ft3(value)) == pytest.approx(value, rel=1e-14)
    assert per_m3_from_per_ft3(per_ft3_from_per_m3(value)) == pytest.approx(value, rel=1e-14)


@given(st.floats(min_value=0.1, max_value=9), st.integers(100, 5_000))
def test_class_number_there_and_back(number: float, size_nm: int) -> None:
    assert class_number(class_limit_unrounded(number, size_nm), size_nm) == pytest.approx(number, abs=1e-9)


@pytest.mark.parametrize("standard", shipped().ids)
@pytest.mark.parametrize("state", list(Occupancy))
def test_limits_are_the_numbers_of_the_cells_and_nothing_else(standard: str, state: Occupancy) -> None:
    held = shipped().get(standard)
    for name in held.class_names():
        table, row = held.where(name)
        limits = limits_for(None, None, state, OwnClass.model_validate({"standard": standard, "class": name}))
        expected = {
            entry.size_nm: whole_per_m3(entry.cell, table.unit)
            for entry in entries_in(row, state)
            if not isinstance(entry.cell, Blank)
        }
        assert {limit.size_nm: limit.per_m3 for limit in limits} == expected
        assert all(isinstance(limit, Limit) and held.name in limit.source for limit in limits)
