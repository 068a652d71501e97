"""A study's simple sums against the worked figures of the reference material on air supply and design."""

from __future__ import annotations

import pytest

from motewatch_simulator.spectra import CLEANROOM_GARMENTS
from motewatch_simulator.study.class_held import exceeded, simple_supply_m3_s
from support.checks import check

SECTION = "Studies: class held and air supply"


@pytest.mark.parametrize(("spread", "printed"), [(0.5, 0.0080), (0.8, 0.066)])
def test_how_often_a_lognormal_concentration_is_above_its_limit(spread: float, printed: float) -> None:
    what = f"median at 0.3 of the limit, sd of ln {spread:g}: share of the time above"
    found = exceeded(0.3, spread)
    check(SECTION, what, printed, found, source="normal tail", confirmed="recomputed", abs=0.00051)


ROWS = [
    (5.0, 0.5, 3520, "644"), (6.0, 0.5, 35_200, "64"), (7.0, 0.5, 352_000, "6.4"), (8.0, 0.5, 3_520_000, "0.6"),
    (7.0, 5.0, 2930, "28"), (8.0, 5.0, 29_300, "2.8"),
]  # fmt: skip


@pytest.mark.parametrize(("iso", "size_um", "limit", "printed"), ROWS)
def test_air_changes_for_one_busy_person_on_ten_square_metres(
    iso: float, size_um: float, limit: int, printed: str
) -> None:
    """2.7 m high, perfect mixing, no margin."""
    source = float(CLEANROOM_GARMENTS.cumulative([size_um])[0])
    per_h = simple_supply_m3_s(source, limit, 1.0, 1.0) * 3600 / 27.0
    digit = 0.501 * 10.0 ** -len(printed.partition(".")[2])
    what = f"ISO {iso:g} by {size_um:g} um, air changes per hour"
    source_text = "Q = G / (eps C), source of Whyte and Hejab (2007)"
    check(
        SECTION, what, float(printed), per_h, source=source_text, confirmed="recomputed", abs=max(digit, 0.006 * per_h)
    )
