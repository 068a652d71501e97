"""Tubes let less through the longer, thinner and more bent they are, and never more than everything."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch_simulator.tubes import Tube, laminar_settling, penetration

SIZES = st.floats(0.1, 25.0)
TUBES = st.builds(Tube, st.floats(0.05, 50.0), st.floats(0.003, 0.03), st.integers(0, 6), st.floats(0.0, 90.0))
FLOWS = st.floats(0.1, 150.0)


@given(size=SIZES, tube=TUBES, flow=FLOWS)
def test_a_share_passes(size: float, tube: Tube, flow: float) -> None:
    assert 0.0 <= penetration(size, tube, flow) <= 1.0


@given(size=SIZES, tube=TUBES, flow=FLOWS, longer=st.floats(1.0, 5.0))
def test_a_longer_tube_or_another_bend_lets_less_through(size: float, tube: Tube, flow: float, longer: float) -> None:
    here = penetration(size, tube, flow)
    long = Tube(tube.length_m * longer, tube.diameter_m, tube.bends, tube.incline_deg)
    bent = Tube(tube.length_m, tube.diameter_m, tube.bends + 1, tube.incline_deg)
    assert penetration(size, long, flow) <= here + 1e-12
    assert penetration(size, bent, flow) <= here + 1e-12


def test_a_standing_tube_does_not_settle() -> None:
    lying, standing = Tube(2.0, 0.00635), Tube(2.0, 0.00635, incline_deg=90.0)
    assert penetration(10.0, lying, 2.83) < 0.4
    assert penetration(10.0, standing, 2.83) > 0.99


def test_what_falls_further_than_the_tube_is_wide_is_gone() -> None:
    assert laminar_settling(0.0) == 1.0
    assert laminar_settling(4 / 3) == 0.0
    assert laminar_settling(2.0) == 0.0


def test_the_air_in_a_tube() -> None:
    assert Tube(10.0, 0.01).volume_m3 == pytest.approx(7.854e-4, rel=1e-3)
    # 10 m of 10 mm at 28.3 L/min: the air needs 1.7 s.
    assert 10.0 / Tube(10.0, 0.01).velocity_m_s(28.3) == pytest.approx(1.67, abs=0.01)
