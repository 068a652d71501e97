"""Size laws against published and worked values."""

from __future__ import annotations

import pytest

from motewatch_simulator.spectra import (
    CLEANROOM_GARMENTS,
    INDOOR_CLOTHING,
    OUTDOOR_SHAPE,
    bin_middles_um,
    power_law,
)


def test_a_power_law_gives_the_worked_bins() -> None:
    # 3,520 /m3 at 0.5 um with the slope 2.08 of ISO 14644-1.
    bins = power_law(3_520, 0.5, 2.08).bins((0.3, 0.5, 1.0, 5.0, 10.0))
    assert bins[:4] == pytest.approx([6_666, 2_688, 803, 22.4], rel=3e-3)
    assert bins.sum() == pytest.approx(3_520 * (0.5 / 0.3) ** 2.08)


def test_people_shed_what_was_published() -> None:
    # Whyte and Hejab, 2007, abstract: per minute and person.
    assert CLEANROOM_GARMENTS.cumulative((0.5, 5.0)) * 60 == pytest.approx([1_020_000, 37_300])
    assert INDOOR_CLOTHING.cumulative((0.5, 5.0)) * 60 == pytest.approx([2_130_000, 332_000])
    at_1 = CLEANROOM_GARMENTS.cumulative((1.0,))[0] * 60
    assert at_1 == pytest.approx(1_020_000 * 0.5**1.437, rel=1e-3)


def test_outdoor_air_falls_steeply_with_size() -> None:
    above = OUTDOOR_SHAPE.cumulative((0.3, 0.5, 1.0, 5.0))
    assert above[1] == pytest.approx(1.0)
    assert above[0] == pytest.approx(6.4, rel=0.01)
    assert above[3] < 1e-3, "below a thousandth at 5 um is the mark of outdoor air and filter leaks"


def test_bins_are_represented_by_their_geometric_middle() -> None:
    assert bin_middles_um((0.5, 2.0, 5.0)) == pytest.approx((1.0, 10**0.5, 5.0))
