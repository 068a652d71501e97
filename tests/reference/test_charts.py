"""EWMA, CUSUM, count charts and individuals, against the examples of handbooks and textbooks.

NIST/SEMATECH e-Handbook data and printed answers are found (quoted by public test suites) and recomputed; the second
CUSUM example is found as a reprint (Montgomery and Runger, Applied Statistics and Probability for Engineers, example
16-6); the circuit boards and the u-chart's data are found in a public file that quotes a textbook and an R package,
their limits recomputed. Run lengths of the Poisson CUSUM are recomputed by another exact chain.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from motewatch.measure.charts import (
    THREE_SIGMA_TAIL,
    Ewma,
    EwmaSettings,
    UChart,
    c_limits,
    exact_limits,
    individuals,
    u_limits,
)
from motewatch.measure.charts_arrays import ewma, poisson_cusum
from motewatch.measure.cusum import (
    Cusum,
    PoissonCusumSettings,
    average_run_length,
    limit_for_run_length,
    reference_value,
)
from motewatch.measure.statistics import UL_PER_M3
from motewatch.measure.value_charts_arrays import c_chart, cusum, individuals_chart
from support.checks import check

FOUND = "found, recomputed"
HANDBOOK = "NIST/SEMATECH e-Handbook"

# EWMA

EWMA = "Control charts: EWMA"
EWMA_SOURCE = f"{HANDBOOK} 6.3.2.4"
EWMA_DATA = "52.0 47.0 53.0 49.3 50.1 47.0 51.0 50.1 51.2 50.5 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"
EWMA_PRINTED = (
    "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 "
    "51.94 51.99"
)


def numbers(text: str) -> list[float]:
    return [float(part) for part in text.split()]


def test_ewma() -> None:
    chart = Ewma(50, 2.0539, EwmaSettings(weight=0.3, width=3, start_up=False))
    for number, (value, printed) in enumerate(zip(numbers(EWMA_DATA), numbers(EWMA_PRINTED), strict=True), 1):
        assert chart.observe(value) == []
        what = f"average {number}"
        check(EWMA, what, printed, chart.average, source=EWMA_SOURCE, confirmed=FOUND, abs=0.00501)
    upper, lower = chart.limits.upper, chart.limits.lower
    check(EWMA, "upper limit", 52.5884, upper, source=EWMA_SOURCE, confirmed=FOUND, abs=5.1e-5)
    check(EWMA, "lower limit as printed, truncated", 47.4115, lower, source=EWMA_SOURCE, confirmed="found", abs=1e-4)
    check(EWMA, "lower limit, exact", 47.41157, lower, source=EWMA_SOURCE, confirmed="recomputed", abs=5.1e-6)
    whole = ewma(numbers(EWMA_DATA), 50, 2.0539, EwmaSettings(0.3, 3, False))
    assert not whole.sides.any()
    assert float(whole.deviation[-1]) == chart.deviation


def test_ewma_start_up_limits() -> None:
    chart = Ewma(50, 2.0539, EwmaSettings(weight=0.3, width=3, start_up=True))
    printed = (51.8485, 52.2564, 52.4314, 52.5127, 52.5516)
    for number, (value, upper) in enumerate(zip(numbers(EWMA_DATA), printed, strict=False), 1):
        chart.observe(value)
        what, found = f"upper start-up limit {number}", chart.limits.upper
        check(EWMA, what, upper, found, source=EWMA_SOURCE, confirmed="recomputed", abs=5.1e-5)


def test_ewma_against_pandas() -> None:
    """pandas' recursion without adjustment, begun at the target."""
    import pandas as pd

    data = numbers(EWMA_DATA)
    expected = pd.Series([50.0, *data]).ewm(alpha=0.3, adjust=False).mean().to_numpy()[1:]
    found = ewma(data, 50, 2.0539, EwmaSettings(0.3)).deviation + 50
    assert found == pytest.approx(expected, rel=1e-12)


# CUSUM

CUSUM = "Control charts: CUSUM"
CUSUM_SOURCE = f"{HANDBOOK} 6.3.2.3"
CUSUM_ROWS = [
    (324.925, 0, 0),
    (324.675, 0, 0.0075),
    (324.725, 0, 0),
    (324.350, 0, 0.3325),
    (325.350, 0.0325, 0),
    (325.225, 0, 0),
    (324.125, 0, 0.5575),
    (324.525, 0, 0.715),
    (325.225, 0, 0.1725),
    (324.600, 0, 0.255),
    (324.625, 0, 0.3125),
    (325.150, 0, 0),
    (328.325, 3.0075, 0),
    (327.250, 4.94, 0),
    (327.825, 7.4475, 0),
    (328.500, 10.63, 0),
    (326.675, 11.9875, 0),
    (327.775, 14.445, 0),
    (326.875, 16.0025, 0),
    (328.350, 19.035, 0),
]


def test_cusum() -> None:
    chart, first = Cusum(325, 0.3175, 4.1959), None
    for number, (value, high, low) in enumerate(CUSUM_ROWS, 1):
        found = chart.observe(value)
        check(CUSUM, f"group {number}, high", high, chart.high, source=CUSUM_SOURCE, confirmed=FOUND, abs=1e-9)
        check(CUSUM, f"group {number}, low", low, chart.low, source=CUSUM_SOURCE, confirmed=FOUND, abs=1e-9)
        if found and first is None:
            first = number
    check(CUSUM, "first signal at group", 14, first, source=CUSUM_SOURCE, confirmed=FOUND)
    whole = cusum([row[0] for row in CUSUM_ROWS], 325, 0.3175, 4.1959)
    assert (whole.high[-1], whole.low[-1]) == (chart.high, chart.low)
    assert int(np.argmax(whole.above)) + 1 == first


def test_second_cusum() -> None:
    data = numbers(
        "102.0 94.8 98.3 98.4 102.0 98.5 99.0 97.7 100.0 98.1 101.3 98.7 101.1 98.4 97.0 96.7 100.3 101.4 97.2 101.0"
    )
    upper = numbers("2.0 0 0 0 2.0 0.5 0 0 0 0 1.3 0 1.1 0 0 0 0.3 1.7 0 1.0")
    lower = numbers("0 3.2 2.9 2.5 0 0 0 0.3 0 0 0 0 0 0 1.0 2.3 0 0 0.8 0")
    chart = Cusum(99, 1, 10)
    source = "Montgomery and Runger, example 16-6"
    for number, (value, high, low) in enumerate(zip(data, upper, lower, strict=True), 1):
        assert chart.observe(value) == []
        check(CUSUM, f"example 16-6, {number}, upper", high, chart.high, source=source, confirmed=FOUND, abs=1e-9)
        check(CUSUM, f"example 16-6, {number}, lower", low, chart.low, source=source, confirmed=FOUND, abs=1e-9)


# Poisson CUSUM

RUN_LENGTHS = "Control charts: run lengths of the Poisson CUSUM, reference 3"
CHAIN = "exact Markov chain"


@pytest.mark.parametrize(
    ("limit", "at_two", "at_four", "at_six"),
    [(7, "894", "7.2", "2.9"), (9, "4144", "9.2", "3.6"), (11, "19087", "11.2", "4.3"), (14, "188242", "14.2", "5.3")],
)
def test_run_lengths(limit: int, at_two: str, at_four: str, at_six: str) -> None:
    for mean, printed in ((2, at_two), (4, at_four), (6, at_six)):
        digit = 0.501 * 10.0 ** -len(printed.partition(".")[2])
        what, found = f"limit {limit}, mean {mean}", average_run_length(mean, 3, limit)
        check(RUN_LENGTHS, what, float(printed), found, source=CHAIN, confirmed="recomputed", abs=digit)


@pytest.mark.parametrize(("alpha", "printed"), [(0.2, 1412), (0.5, 284)])
def test_run_lengths_with_dispersion(alpha: float, printed: int) -> None:
    what, found = f"limit 11, mean 2, alpha {alpha:g}", average_run_length(2, 3, 11, alpha)
    check(RUN_LENGTHS, what, printed, found, source=CHAIN, confirmed="recomputed", abs=0.501)


def test_run_length_by_simulation() -> None:
    """The chain's run length is what the running chart does, in samples of another volume than the lattice's."""
    draw = np.random.default_rng(20_141)
    settings = PoissonCusumSettings(round(3e3 * UL_PER_M3 / 28_300_000), 7_000, restart=True)
    counts = draw.poisson(2.0, (20_000, 40))
    found = poisson_cusum(counts, 28_300_000, settings).signals.sum()
    assert counts.size / found == pytest.approx(average_run_length(2, 3, 7), rel=0.1)


def test_run_length_against_a_plain_solution() -> None:
    """Another way to solve the chain: plain linear algebra, with scipy's probabilities, in halves of a particle."""
    mean, reference, limit = 1.3, 2.5, 6
    states = 2 * limit
    matrix = np.zeros((states, states))
    for state in range(states):
        for count in range(60):
            there = max(0, state + 2 * count - int(2 * reference))
            if there < states:
                matrix[state, there] += stats.poisson.pmf(count, mean)
    expected = np.linalg.solve(np.eye(states) - matrix, np.ones(states))
    assert average_run_length(mean, reference, limit) == pytest.approx(float(expected[0]), rel=1e-9)
    assert average_run_length(mean, reference, limit, head_start=3) == pytest.approx(float(expected[6]), rel=1e-9)


def test_reference_value_between_two_means() -> None:
    """k = (rejectable - acceptable) / (ln rejectable - ln acceptable): 2.885 between 2 and 4."""
    section, source = "Control charts: Poisson CUSUM", "Lucas, Technometrics 27 (1985)"
    check(
        section, "k between 2 and 4", 2.885, reference_value(2, 4), source=source, confirmed="from memory", abs=5.1e-4
    )
    settings = PoissonCusumSettings.between(2, 4, 11)
    assert (settings.reference_milli_per_m3, settings.limit_milli) == (2885, 11_000)


def test_limit_for_a_run_length() -> None:
    limit = limit_for_run_length(2, 3, 10_000)
    assert average_run_length(2, 3, limit - 1) < 10_000 <= average_run_length(2, 3, limit)
    assert limit_for_run_length(2, 3, 19_000) == 11


# Count charts

COUNTS = "Control charts: counts"
WAFERS = "16 14 28 16 12 20 10 12 10 17 19 17 14 16 15 13 14 16 11 20 11 19 16 31 13"
BOARDS = "21 24 16 12 15 5 28 20 31 25 20 24 16 19 10 17 13 22 18 39 30 24 16 19 17 15"


def test_wafers() -> None:
    data = numbers(WAFERS)
    limits = c_limits(sum(data) / len(data))
    source = f"{HANDBOOK} 6.3.3.1"
    check(COUNTS, "wafers, centre", 16, limits.centre, source=source, confirmed=FOUND)
    check(COUNTS, "wafers, upper", 28, limits.upper, source=source, confirmed=FOUND, abs=1e-9)
    check(COUNTS, "wafers, lower", 4, limits.lower, source=source, confirmed=FOUND, abs=1e-9)
    out = [number for number, value in enumerate(data, 1) if limits.side(value)]
    # Wafer 3 (28) is on the limit, not above it.
    check(COUNTS, "wafers, out", "24", ", ".join(map(str, out)), source=source, confirmed=FOUND)
    assert (np.flatnonzero(c_chart(np.array(data, dtype=int), limits.centre)) + 1).tolist() == out


@pytest.mark.parametrize(
    ("without", "centre", "upper", "lower", "out"),
    [
        ((), 19.8462, 33.2109, 6.4814, "6, 20"),
        ((6, 20), 19.6667, 32.9708, 6.3625, "none"),
    ],
)
def test_boards(without: tuple[int, ...], centre: float, upper: float, lower: float, out: str) -> None:
    data = {number: value for number, value in enumerate(numbers(BOARDS), 1) if number not in without}
    limits = c_limits(sum(data.values()) / len(data))
    source = "circuit boards, a textbook's data by way of an R package"
    name = "boards without 6 and 20" if without else "boards"
    confirmed = "recomputed" if without else FOUND
    check(COUNTS, f"{name}, centre", centre, limits.centre, source=source, confirmed=confirmed, abs=5.1e-5)
    check(COUNTS, f"{name}, upper", upper, limits.upper, source=source, confirmed=confirmed, abs=5.1e-5)
    check(COUNTS, f"{name}, lower", lower, limits.lower, source=source, confirmed=confirmed, abs=5.1e-5)
    found = ", ".join(str(number) for number, value in data.items() if limits.side(value)) or "none"
    check(COUNTS, f"{name}, out", out, found, source=source, confirmed=confirmed)


U_COUNTS = (14, 12, 20, 11, 7, 10, 21, 16, 19, 23)
U_SIZES = (10, 8, 13, 10, 10, 10, 12, 11, 12, 13)


@pytest.mark.parametrize(
    ("size", "upper", "lower"),
    [(13, 2.3895, 0.4179), (12, 2.4297, 0.3776), (11, 2.4753, 0.3320), (10, 2.5276, 0.2797), (8, 2.6603, 0.1470)],
)
def test_u_chart(size: int, upper: float, lower: float) -> None:
    source = "u-chart of unequal sizes, data of an R package"
    per_unit = sum(U_COUNTS) / sum(U_SIZES)
    check(COUNTS, "u, centre", 1.40367, per_unit, source=source, confirmed="recomputed", abs=5.1e-6)
    limits = u_limits(per_unit, size)
    check(COUNTS, f"u, size {size}, upper", upper, limits.upper, source=source, confirmed="recomputed", abs=5.1e-5)
    check(COUNTS, f"u, size {size}, lower", lower, limits.lower, source=source, confirmed="recomputed", abs=5.1e-5)
    # The same as counts in volumes: a unit is a cubic metre.
    volume = size * UL_PER_M3
    of_counts = UChart(per_unit).limits(volume)
    assert of_counts.upper == pytest.approx(size * limits.upper, rel=1e-12)
    assert of_counts.lower == pytest.approx(size * limits.lower, rel=1e-12)
    out = [
        n for n, (c, s) in enumerate(zip(U_COUNTS, U_SIZES, strict=True)) if UChart(per_unit).observe(c, s * UL_PER_M3)
    ]
    assert out == []


def test_mean_size_limits_are_no_points_limits() -> None:
    """The pair for the mean size 10.9, which a public file prints next to the chart, fits no point."""
    limits = u_limits(153 / 109, 10.9)
    assert (limits.upper, limits.lower) == pytest.approx((2.4802, 0.3271), abs=5.1e-5)


def test_individuals() -> None:
    found = individuals(numbers("49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"))
    section, source = "Control charts: individuals", f"{HANDBOOK} 6.3.2.2"
    check(section, "centre", 50.81, found.values.centre, source=source, confirmed=FOUND, abs=1e-9)
    check(section, "mean moving range", 1.8778, found.mean_range, source=source, confirmed=FOUND, abs=5.1e-5)
    check(section, "upper limit", 55.8041, found.values.upper, source=source, confirmed=FOUND, abs=1.1e-4)
    check(section, "lower limit", 45.8159, found.values.lower, source=source, confirmed=FOUND, abs=1.1e-4)
    assert individuals_chart(numbers("49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1")).limits == (found,)
    # The page multiplies the rounded mean; unrounded it is 6.1347.
    check(section, "upper limit of the range", 6.1347, found.range_upper, source=source, confirmed=FOUND, abs=5.1e-5)


# Exact limits in place of 3 sigma

LOW = "Control charts: exact limits in place of 3 sigma"


@pytest.mark.parametrize("mean", [0.0283, 0.283, 1.0, 5.0, 16.0, 200.0])
@pytest.mark.parametrize("alpha", [0.0, 0.3])
def test_exact_limits_against_scipy(mean: float, alpha: float) -> None:
    law = stats.nbinom(1 / alpha, 1 / (1 + alpha * mean)) if alpha else stats.poisson(mean)
    limits = exact_limits(mean, THREE_SIGMA_TAIL, alpha)
    assert law.sf(limits.at_least - 1) <= THREE_SIGMA_TAIL < law.sf(limits.at_least - 2)
    if limits.at_most is None:
        assert law.cdf(0) > THREE_SIGMA_TAIL
    else:
        assert law.cdf(limits.at_most) <= THREE_SIGMA_TAIL < law.cdf(limits.at_most + 1)


def test_three_sigma_fails_at_low_means() -> None:
    """1 per m3 in 28.3 litres: by 3 sigma every particle signals, 40 times a day; by the exact tail it takes two."""
    source = "Poisson tail"
    by_sigma, exact = UChart(1.0), UChart(1.0, error=THREE_SIGMA_TAIL)
    assert [bool(by_sigma.observe(count, 28_300_000)) for count in (0, 1, 2)] == [False, True, True]
    assert [bool(exact.observe(count, 28_300_000)) for count in (0, 1, 2)] == [False, False, True]
    at_least = exact_limits(0.0283).at_least
    check(LOW, "1 per m3 in 28.3 L, first count beyond", 2, at_least, source=source, confirmed="recomputed")
    a_day = 1440 * float(stats.poisson.sf(at_least - 1, 0.0283))
    check(
        LOW, "1 per m3 in 28.3 L, false signals a day", 0.566, a_day, source=source, confirmed="recomputed", abs=5.1e-4
    )
    check(LOW, "P(Z > 3)", 0.0013499, THREE_SIGMA_TAIL, source="normal tail", confirmed="recomputed", abs=5.1e-8)


def test_a_reference_off_the_lattice() -> None:
    """Lucas's k is no fraction: rounded well for any limit, so the run length rises with the limit all the same."""
    reference = reference_value(2, 4)
    found = [average_run_length(2, reference, limit) for limit in (6, 12, 20, 40)]
    assert found == sorted(found)
    # On a fine lattice of its own: 2.8854 as 72 135 of 25 000 is beyond reach, as 101 of 35 it is off by 0.02 %.
    near = average_run_length(2, 101 / 35, 12)
    assert found[1] == pytest.approx(near, rel=0.01)
