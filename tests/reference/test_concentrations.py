"""Concentrations of constructed samples (not from any publication), judged against ISO 14644-1:2015 class 5.

Limits are cumulative (Table 1, note a): judged by differential counts, the sample below would pass at 0.3 um.
"""

from __future__ import annotations

import pytest

from motewatch.limits.judging import Verdict, judge, observe
from motewatch.limits.tables import limits_for
from motewatch.measure.samples import Channel, Quality, Sample
from motewatch.site.models import Occupancy, PerSample

SIZES_NM = (300, 500, 1000, 5000)
CUMULATIVE = (412, 137, 29, 2)
DIFFERENTIAL = (275, 108, 27, 2)


def sample(counts: tuple[int, ...], volume_ul: int = 28_300_000) -> Sample:
    channels = tuple(Channel(size, count, volume_ul) for size, count in zip(SIZES_NM, counts, strict=True))
    return Sample("fill-1", 0, 60_000_000, 1, channels, 60_000_000, 1, ("c1",), Quality.GOOD, "operational")


@pytest.mark.parametrize(
    ("counts", "volume_ul", "expected"),
    [
        (CUMULATIVE, 28_300_000, (14_558.3, 4_841.0, 1_024.7, 70.7)),
        (CUMULATIVE, 28_316_847, (14_549.6, 4_838.1, 1_024.1, 70.6)),
        (DIFFERENTIAL, 28_300_000, (9_717.3, 3_816.3, 954.1, 70.7)),
    ],
)
def test_per_cubic_metre(counts: tuple[int, ...], volume_ul: int, expected: tuple[float, ...]) -> None:
    found = [channel.per_m3 for channel in sample(counts, volume_ul).channels]
    assert found == [pytest.approx(value, abs=0.051) for value in expected]


def verdicts(counts: tuple[int, ...]) -> dict[int, Verdict]:
    limits = limits_for(None, 5.0, Occupancy.OPERATIONAL)
    rule = PerSample(kind="per-sample")
    taken = sample(counts)
    return {
        limit.size_nm: judge(rule, [observe(taken, limit.size_nm)], limit.per_m3).verdict
        for limit in limits
        if taken.channel(limit.size_nm)
    }


def test_class_5_is_exceeded_at_three_sizes() -> None:
    """At 5 um class 5 has no limit, so there is no verdict."""
    assert verdicts(CUMULATIVE) == {300: Verdict.EXCEEDS, 500: Verdict.EXCEEDS, 1000: Verdict.EXCEEDS}


def test_differential_counts_would_pass_wrongly() -> None:
    assert verdicts(DIFFERENTIAL)[300] is Verdict.WITHIN


@pytest.mark.parametrize(("count", "per_m3"), [(57, 2_014.13), (3, 106.01)])
def test_other_identities(count: int, per_m3: float) -> None:
    assert Channel(500, count, 28_300_000).per_m3 == pytest.approx(per_m3, abs=0.0051)


def test_per_cubic_foot() -> None:
    """One cubic foot is 28.316846592 litres by definition: the count in it is the concentration per cubic foot."""
    assert Channel(500, 137, 28_316_847).per_ft3 == pytest.approx(137, rel=1e-7)
    assert Channel(500, 137, 0).per_ft3 is None
