"""Counters: coincidence, flow, ISO 21501-4, cumulative counts, slopes, stuck counts: published and recomputed."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import special, stats

from motewatch.measure.channels import RATIO_SIZES_NM, Source, slopes, source_hint
from motewatch.measure.coincidence import (
    Loss,
    Optics,
    lambert_w,
    lost_share,
    optics_from_maximum,
    shown_per_m3,
    true_per_m3,
)
from motewatch.measure.counters import ISO_21501_4, flow_bounds_l_min
from motewatch.measure.samples import M3_PER_FT3, UL_PER_M3
from motewatch.measure.statistics import smallest_exceeding_count
from motewatch.measure.suspicion import all_equal_probability, all_zero_probability
from support.checks import check

SUMMARY = "public summaries of ISO 21501-4, the standard itself not seen"
ARITHMETIC = "own arithmetic"

REQUIREMENTS = [
    ("efficiency-smallest", 30, 70, "found secondary"),
    ("efficiency-larger", 90, 110, "found secondary"),
    ("size-resolution", None, 15, "found secondary"),
    ("size-setting", -10, 10, "from memory; a secondary page says 5 %"),
    ("false-counts", None, 1, "found secondary"),
    ("coincidence-loss", None, 10, "found secondary"),
    ("flow-error", -5, 5, "found secondary"),
    ("time-error", -1, 1, "found secondary"),
    ("response-rate", None, 0.5, "from memory"),
    ("calibration-interval", None, 1, "found secondary"),
]


@pytest.mark.parametrize(("id_", "low", "high", "confirmed"), REQUIREMENTS)
def test_iso_21501_4(id_: str, low: float | None, high: float, confirmed: str) -> None:
    item = ISO_21501_4[id_]
    for end, expected, actual in (("least", low, item.low), ("most", high, item.high)):
        what = f"{item.what}, {end}, {item.unit}"
        check("ISO 21501-4: counters", what, expected, actual, source=SUMMARY, confirmed=confirmed)
    assert len(ISO_21501_4) == len(REQUIREMENTS)


def test_flow_band() -> None:
    low, high = flow_bounds_l_min(28.3)
    for what, expected, actual in (("lowest", 26.9, low), ("highest", 29.7, high)):
        check(
            "ISO 21501-4: counters",
            f"flow of a 28.3 L/min counter, {what}, L/min",
            expected,
            actual,
            source=ARITHMETIC,
            confirmed="recomputed",
            abs=0.051,
        )
    assert low < 28 < high, "28.3 L/min satisfies 'at least 28 L/min' of EU GMP Annex 1"


@pytest.mark.parametrize(
    ("litres", "factor", "digit"),
    [
        (2.8316846592, 353.147, 5e-4),
        (2.83, 353.357, 5e-4),
        (28.316846592, 35.3147, 5e-5),
        (28.3, 35.3357, 5e-5),
        (50, 20, 0),
        (100, 10, 0),
    ],
)
def test_one_minute_factors(litres: float, factor: float, digit: float) -> None:
    check(
        "Flow: count in one minute to concentration per m3",
        f"{litres:.10g} L/min",
        factor,
        1000 / litres,
        source=ARITHMETIC,
        confirmed="recomputed",
        abs=digit,
    )


def test_cubic_foot() -> None:
    assert round(M3_PER_FT3 * UL_PER_M3) == 28_316_847
    assert smallest_exceeding_count(352_000, 28_300_000) == 9_962
    assert smallest_exceeding_count(352_000, 28_316_847) == 9_968


# Coincidence: 28.3 L/min, 10 % loss at 35.3 particles per cm3 (10^6 per ft3)

COINCIDENCE = "Coincidence: 28.3 L/min, 10 % loss at 35.3 per cm3, paralyzable"
FORM = "forms of a paper of 2013 on dead-time correction by Lambert's W (abstract), recomputed"


def _recomputed(what: str, expected: float, actual: float, abs: float) -> None:
    check(COINCIDENCE, what, expected, actual, source=FORM, confirmed="recomputed", abs=abs)


def test_coincidence() -> None:
    optics = optics_from_maximum(35.3e6, 28.3)
    _recomputed("load N Q t at 10 % loss", 0.1054, 35.3e6 * optics.busy_m3, 5e-5)
    _recomputed("pulse time, us", 6.33, optics.pulse_s * 1e6, 5e-3)
    _recomputed("loss at 3.52 per cm3, %", 1.05, 100 * lost_share(3.52e6, optics), 5e-3)
    _recomputed("loss at 100 per cm3, %", 25.8, 100 * lost_share(100e6, optics), 0.05)
    _recomputed("highest reading, per cm3", 123, optics.peak_per_m3 / 1e6, 0.5)
    _recomputed("truth at the highest reading, per cm3", 335, 1 / optics.busy_m3 / 1e6, 0.5)
    assert shown_per_m3(335e6 * 2, optics) < optics.peak_per_m3 * 0.75, "overloaded, it looks cleaner"
    assert true_per_m3(0.9 * 35.3e6, optics) == pytest.approx(35.3e6, rel=1e-12)


def test_non_paralyzable_loss() -> None:
    optics = optics_from_maximum(35.3e6, 28.3, Loss.NON_PARALYZABLE)
    assert lost_share(35.3e6, optics) == pytest.approx(0.1, rel=1e-12)
    assert true_per_m3(0.9 * 35.3e6, optics) == pytest.approx(35.3e6, rel=1e-12)
    assert lost_share(100e6, optics) < lost_share(100e6, Optics(28.3, optics.pulse_s))


def test_lambert_w_agrees_with_scipy() -> None:
    points = [
        *np.linspace(-1 / math.e + 1e-6, 3, 400),
        *np.geomspace(1e-12, 1e12, 100),
        *-np.geomspace(1e-12, 0.367, 100),
    ]
    for x in points:
        assert lambert_w(float(x)) == pytest.approx(special.lambertw(float(x)).real, rel=1e-12, abs=1e-300), x
    # Vertical at the branch point: there the digits of x do not hold more.
    for off in np.geomspace(1e-15, 1e-6, 30):
        x = float(-1 / math.e + off)
        assert lambert_w(x) == pytest.approx(special.lambertw(x).real, abs=3e-8)


# Cumulative and differential counts

CASES = [
    ((300, 500, 1000, 5000), (412, 137, 29, 2), (275, 108, 27, 2)),
    ((300, 500, 700, 1000, 2000, 5000), (1000, 400, 200, 100, 30, 5), (600, 200, 100, 70, 25, 5)),
]


@pytest.mark.parametrize(("sizes", "cumulative", "differential"), CASES)
def test_cumulative_and_differential(
    sizes: tuple[int, ...], cumulative: tuple[int, ...], differential: tuple[int, ...]
) -> None:
    summed = tuple(itertools.accumulate(reversed(differential)))[::-1]
    for size, expected, actual in zip(sizes, cumulative, summed, strict=True):
        check(
            "Counts: cumulative from differential",
            f"{len(sizes)} channels, at or above {size / 1000:g} um",
            expected,
            actual,
            source="constructed",
            confirmed="constructed",
        )


@pytest.mark.parametrize(
    ("count", "litres", "per_m3", "digit"),
    [
        (412, 28.3, 14_558.3, 0.051),
        (137, 28.3, 4_841.0, 0.051),
        (29, 28.3, 1_024.7, 0.051),
        (2, 28.3, 70.7, 0.051),
        (412, 28.316847, 14_549.6, 0.051),
        (137, 28.316847, 4_838.1, 0.051),
        (29, 28.316847, 1_024.1, 0.051),
        (2, 28.316847, 70.6, 0.051),
        (57, 28.3, 2_014.13, 0.0051),
        (3, 28.3, 106.01, 0.0051),
    ],
)
def test_concentrations(count: int, litres: float, per_m3: float, digit: float) -> None:
    check(
        "Counts: concentration per m3",
        f"{count} counts in {litres:g} L",
        per_m3,
        count * UL_PER_M3 / round(litres * 1e6),
        source="constructed",
        confirmed="constructed, recomputed",
        abs=digit,
    )


# Slopes and the ratio of 5 um to 0.5 um

SLOPE_SOURCES = "recomputed from ISO 14644-1 and from a paper of 2007 on dispersion from people (abstract)"


@pytest.mark.parametrize(
    ("who", "ratio", "slope", "source"),
    [
        ("reference curve of ISO 14644-1", 0.0083, 2.08, Source.BACKGROUND),
        ("person in cleanroom garments", 0.037, 1.44, Source.GOWNED),
        ("person in indoor clothing", 0.156, 0.81, Source.UNGOWNED),
    ],
)
def test_source_ratios(who: str, ratio: float, slope: float, source: Source) -> None:
    counts = (1_000_000, round(ratio * 1_000_000))
    (found,) = slopes(RATIO_SIZES_NM, counts)
    check(
        "Channels: slope from the ratio of 5 um to 0.5 um",
        f"{who}, ratio {ratio}",
        slope,
        found.exponent,
        source=SLOPE_SOURCES,
        confirmed="recomputed",
        abs=0.0101,
    )
    assert source_hint(*counts).source is source


# Stuck counts and zeros


def test_repeats() -> None:
    section, source = "Suspicion: repeats by chance", "pure probability"
    check(
        section,
        "two equal counts at mean 50, %",
        4,
        100 * all_equal_probability(2, 50.0),
        source=source,
        confirmed="recomputed",
        abs=0.05,
    )
    check(
        section,
        "two equal counts at mean 50 against 1 / (2 sqrt(pi m))",
        1 / (2 * math.sqrt(math.pi * 50)),
        all_equal_probability(2, 50.0),
        source=source,
        confirmed="recomputed",
        rel=3e-3,
    )
    check(
        section,
        "ten zeros at mean 10",
        math.exp(-100),
        all_zero_probability(10, 10.0),
        source=source,
        confirmed="recomputed",
        rel=1e-12,
    )


def test_equal_pairs_are_a_bessel_function() -> None:
    """Two Poisson counts are equal with probability exp(-2m) I0(2m) (Skellam)."""
    for mean in (1e-6, 0.1, 1.0, 7.3, 50.0, 900.0, 40_000.0):
        assert all_equal_probability(2, mean) == pytest.approx(special.i0e(2 * mean), rel=1e-9)


@pytest.mark.parametrize("alpha", [0.0, 0.05, 0.5, 3.0])
def test_repeats_agree_with_scipy(alpha: float) -> None:
    for mean in (0.02, 0.9, 8.0, 75.5):
        for samples in (1, 2, 3, 7, 20):
            counts = np.arange(20_000)
            if alpha:
                chances = stats.nbinom.pmf(counts, 1 / alpha, 1 / (1 + alpha * mean))
            else:
                chances = stats.poisson.pmf(counts, mean)
            assert all_equal_probability(samples, mean, alpha) == pytest.approx((chances**samples).sum(), rel=1e-9)
            assert all_zero_probability(samples, mean, alpha) == pytest.approx(chances[0] ** samples, rel=1e-11)
