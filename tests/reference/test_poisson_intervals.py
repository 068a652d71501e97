"""Exact Poisson intervals and the counts that exceed a limit, against printed values and against scipy.

The interval is Garwood's (1936): lower = chi2(0.025; 2k) / 2, upper = chi2(0.975; 2k + 2) / 2. Printed anchors that
were seen in public: k = 0 upper 3.689 and k = 10 4.80 to 18.39 (documentation of R's pois.exact and a public
calculator); the other rows were computed with that formula to four decimals.
"""

from __future__ import annotations

import math

import pytest
from scipy import stats

from motewatch.measure.statistics import (
    concentration_interval,
    exceeds,
    exceeds_with_confidence,
    poisson_interval,
    poisson_lower,
    poisson_tail,
    poisson_upper,
    smallest_exceeding_count,
)
from support.checks import check

GARWOOD = "Garwood 1936, chi-squared quantiles"
EXCEEDS = "smallest count above the limits of EU GMP Annex 1 (2008, 2022)"


def interval_check(section: str, what: str, expected: float, actual: float, abs: float, found: bool = False) -> None:
    confirmed = "found, recomputed" if found else "recomputed"
    check(f"Low counts: {section}", what, expected, actual, source=GARWOOD, confirmed=confirmed, abs=abs)


# count, lower 95, upper 95, one-sided 95 upper (None: not in the table)
ROWS = [
    (0, 0.0, 3.6889, 2.9957),
    (1, 0.0253, 5.5716, 4.7439),
    (2, 0.2422, 7.2247, 6.2958),
    (3, 0.6187, 8.7673, 7.7537),
    (4, 1.0899, 10.2416, 9.1535),
    (5, 1.6235, 11.6683, 10.5130),
    (6, 2.2019, 13.0595, 11.8424),
    (7, 2.8144, 14.4227, 13.1481),
    (8, 3.4538, 15.7632, 14.4346),
    (9, 4.1154, 17.0848, 15.7052),
    (10, 4.7954, 18.3904, 16.9622),
    (11, 5.4912, 19.6820, 18.2075),
    (12, 6.2006, 20.9616, 19.4426),
    (13, 6.9220, 22.2304, 20.6686),
    (14, 7.6539, 23.4896, 21.8865),
    (15, 8.3954, 24.7402, 23.0971),
    (16, 9.1454, 25.9830, 24.3012),
    (17, 9.9031, 27.2186, 25.4992),
    (18, 10.6679, 28.4478, 26.6918),
    (19, 11.4392, 29.6709, 27.8792),
    (20, 12.2165, 30.8884, 29.0620),
    (25, 16.1787, 36.9049, None),
    (30, 20.2409, 42.8269, None),
    (50, 37.1110, 65.9188, None),
    (100, 81.3640, 121.6268, None),
]


@pytest.mark.parametrize(("count", "lower", "upper", "one_sided"), ROWS)
def test_printed_intervals(count: int, lower: float, upper: float, one_sided: float | None) -> None:
    found = poisson_interval(count, 0.95)
    section = "exact intervals of a mean, 95 %"
    # Seen in public: the upper bound of 0 and both of 10, to three and two decimals.
    interval_check(section, f"{count} counts, lower", lower, found.lower, 5.1e-5, found=count == 10)
    interval_check(section, f"{count} counts, upper", upper, found.upper, 5.1e-5, found=count in (0, 10))
    if one_sided is not None:
        upper_alone = poisson_upper(count, 0.95)
        interval_check(section, f"{count} counts, one-sided upper", one_sided, upper_alone, 5.1e-5)


def test_twenty_counts() -> None:
    """The 20 counts of ISO 14644-1: an interval from 61 to 154 % of the value."""
    lower, upper = poisson_interval(20)
    assert round(100 * lower / 20) == 61
    assert round(100 * upper / 20) == 154


@pytest.mark.parametrize(
    ("count", "per_m3", "lower", "upper"),
    [
        (0, 0, 0, 130.3),
        (1, 35.3, 0.89, 196.9),
        (2, 70.7, 8.56, 255.3),
        (3, 106.0, 21.9, 309.8),
        (5, 176.7, 57.4, 412.3),
    ],
)
def test_concentrations_of_one_sample(count: int, per_m3: float, lower: float, upper: float) -> None:
    """Recomputed table: low counts in 28.3 litres, as particles per cubic metre."""
    found = concentration_interval(count, 28_300_000)
    assert found is not None
    section = "concentration per m3 of one 28.3 L sample, 95 %"
    interval_check(section, f"{count} counts", per_m3, count * 1e9 / 28_300_000, 0.051)
    interval_check(section, f"{count} counts, lower", lower, found.lower, 0.051 if lower > 10 else 0.0051)
    interval_check(section, f"{count} counts, upper", upper, found.upper, 0.051)


@pytest.mark.parametrize(
    ("volume_ul", "one_sided", "two_sided"),
    [(28_300_000, 105.9, 130.3), (100_000_000, 29.96, 36.89), (283_000_000, 10.59, 13.03), (10**9, 2.996, 3.689)],
)
def test_what_zero_counts_exclude(volume_ul: int, one_sided: float, two_sided: float) -> None:
    """Recomputed table: no counts in one minute do not show that air is below 29 per cubic metre."""
    upper = poisson_upper(0, 0.95) * 1e9 / volume_ul
    section, litres = "concentration that no counts exclude at 95 %, per m3", f"{volume_ul / 1e6:g} L"
    interval_check(section, f"{litres}, one-sided", one_sided, float(f"{upper:.4g}"), 0)
    both = concentration_interval(0, volume_ul)
    assert both is not None
    interval_check(section, f"{litres}, two-sided", two_sided, float(f"{both.upper:.4g}"), 0)


@pytest.mark.parametrize(("limit", "litres"), [(29, 103.3), (20, 149.8)])
def test_air_that_shows_a_limit_with_zero_counts(limit: int, litres: float) -> None:
    section = "air with no counts that shows a limit is met at 95 %"
    interval_check(section, f"{limit} per m3, L", litres, poisson_upper(0, 0.95) / limit * 1000, 0.051)


VOLUMES_UL = (2_830_000, 28_300_000, 28_316_800, 50_000_000, 100_000_000, 1_000_000_000)

# Smallest count that exceeds, for each volume above, with its concentration where the table prints one. Recomputed;
# the limits are those of EU GMP Annex 1 (2008 and 2022).
SMALLEST: dict[int, tuple[tuple[int, float | None], ...]] = {
    20: ((1, 353.4), (1, 35.3), (1, 35.3), (2, 40), (3, 30), (21, None)),
    29: ((1, 353.4), (1, 35.3), (1, 35.3), (2, 40), (3, 30), (30, None)),
    2_930: ((9, 3_180), (83, 2_932.9), (83, 2_931.1), (147, 2_940), (294, 2_940), (2_931, None)),
    3_520: ((10, 3_533.6), (100, 3_533.6), (100, 3_531.5), (177, 3_540), (353, 3_530), (3_521, None)),
    29_300: ((83, 29_329), (830, 29_329), (830, 29_311), (1_466, 29_320), (2_931, 29_310), (29_301, None)),
    352_000: ((997, None), (9_962, None), (9_968, None), (17_601, None), (35_201, None), (352_001, None)),
}


@pytest.mark.parametrize("limit", SMALLEST)
def test_smallest_exceeding_count(limit: int) -> None:
    for volume_ul, (count, per_m3) in zip(VOLUMES_UL, SMALLEST[limit], strict=True):
        section, what = f"Low counts: {EXCEEDS}", f"limit {limit} per m3 in {volume_ul / 1e6:g} L"
        found = smallest_exceeding_count(limit, volume_ul)
        check(section, what, count, found, source="integer arithmetic", confirmed="recomputed")
        assert exceeds(count, volume_ul, limit)
        assert not exceeds(count - 1, volume_ul, limit)
        if per_m3 is not None:
            assert count * 1e9 / volume_ul == pytest.approx(per_m3, abs=0.51 if per_m3 >= 3_000 else 0.051)


def test_equal_to_the_limit_passes() -> None:
    """176 counts in 50 litres are 3 520.0 per cubic metre exactly; 99 in 28.3 litres are 3 498."""
    assert not exceeds(176, 50_000_000, 3_520)
    assert exceeds(177, 50_000_000, 3_520)
    assert not exceeds(99, 28_300_000, 3_520)


# Against scipy


COUNTS = [*range(300), *(int(1.6**power) for power in range(13, 35)), 10**7]


@pytest.mark.parametrize("confidence", [0.6, 0.9, 0.95, 0.99, 0.9999])
def test_intervals_agree_with_scipy(confidence: float) -> None:
    error = (1 - confidence) / 2
    for count in COUNTS:
        lower, upper = poisson_interval(count, confidence)
        assert upper == pytest.approx(stats.chi2.isf(error, 2 * count + 2) / 2, rel=1e-10), count
        if count:
            assert lower == pytest.approx(stats.chi2.ppf(error, 2 * count) / 2, rel=1e-10), count


def test_one_sided_bounds_agree_with_scipy() -> None:
    for count in COUNTS[1:]:
        assert poisson_upper(count, 0.95) == pytest.approx(stats.chi2.isf(0.05, 2 * count + 2) / 2, rel=1e-10), count
        assert poisson_lower(count, 0.95) == pytest.approx(stats.chi2.ppf(0.05, 2 * count) / 2, rel=1e-10), count


def test_tails_agree_with_scipy() -> None:
    for count in (1, 2, 5, 20, 149, 150, 151, 400, 5_000):
        for sigmas in (-6, -3, -1, -0.1, 0, 0.1, 1, 3, 6):
            mean = count + sigmas * math.sqrt(count)
            if mean > 0:
                assert poisson_tail(count, mean) == pytest.approx(stats.poisson.sf(count - 1, mean), rel=1e-10)


def test_far_tail_of_large_counts() -> None:
    """Summed with 40 digits: ten million counts or more where 5 or 12 standard deviations fewer were to be expected.

    Not against scipy, which is 3 % off at the first of them.
    """
    count = 10**7
    assert poisson_tail(count, count - 5 * math.sqrt(count)) == pytest.approx(2.8291058e-7, rel=1e-7)
    assert poisson_tail(count, count - 12 * math.sqrt(count)) == pytest.approx(1.4799282e-33, rel=1e-7)


def test_confidence_agrees_with_the_lower_bound() -> None:
    """The comparison asks for a probability; the definition asks for the bound. They agree on every count."""
    for volume_ul, limit in ((28_300_000, 29), (28_300_000, 3_520), (1_000_000_000, 20), (50_000_000, 352_000)):
        for confidence in (0.9, 0.95, 0.999):
            first = smallest_exceeding_count(limit, volume_ul)
            for count in range(first - 1, first + 6 * math.isqrt(first) + 6):
                bound = stats.chi2.ppf(1 - confidence, 2 * count) / 2 if count else 0.0
                expected = bound * 1e9 / volume_ul > limit
                assert exceeds_with_confidence(count, volume_ul, limit, confidence) is bool(expected), count
