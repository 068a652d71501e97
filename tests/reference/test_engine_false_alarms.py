"""False alarms of the rules at 5 um, simulated through the engine on Poisson counts, against the exact table.

Limit 29 per m3 (EU GMP Annex 1, 2022, grade A), 28.3 litres a minute. The figures are a recomputed table (exact Markov
chains, Poisson arithmetic). A simulation cannot hit them exactly: seeds are fixed, and the mean of a simulated run
length must lie within four of its own standard errors (a right engine fails that once in 16 000 cases).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from motewatch.alarms.lifecycle import Event
from support.air import Air
from support.checks import check

SAMPLE_M3 = 0.0283
SOURCE = "exact Markov chain over successive one-minute samples, started empty"
SECTION = "Mean samples to the first alarm at 5 um, simulated through the engine"

# (k, n): {true concentration per m3: exact mean number of samples to the first alarm}
RUN_LENGTHS = {
    (1, 1): {1: 35.84, 5: 7.579, 29: 1.786},
    (2, 2): {5: 65.02, 29: 4.976},
    (2, 3): {5: 38.33, 29: 4.001},
    (3, 3): {29: 10.67},
    (2, 5): {2: 107.9, 5: 25.11, 29: 3.642},
    (3, 5): {5: 119.5, 29: 6.096},
    (2, 10): {2: 63.70, 5: 18.10, 29: 3.573},
    (3, 10): {5: 42.65, 29: 5.376},
}
SAMPLES = 5_000
"""Samples to be simulated for each entry, about; so the standard error is some percent."""


def run_lengths(air: Air, n: int, rng: np.random.Generator, mean: float, runs: int) -> list[int]:
    """Samples from an empty window to the alarm, `runs` times; between runs the alarm returns in clean air."""
    lengths = []
    for _ in range(runs):
        before = air.samples
        while (change := air.take(*[int(rng.poisson(mean))] * 2)) is None:
            assert air.samples - before < 10_000, "no alarm where one was due long ago"
        assert change is Event.STARTS
        lengths.append(air.samples - before)
        # n clean samples are enough to know that fewer than k of the last n were above.
        clean = [air.take(0, 0) for _ in range(n)]
        assert clean.count(Event.RETURNS) == 1
        assert set(clean) <= {None, Event.RETURNS}
        air.pause()
    return lengths


@pytest.mark.parametrize(("k", "n"), RUN_LENGTHS)
def test_k_of_n_run_lengths(k: int, n: int) -> None:
    for true, exact in RUN_LENGTHS[(k, n)].items():
        rng = np.random.default_rng([k, n, true])
        air = Air(grade="A", size_um=5.0, rule={"kind": "k-of-n", "k": k, "n": n})
        runs = min(600, max(100, round(SAMPLES / exact)))
        lengths = run_lengths(air, n, rng, true * SAMPLE_M3, runs)
        found, spread = float(np.mean(lengths)), float(np.std(lengths, ddof=1)) / math.sqrt(runs)
        assert spread < 0.15 * exact, "too few runs to show anything"
        check(
            SECTION,
            f"{k} of {n} at {true} per m3 ({runs} runs)",
            exact,
            round(found, 3),
            source=SOURCE,
            confirmed="recomputed",
            abs=4 * spread,
        )


def test_one_count_is_an_alarm_and_forty_come_a_day_from_clean_air() -> None:
    """At 1 per m3, a thirtieth of the limit, 40.2 single-count alarms a day: 1 440 samples, each with p = 0.0279."""
    rng = np.random.default_rng(77)
    air = Air(grade="A", size_um=5.0)
    days = 10
    above = starts = 0
    active = False
    for _ in range(days * 1_440):
        count = int(rng.poisson(1 * SAMPLE_M3))
        change = air.take(count, count)
        assert (change is Event.STARTS) is (count > 0 and not active)
        assert (change is Event.RETURNS) is (count == 0 and active)
        active = count > 0
        above += active
        starts += change is Event.STARTS
    p = -math.expm1(-SAMPLE_M3)
    assert above == pytest.approx(1_440 * days * p, abs=4 * math.sqrt(1_440 * days * p))
    assert 1_440 * p == pytest.approx(40.2, abs=0.05)
    assert starts <= above


ROLLING = {"kind": "rolling-volume", "volume_l": 1000.0}
"""36 samples of 28.3 litres are 1.0188 m3: the alarm is at 30 counts (29.45 per m3); 29 (28.46) pass."""


def test_29_counts_in_36_samples_pass_wherever_they_are() -> None:
    for first in (0, 7):
        air = Air(grade="A", size_um=5.0, rule=ROLLING)
        said = [air.take(n, n) for n in [0] * first + [1] * 29 + [0] * 60]
        assert said == [None] * len(said)


def test_the_thirtieth_count_is_the_alarm_and_it_ends_when_one_has_left_the_volume() -> None:
    air = Air(grade="A", size_um=5.0, rule=ROLLING)
    said = {number: change for number in range(1, 80) if (change := air.take(*[1 if number <= 30 else 0] * 2))}
    # Not yet a whole cubic metre at sample 30, but already more than a whole one may hold. The volume holds the
    # last 36 samples; with sample 37 the first count is out of it.
    assert said == {30: Event.STARTS, 37: Event.RETURNS}
    assert air.last is not None
    assert air.last.value == pytest.approx(28.46, abs=0.005)


def test_a_full_volume_tells_its_concentration() -> None:
    air = Air(grade="A", size_um=5.0, rule=ROLLING)
    for number in range(1, 37):
        assert air.take(*[0 if number <= 7 else 1] * 2) is None
    assert air.take(1, 1) is Event.STARTS
    assert air.last is not None
    assert air.last.value == pytest.approx(29.45, abs=0.005)


def test_one_burst_is_the_alarm_for_as_long_as_it_is_in_the_volume() -> None:
    air = Air(grade="A", size_um=5.0, rule=ROLLING)
    said = {number: change for number in range(1, 100) if (change := air.take(*[30 if number == 50 else 0] * 2))}
    assert said == {50: Event.STARTS, 86: Event.RETURNS}


@pytest.mark.parametrize(("true", "printed"), [(20, 0.0269), (25, 0.209), (29, 0.491), (35, 0.850)])
def test_chance_of_an_alarm_in_one_volume(true: int, printed: float) -> None:
    """P(N >= 30) in 1.0188 m3: separate volumes, each from an empty window."""
    assert stats.poisson.sf(29, true * 36 * SAMPLE_M3) == pytest.approx(printed, abs=6e-4)
    rng = np.random.default_rng([36, true])
    air = Air(grade="A", size_um=5.0, rule=ROLLING)
    volumes, alarms = 250, 0
    for _ in range(volumes):
        counts = [int(n) for n in rng.poisson(true * SAMPLE_M3, 36)]
        raised = Event.STARTS in [air.take(n, n) for n in counts]
        # Counts only add up within one volume, so the engine must agree count by count, not only on the average.
        assert raised is (sum(counts) >= 30)
        alarms += raised
        if raised:
            assert Event.RETURNS in [air.take(0, 0) for _ in range(36)]
        air.pause()
    check(
        "Chance of an alarm in a rolling cubic metre, simulated through the engine",
        f"{true} per m3 ({volumes} volumes)",
        printed,
        alarms / volumes,
        source="Poisson arithmetic",
        confirmed="recomputed",
        abs=4 * math.sqrt(printed * (1 - printed) / volumes),
    )
