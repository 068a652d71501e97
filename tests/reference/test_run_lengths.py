"""How many samples a chart takes to signal, with and without a shift: integral equations beside the running charts.

The figures are textbooks' (from memory) and recomputed here in two ways: exactly, by the integral equation of each
chart, and by letting the service's own charts run on drawn values until they signal.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from motewatch.measure.charts import Ewma, EwmaSettings
from motewatch.measure.charts_arrays import poisson_cusum
from motewatch.measure.cusum import Cusum, PoissonCusumSettings
from motewatch.measure.run_rules import WESTERN_ELECTRIC
from motewatch.measure.run_rules_chance import average_run_length
from motewatch.measure.statistics import UL_PER_M3
from support.checks import check

SECTION = "Control charts: samples to a signal, normal values"
TEXTBOOKS = "usual textbook tables"
MEMORY = "from memory, recomputed"
SHIFTS = (0.0, 0.5, 1.0, 2.0, 3.0)


def printed(text: str) -> float:
    """Half a unit of the last printed digit, or one percent."""
    digits = len(text.partition(".")[2])
    return max(0.501 * 10.0**-digits, 0.01 * float(text))


@pytest.mark.parametrize(("shift", "text"), [(0.0, "370.4"), (0.5, "155"), (1.0, "43.9"), (2.0, "6.3"), (3.0, "2.0")])
def test_one_point_beyond_three_sigma(shift: float, text: str) -> None:
    found = average_run_length(WESTERN_ELECTRIC[:1], shift)
    what = f"one point beyond 3 sigma, shift {shift:g}"
    check(SECTION, what, float(text), found, source=TEXTBOOKS, confirmed=MEMORY, abs=printed(text))


def cusum_length(limit: float, shift: float, slack: float = 0.5) -> float:
    """One-sided, from zero: `L(u) = 1 + L(0) P(x <= k - u) + integral of L(y) f(y + k - u) over 0 to h`."""
    nodes, weights = np.polynomial.legendre.leggauss(80)
    y, w = limit * (nodes + 1) / 2, limit * weights / 2
    u = np.concatenate(([0.0], y))
    kernel = stats.norm.pdf(y[None, :] + slack - u[:, None], loc=shift) * w[None, :]
    whole = np.concatenate((stats.norm.cdf(slack - u, loc=shift)[:, None], kernel), axis=1)
    return float(np.linalg.solve(np.eye(len(u)) - whole, np.ones(len(u)))[0])


def ewma_length(weight: float, width: float, shift: float) -> float:
    """From the target: `L(u) = 1 + 1/w integral of L(y) f((y - (1 - w) u) / w) over the limits`."""
    edge = width * (weight / (2 - weight)) ** 0.5
    nodes, weights = np.polynomial.legendre.leggauss(121)
    y, w = edge * nodes, edge * weights
    kernel = stats.norm.pdf((y[None, :] - (1 - weight) * y[:, None]) / weight, loc=shift) * w[None, :] / weight
    # An odd number of nodes has one on the target.
    return float(np.linalg.solve(np.eye(len(y)) - kernel, np.ones(len(y)))[60])


CUSUMS = [
    (4.0, shift, text)
    for shift, text in zip(SHIFTS, ("335.4", "26.7", "8.38", "3.34", "2.19"), strict=True)
] + [
    (5.0, shift, text)
    for shift, text in zip(SHIFTS, ("930.9", "38.0", "10.4", "4.01", "2.57"), strict=True)
]  # fmt: skip


@pytest.mark.parametrize(("limit", "shift", "text"), CUSUMS)
def test_cusum_by_its_integral_equation(limit: float, shift: float, text: str) -> None:
    found = cusum_length(limit, shift)
    what = f"CUSUM, slack 0.5, limit {limit:g}, one-sided, shift {shift:g}"
    check(SECTION, what, float(text), found, source=TEXTBOOKS, confirmed=MEMORY, abs=printed(text))


@pytest.mark.parametrize(("limit", "text"), [(4.0, "167.7"), (5.0, "465.4")])
def test_two_sides_signal_twice_as_often(limit: float, text: str) -> None:
    found = cusum_length(limit, 0.0) / 2
    what = f"CUSUM, slack 0.5, limit {limit:g}, two-sided, in control"
    check(SECTION, what, float(text), found, source=TEXTBOOKS, confirmed=MEMORY, abs=printed(text))


EWMAS = [
    (0.1, 2.814, shift, text)
    for shift, text in zip(SHIFTS, ("500", "31.3", "10.3", "4.36", "2.87"), strict=True)
] + [
    (0.2, 2.962, shift, text)
    for shift, text in zip(SHIFTS, ("500", "41.8", "10.5", "3.74", "2.38"), strict=True)
]  # fmt: skip


@pytest.mark.parametrize(("weight", "width", "shift", "text"), EWMAS)
def test_ewma_by_its_integral_equation(weight: float, width: float, shift: float, text: str) -> None:
    found = ewma_length(weight, width, shift)
    what = f"EWMA, weight {weight:g}, width {width:g}, shift {shift:g}"
    check(SECTION, what, float(text), found, source=TEXTBOOKS, confirmed=MEMORY, abs=printed(text))


def lengths(signals: Callable[[], Callable[[float], bool]], shift: float, runs: int, seed: int) -> tuple[float, float]:
    """Mean number of values to the first signal of fresh charts, and its standard error."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(runs):
        observe, number = signals(), 1
        while not observe(float(rng.standard_normal()) + shift):
            number += 1
        found.append(number)
    return float(np.mean(found)), float(np.std(found, ddof=1)) / runs**0.5


@pytest.mark.parametrize(("shift", "runs"), [(0.5, 1500), (1.0, 3000), (2.0, 4000), (3.0, 4000)])
def test_the_running_cusum_takes_as_long(shift: float, runs: int) -> None:
    def fresh() -> Callable[[float], bool]:
        chart = Cusum(0.0, 0.5, 4.0)
        # The lower side hardly ever signals against a shift upwards; only the upper one is counted.
        return lambda value: any(signal.side > 0 for signal in chart.observe(value))

    mean, error = lengths(fresh, shift, runs, 171)
    assert mean == pytest.approx(cusum_length(4.0, shift), abs=4 * error)


@pytest.mark.parametrize(("shift", "runs"), [(0.5, 1000), (1.0, 3000), (2.0, 4000), (3.0, 4000)])
def test_the_running_ewma_takes_as_long(shift: float, runs: int) -> None:
    def fresh() -> Callable[[float], bool]:
        chart = Ewma(0.0, 1.0, EwmaSettings(weight=0.1, width=2.814, start_up=False))
        return lambda value: bool(chart.observe(value))

    mean, error = lengths(fresh, shift, runs, 172)
    assert mean == pytest.approx(ewma_length(0.1, 2.814, shift), abs=4 * error)


@pytest.mark.parametrize(("tau_min", "text"), [(3.0, "760"), (30.0, "440")])
def test_an_intensity_that_wanders_signals_far_more_often(tau_min: float, text: str) -> None:
    """Mean 2, reference 3, limit 11: 19 087 samples for Poisson counts. The figures are of 60 runs each."""
    samples, streams, sd = 6000, 300, 0.3
    rng = np.random.default_rng([17, int(tau_min)])
    phi = float(np.exp(-1.0 / tau_min))
    logs = np.empty((samples, streams))
    logs[0] = sd * rng.standard_normal(streams)
    for sample in range(1, samples):
        logs[sample] = phi * logs[sample - 1] + sd * (1 - phi**2) ** 0.5 * rng.standard_normal(streams)
    counts = rng.poisson(2.0 * np.exp(logs - sd**2 / 2))
    settings = PoissonCusumSettings(round(3e3 * UL_PER_M3 / 28_300_000), 11_000, restart=True)
    signals = poisson_cusum(counts, 28_300_000, settings).signals
    # A stream that never signals counts as long as it is; hardly any is so long.
    first = np.where(signals.any(axis=0), signals.argmax(axis=0) + 1, samples)
    assert (~signals.any(axis=0)).mean() < 0.01
    check(
        "Control charts: run lengths of the Poisson CUSUM, reference 3",
        f"limit 11, mean 2, wandering intensity (sd of ln 0.3, {tau_min:g} min)",
        float(text),
        float(first.mean()),
        source="simulation of 60 runs each",
        confirmed="recomputed",
        rel=0.3,
    )
