"""Limits through the whole engine: from a reading's counts to the alarm, at the very edge of each limit.

The table of smallest counts that exceed is recomputed arithmetic (limit times volume, whole counts); its limits are
those of EU GMP Annex 1 (2022), table 5 (20 is that of the 2008 edition and of classification, 5 um, grade A).
"""

from __future__ import annotations

import pytest
from scipy import stats

from motewatch.alarms.lifecycle import Event
from support.air import Air
from support.checks import check

SECTION = "Smallest count that raises an alarm in one sample, through the engine"
SOURCE = "count * 1e9 > limit * microlitres"
LITRES = (2.83, 28.3, 28.3168, 50, 100, 1000)
SMALLEST = {
    20: (1, 1, 1, 2, 3, 21),
    29: (1, 1, 1, 2, 3, 30),
    2_930: (9, 83, 83, 147, 294, 2_931),
    3_520: (10, 100, 100, 177, 353, 3_521),
    29_300: (83, 830, 830, 1_466, 2_931, 29_301),
    352_000: (997, 9_962, 9_968, 17_601, 35_201, 352_001),
}


@pytest.mark.parametrize("limit", SMALLEST)
def test_smallest_exceeding_counts(limit: int) -> None:
    for litres, printed in zip(LITRES, SMALLEST[limit], strict=True):
        air = Air(limit_per_m3=limit, sizes_um=(0.5,), volume_ul=round(litres * 1_000_000))
        found = next(n for n in range(max(0, printed - 3), printed + 3) if air.take(n) is Event.STARTS)
        check(SECTION, f"{limit} per m3, {litres} L", printed, found, source=SOURCE, confirmed="recomputed")
        assert air.take(printed - 1) is Event.RETURNS


def test_grade_a_in_one_minute_of_28_3_litres() -> None:
    """EU GMP Annex 1 (2022): 3 520 per m3 at 0.5 um in operation. 99 counts are 3 498 and pass, 100 are 3 534."""
    air = Air(grade="A")
    assert air.take(99, 0) is None
    assert air.take(100, 0) is Event.STARTS
    assert air.last is not None
    assert air.last.value == pytest.approx(3_533.6, abs=0.05)
    assert (air.last.limit, air.last.unit) == (3_520, "/m3")
    assert "EU GMP" in air.last.text
    assert air.take(99, 0) is Event.RETURNS
    assert air.last.value == pytest.approx(3_498.2, abs=0.05)


def test_grade_a_every_single_large_particle_is_an_alarm() -> None:
    """29 per m3 at 5 um: one count in 28.3 litres is 35.3."""
    air = Air(grade="A", size_um=5.0)
    assert air.take(1, 0) is None
    assert air.take(1, 1) is Event.STARTS
    assert air.last is not None
    assert air.last.value == pytest.approx(35.3, abs=0.05)


def test_a_count_that_is_exactly_the_limit_passes() -> None:
    """176 in 50 litres are 3 520.0 per m3: equal is not above."""
    air = Air(grade="A", volume_ul=50_000_000)
    assert air.take(176, 0) is None
    assert air.take(177, 0) is Event.STARTS
    assert air.last is not None
    assert air.last.value == 3_540.0
    assert air.take(176, 0) is Event.RETURNS
    assert air.last.value == 3_520.0


@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
@pytest.mark.parametrize(("limit", "litres"), [(3_520, 28.3), (29, 28.3), (29, 1000), (352_000, 28.3168)])
def test_exceeds_with_confidence(limit: int, litres: float, confidence: float) -> None:
    """Garwood's exact one-sided lower bound, chi2(1 - p; 2k) / 2, lies above the limit: SciPy finds the count."""
    at_limit = limit * litres / 1000
    smallest = next(k for k in range(1, 20_000) if stats.chi2.ppf(1 - confidence, 2 * k) / 2 > at_limit)
    rule = {"kind": "confidence", "confidence_pct": 100 * confidence}
    air = Air(limit_per_m3=limit, rule=rule, sizes_um=(0.5,), volume_ul=round(litres * 1_000_000))
    assert [air.take(smallest - 1), air.take(smallest), air.take(smallest - 1)] == [None, Event.STARTS, Event.RETURNS]
    assert smallest > at_limit


def test_at_29_per_cubic_metre_three_counts_are_just_not_enough_for_95_percent() -> None:
    """P(3 or more | 0.8207) is 0.0504: an alarm at three would be one rounding away."""
    assert stats.poisson.sf(2, 29 * 0.0283) == pytest.approx(0.0504, abs=5e-5)
    air = Air(grade="A", size_um=5.0, rule={"kind": "confidence", "confidence_pct": 95.0})
    assert [air.take(n, n) for n in (1, 2, 3, 4)] == [None, None, None, Event.STARTS]
