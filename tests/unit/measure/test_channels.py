"""Channels held against each other: what is refused, slopes, hints, and arrays against scalars."""

from __future__ import annotations

import math

import numpy as np
import pytest

from motewatch.measure.channels import (
    BAND_ENDS,
    SlopeMark,
    Source,
    checked_counts,
    slope_array,
    slopes,
    source_hint,
    source_hint_array,
)
from motewatch.measure.errors import BadInputError

SIZES = (300, 500, 1000, 5000)


@pytest.mark.parametrize(
    ("sizes", "counts", "named"),
    [
        ((300, 500), (120, 130), "count at 0.5 um = 130: give at most 120, the cumulative count at 0.3 um"),
        ((300, 500), (120, -1), "count at 0.5 um = -1"),
        ((300, 500), (120, 1.5), "count at 0.5 um = 1.5"),
        ((300, 500), (math.nan, 1), "count at 0.3 um = nan"),
        ((500, 300), (12, 1), "size_nm = 300"),
        ((0, 300), (12, 1), "size_nm = 0"),
        ((300, 500), (12,), "one count for each of the 2 sizes"),
    ],
)
def test_impossible_channels_are_refused_by_value(sizes: tuple[int, ...], counts: tuple[int, ...], named: str) -> None:
    with pytest.raises(BadInputError, match=named):
        checked_counts(sizes, counts)
    with pytest.raises(BadInputError):
        slopes(sizes, counts)


def test_arrays_refuse_the_same() -> None:
    with pytest.raises(BadInputError, match=r"count at 0.5 um = 130"):
        slope_array((300, 500), [[10, 5], [120, 130]])
    with pytest.raises(BadInputError, match="whole numbers"):
        slope_array((300, 500), [[10.0, 5.0]])
    with pytest.raises(BadInputError, match="rows of 2 counts"):
        slope_array((300, 500), [10, 5])
    with pytest.raises(BadInputError, match="size_nm = 300"):
        slope_array((500, 300), [[10, 5]])
    with pytest.raises(BadInputError, match=r"count at 5 um = 6"):
        source_hint_array([10, 5], [1, 6])


@pytest.mark.parametrize(
    ("counts", "mark"),
    [
        ((100_000, 23_651), SlopeMark.PLAUSIBLE),
        ((100_000, 99_000), SlopeMark.TOO_FLAT),
        ((100_000, 200), SlopeMark.TOO_STEEP),
        ((100_000, 0), SlopeMark.TOO_STEEP),
        ((100, 19), SlopeMark.TOO_FEW),
        ((10, 0), SlopeMark.TOO_FEW),
        ((0, 0), SlopeMark.TOO_FEW),
        ((19, 19), SlopeMark.TOO_FEW),
    ],
)
def test_slope_marks(counts: tuple[int, int], mark: SlopeMark) -> None:
    (found,) = slopes((100, 200), counts)
    assert found.mark is mark
    assert (found.exponent is None) == (counts[1] == 0)


def test_hints_want_enough_counts() -> None:
    assert source_hint(10_000, 370).source is Source.GOWNED
    assert source_hint(27, 1).source is Source.UNDECIDED
    assert source_hint(0, 0).source is Source.UNDECIDED
    assert source_hint(100_000, 10).source is Source.OUTDOOR_OR_FILTER
    assert source_hint(1_000, 0).source is Source.UNDECIDED
    assert source_hint(10_000, 83).source is Source.BACKGROUND
    assert source_hint(1_000, 156).source is Source.UNGOWNED


def test_a_greater_ratio_never_hints_at_a_smaller_source() -> None:
    order = list(Source)
    places = [order.index(source_hint(1_000_000, count).source) for count in range(0, 1_000_000, 997)]
    decided = [place for place in places if order[place] is not Source.UNDECIDED]
    assert decided == sorted(decided)
    assert set(decided) == {0, 1, 2, 3}
    assert list(BAND_ENDS) == sorted(BAND_ENDS)


def test_arrays_equal_scalars() -> None:
    draw = np.random.default_rng(8)
    steps = draw.poisson(draw.uniform(0, 60, size=(400, 4)) * (draw.random((400, 4)) < 0.8))
    table = steps[:, ::-1].cumsum(axis=1)[:, ::-1]
    found = slope_array(SIZES, table)
    order = list(Source)
    small = table[:, 1] * draw.integers(1, 200, 400)
    hints = source_hint_array(small, table[:, 3])
    for row, counts in enumerate(table.tolist()):
        expected = [math.nan if slope.exponent is None else slope.exponent for slope in slopes(SIZES, counts)]
        np.testing.assert_allclose(found[row], expected, rtol=1e-12, atol=1e-15)
        assert order[hints[row]] is source_hint(int(small[row]), counts[3]).source, counts
    assert len(set(hints.tolist())) >= 4
