"""Between probe and count: tubes by size, efficiency, coincidence, false counts, the manifold: recomputed values."""

from __future__ import annotations

import math

import pytest

from motewatch.measure.coincidence import Optics, lost_share, shown_per_m3, true_per_m3
from motewatch_simulator.deposition import settling_velocity_m_s
from motewatch_simulator.response import aged_shift, efficiency
from motewatch_simulator.route import Ports
from motewatch_simulator.tubes import Tube, laminar_settling, penetration
from support.checks import check

TUBES = "forms of two open codes of aerosol transport, misprints mended"
RECOMPUTED = "recomputed"
SIZES = (0.5, 1.0, 3.0, 5.0, 10.0)


@pytest.mark.parametrize(
    ("what", "tube", "flow_l_min", "expected", "bent"),
    [
        ("10 mm, 1 m, 28.3 L/min", Tube(1, 0.010), 28.3, (0.997, 0.997, 0.990, 0.967, 0.740), 0.783),
        ("10 mm, 2 m, 28.3 L/min", Tube(2, 0.010), 28.3, (0.994, 0.994, 0.979, 0.935, 0.548), 0.757),
        ("10 mm, 10 m, 28.3 L/min", Tube(10, 0.010), 28.3, (0.971, 0.968, 0.901, 0.713, 0.050), 0.578),
        ("10 mm, 30 m, 28.3 L/min", Tube(30, 0.010), 28.3, (0.917, 0.907, 0.731, 0.363, 0.0), 0.294),
        ("6.35 mm, 2 m, 28.3 L/min", Tube(2, 0.00635), 28.3, (0.988, 0.985, 0.818, 0.251, 0.0), None),
        ("12.7 mm, 2 m, 100 L/min", Tube(2, 0.0127), 100.0, (0.991, 0.990, 0.949, 0.735, 0.019), 0.511),
        ("6.35 mm, 2 m, 2.83 L/min, laminar", Tube(2, 0.00635), 2.83, (0.996, 0.990, 0.926, 0.807, 0.352), None),
    ],
)
def test_tubes(what: str, tube: Tube, flow_l_min: float, expected: tuple[float, ...], bent: float | None) -> None:
    section = "Sampling tubes: penetration of a level tube"
    for size, share in zip(SIZES, expected, strict=True):
        found = penetration(size, tube, flow_l_min)
        what_size = f"{what}, {size:g} um"
        check(section, what_size, share, found, source=TUBES, confirmed=RECOMPUTED, rel=0.01, abs=0.001)
    if bent is not None:
        found = penetration(5.0, Tube(tube.length_m, tube.diameter_m, bends=1), flow_l_min)
        check(section, f"{what}, 5 um, one bend", bent, found, source=TUBES, confirmed=RECOMPUTED, rel=0.01)


def test_flow_in_a_tube() -> None:
    check(
        "Sampling tubes: penetration of a level tube",
        "10 mm, 28.3 L/min: Reynolds number",
        3_995,
        Tube(2, 0.010).reynolds(28.3),
        source=TUBES,
        confirmed=RECOMPUTED,
        rel=0.01,
    )


def test_settling_in_laminar_flow() -> None:
    tube = Tube(0.1, 0.010, incline_deg=60.0)
    fall = 0.1 * settling_velocity_m_s(10.0) * math.cos(math.radians(60)) / (0.010 * tube.velocity_m_s(0.18))
    check(
        "Sampling tubes: settling alone",
        "10 um, 10 mm x 0.1 m, 3 cm3/s, 60 degrees",
        0.566,
        laminar_settling(fall),
        source="two independent open codes",
        confirmed="found, recomputed",
        rel=0.01,
    )


def test_coincidence() -> None:
    section, source = "Coincidence in the simulator", "a paper of 2013 on dead-time correction (abstract)"
    optics = Optics(28.3, 6.328e-6)
    shown = shown_per_m3(35.3e6, optics)
    for what, expected, actual, rel in (
        ("28.3 L/min, 6.328 us, 35.3 per cm3: shown per cm3", 31.77, shown / 1e6, 1e-3),
        ("the same: lost, %", 10.0, 100 * lost_share(35.3e6, optics), 1e-3),
        ("the same: inverse of what is shown, per cm3", 35.3, true_per_m3(shown, optics) / 1e6, 1e-3),
        ("3.52 per cm3: lost, %", 1.05, 100 * lost_share(3.52e6, optics), 5e-3),
        ("100 per cm3: lost, %", 25.8, 100 * lost_share(100e6, optics), 5e-3),
        ("peak of the reading, per cm3", 123, optics.peak_per_m3 / 1e6, 5e-3),
    ):
        check(section, what, expected, actual, source=source, confirmed=RECOMPUTED, rel=rel)


def test_efficiency_and_ageing() -> None:
    section, source = "Counting efficiency and threshold", "normal curve in log size, width 0.15; own arithmetic"
    for what, expected, actual, digit in (
        ("efficiency at the threshold, %", 50.0, 100 * efficiency(0.5, 0.5, 0.15), 0.05),
        ("efficiency at 1.5 times the threshold, %", 99.7, 100 * efficiency(0.75, 0.5, 0.15), 0.05),
        ("laser at 0.8 of its power, exponent 4: thresholds times", 1.057, aged_shift(0.8, 4.0), 0.0005),
        ("the same at slope 2.08: counts times", 0.89, aged_shift(0.8, 4.0) ** -2.08, 0.005),
    ):
        check(section, what, expected, actual, source=source, confirmed=RECOMPUTED, abs=digit)


def test_manifold() -> None:
    ports = Ports(tuple(f"p{i}" for i in range(16)), 60_000_000, 10_000_000)
    section, source = "Sequential manifold", "own arithmetic"
    for what, expected, actual, digit in (
        ("16 ports, 60 s + 10 s: cycle, s", 1_120, ports.cycle_us / 1e6, 0.0),
        ("an event of 2 min is seen, %", 16, 100 * ports.seen_share(120_000_000), 0.5),
    ):
        check(section, what, expected, actual, source=source, confirmed=RECOMPUTED, abs=digit)
