"""Percentiles by named methods, against NIST/SEMATECH e-Handbook 7.2.6.2; tolerance limits against arithmetic."""

from __future__ import annotations

import pytest

from motewatch.measure.percentiles import (
    PercentileMethod,
    percentile,
    percentiles,
    samples_for_tolerance,
    tolerance_rank,
)
from support.checks import check

DATA = [
    95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682,
]  # fmt: skip
SECTION = "Percentiles: the 90th of twelve values"


@pytest.mark.parametrize(
    ("method", "printed", "confirmed"),
    [("R1", 95.1959, "recomputed"), ("R6", 95.1981, "found"), ("R7", 95.1957, "found"), ("R8", 95.1972, "found")],
)
def test_ninetieth(method: str, printed: float, confirmed: str) -> None:
    source = "NIST/SEMATECH e-Handbook 7.2.6.2"
    confirmed = confirmed if confirmed == "recomputed" else f"{confirmed}, recomputed"
    found = percentile(DATA, 90, PercentileMethod(method))
    check(SECTION, f"method {method}", printed, found, source=source, confirmed=confirmed, abs=5.1e-5)
    assert float(percentiles(DATA, 90, PercentileMethod(method))) == found


@pytest.mark.parametrize(
    ("percent", "confidence", "samples"), [(95, 0.95, 59), (99, 0.95, 299), (95, 0.99, 90), (99, 0.99, 459)]
)
def test_samples_for_a_tolerance_limit(percent: float, confidence: float, samples: int) -> None:
    section, source = "Percentiles: values needed for a tolerance limit", "1 - p^n >= confidence"
    what = f"the greatest covers {percent} % with confidence {confidence:g}"
    found = samples_for_tolerance(percent, confidence)
    check(section, what, samples, found, source=source, confirmed="recomputed")
    assert tolerance_rank(samples, percent, confidence) == samples
    assert tolerance_rank(samples - 1, percent, confidence) is None
