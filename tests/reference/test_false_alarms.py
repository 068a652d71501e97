"""False alarms of the rules at 5 um: limit 29 per cubic metre, 28.3 litres a minute, 1 440 samples a day.

The figures are a recomputed table (Poisson and binomial arithmetic, exact Markov chains); the chains here are built
from what `judge` itself says of windows of samples with no and with one count, so the rule is what is tested.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from motewatch.limits.judging import Observation, Verdict, judge
from motewatch.measure.statistics import poisson_tail, smallest_exceeding_count
from motewatch.site.models import KOfN, PerSample, RollingVolume
from support.checks import check

SAMPLE_UL = 28_300_000
LIMIT = 29
A_DAY = 1_440


def half_a_digit(printed: str) -> float:
    """Half a unit of the last digit of a printed figure, and a hair more: printed values are rounded."""
    mantissa, _, exponent = printed.partition("e")
    decimals = len(mantissa.partition(".")[2])
    return 0.501 * 10.0 ** (int(exponent or 0) - decimals)


def matches(section: str, what: str, printed: str, value: float) -> None:
    """The value is the printed figure to its last digit; recorded."""
    check(
        f"False alarms: {section}",
        what,
        float(printed),
        value,
        source="Poisson and binomial arithmetic, exact Markov chains",
        confirmed="recomputed",
        abs=half_a_digit(printed),
    )


def sample(count: int, number: int = 0) -> Observation:
    return Observation(number * 60_000_000, count, SAMPLE_UL, sufficient=True, suspect=False, nominal_ul=SAMPLE_UL)


# True concentration; P(>= 1), alarms a day by single counts; P(>= 2), a day by two in one sample.
SINGLE = [
    ("0.01", "0.000283", "0.407", "4.00e-8", "0.00006"),
    ("0.1", "0.002826", "4.07", "4.00e-6", "0.0058"),
    ("0.5", "0.014050", "20.2", "9.92e-5", "0.143"),
    ("1", "0.027903", "40.2", "3.93e-4", "0.566"),
    ("2", "0.055028", "79.2", "1.54e-3", "2.22"),
    ("5", "0.131945", "190", "9.12e-3", "13.1"),
    ("10", "0.246480", "355", "0.03323", "47.9"),
    ("20", "0.432208", "622", "0.11084", "160"),
    ("29", "0.559877", "806", "0.19867", "286"),
]


@pytest.mark.parametrize(("true", "one", "one_a_day", "two", "two_a_day"), SINGLE)
def test_single_samples(true: str, one: str, one_a_day: str, two: str, two_a_day: str) -> None:
    mean = float(true) * SAMPLE_UL / 1e9
    section = "5 um, limit 29 per m3, 28.3 L a minute, one sample"
    for least, chance, a_day in ((1, one, one_a_day), (2, two, two_a_day)):
        found = poisson_tail(least, mean)
        matches(section, f"true {true} per m3: probability of {least} or more", chance, found)
        matches(section, f"true {true} per m3: {least} or more, times a day", a_day, A_DAY * found)


def test_every_single_count_exceeds() -> None:
    rule = PerSample(kind="per-sample")
    assert judge(rule, [sample(0)], LIMIT).verdict is Verdict.WITHIN
    assert judge(rule, [sample(1)], LIMIT).verdict is Verdict.EXCEEDS
    assert judge(rule, [sample(1)], LIMIT).per_m3 == pytest.approx(35.3, abs=0.05)


def mean_samples_to_alarm(k: int, n: int, chance: float) -> float:
    """Expected number of samples until `judge` first exceeds, from an empty window, by solving its Markov chain.

    A state is what the next verdict still depends on: whether each of the last n - 1 samples held a count.
    """
    rule = KOfN(kind="k-of-n", k=k, n=n)
    states: dict[tuple[int, ...], int] = {(): 0}
    moves: list[list[tuple[float, int]]] = []
    waiting: list[tuple[int, ...]] = [()]
    while waiting:
        state = waiting.pop(0)
        here: list[tuple[float, int]] = []
        for count, probability in ((0, 1 - chance), (1, chance)):
            window = (*state, count)
            observations = [sample(held, number) for number, held in enumerate(window)]
            if judge(rule, observations, LIMIT).verdict is Verdict.EXCEEDS:
                continue
            following = window[max(0, len(window) - (n - 1)) :] if n > 1 else ()
            if following not in states:
                states[following] = len(states)
                waiting.append(following)
            here.append((probability, states[following]))
        moves.append(here)
    matrix = np.eye(len(states))
    for row, here in enumerate(moves):
        for probability, column in here:
            matrix[row, column] -= probability
    return float(np.linalg.solve(matrix, np.ones(len(states)))[0])


CONCENTRATIONS = (0.1, 0.5, 1, 2, 5, 29)
K_OF_N = {
    (1, 1): ("353.9", "71.17", "35.84", "18.17", "7.579", "1.786"),
    (2, 2): ("125569", "5136.7", "1320.2", "348.4", "65.02", "4.976"),
    (2, 3): ("63050", "2621.9", "687.1", "188.0", "38.33", "4.001"),
    (3, 3): ("4.443e7", "365664", "47349", "6350", "500.4", "10.67"),
    (2, 5): ("31791", "1364.6", "370.7", "107.9", "25.11", "3.642"),
    (3, 5): ("7.462e6", "63292", "8511", "1230", "119.5", "6.096"),
    (2, 10): ("14425", "666.4", "195.2", "63.70", "18.10", "3.573"),
    (3, 10): ("1.267e6", "11593", "1710", "293.9", "42.65", "5.376"),
}


@pytest.mark.parametrize(("k", "n"), K_OF_N)
def test_mean_samples_to_the_first_alarm(k: int, n: int) -> None:
    for true, printed in zip(CONCENTRATIONS, K_OF_N[(k, n)], strict=True):
        chance = -math.expm1(-true * SAMPLE_UL / 1e9)
        found = mean_samples_to_alarm(k, n, chance)
        matches("5 um, mean samples to the first alarm", f"{k} of {n}, true {true} per m3", printed, found)


@pytest.mark.parametrize(
    ("k", "n", "printed"),
    [(2, 2, "7.79e-4"), (2, 3, "2.29e-3"), (3, 5, "2.08e-4"), (2, 10, "0.0302"), (3, 10, "2.25e-3")],
)
def test_chance_of_one_window(k: int, n: int, printed: str) -> None:
    """At 1 per cubic metre: the windows that `judge` finds above the limit, each with its probability."""
    rule = KOfN(kind="k-of-n", k=k, n=n)
    chance = -math.expm1(-SAMPLE_UL / 1e9)
    found = 0.0
    for window in itertools.product((0, 1), repeat=n):
        if judge(rule, [sample(count) for count in window], LIMIT).verdict is Verdict.EXCEEDS:
            found += chance ** sum(window) * (1 - chance) ** (n - sum(window))
    matches("5 um, chance of one window at 1 per m3", f"{k} of {n}", printed, found)


def rolling(total: int, samples: int) -> list[Observation]:
    """A window of samples that together hold `total` counts, as evenly spread as can be."""
    share, rest = divmod(total, samples)
    return [sample(share + (number < rest), number) for number in range(samples)]


def test_rolling_cubic_metre_of_36_samples() -> None:
    """36 samples are 1.0188 m3: 30 counts are 29.45 and exceed, 29 counts are 28.46 and pass."""
    rule = RollingVolume(kind="rolling-volume", volume_l=1000)
    above = judge(rule, rolling(30, 36), LIMIT)
    below = judge(rule, rolling(29, 36), LIMIT)
    assert above.verdict is Verdict.EXCEEDS
    assert above.per_m3 == pytest.approx(29.45, abs=0.005)
    assert below.verdict is Verdict.WITHIN
    assert below.per_m3 == pytest.approx(28.46, abs=0.005)
    assert above.volume_ul == below.volume_ul == 36 * SAMPLE_UL


def test_rolling_volume_of_35_samples() -> None:
    """35 samples are 0.9905 m3: the alarm is at 29 counts."""
    rule = RollingVolume(kind="rolling-volume", volume_l=990.5)
    assert judge(rule, rolling(29, 35), LIMIT).verdict is Verdict.EXCEEDS
    assert judge(rule, rolling(28, 35), LIMIT).verdict is Verdict.WITHIN


@pytest.mark.parametrize(
    ("true", "printed"),
    [
        (10, "3.7e-7"),
        (15, "5.6e-4"),
        (20, "0.0269"),
        (25, "0.209"),
        (29, "0.491"),
        (35, "0.850"),
        (40, "0.966"),
        (50, "0.9994"),
    ],
)
def test_chance_of_a_rolling_alarm(true: int, printed: str) -> None:
    rule = RollingVolume(kind="rolling-volume", volume_l=1000)
    alarm_at = next(total for total in itertools.count() if judge(rule, rolling(total, 36), LIMIT).verdict == "exceeds")
    assert alarm_at == 30
    found = poisson_tail(alarm_at, true * 36 * SAMPLE_UL / 1e9)
    matches("5 um, rolling cubic metre of 36 samples", f"true {true} per m3, alarm at 30 counts", printed, found)


def test_counter_noise_at_the_trade_limit() -> None:
    """One count in five minutes: P(>= 1 a minute) 0.1813, 261 single-count alarms a day, 36 min between 2-of-2."""
    chance = poisson_tail(1, 0.2)
    matches("counter noise of one count in five minutes", "a count in one minute", "0.1813", chance)
    assert round(A_DAY * chance) == 261
    assert round(mean_samples_to_alarm(2, 2, chance)) == 36


@pytest.mark.parametrize(
    ("true", "printed"), [(2_000, "1.2e-7"), (2_500, "6.0e-4"), (3_000, "0.0594"), (3_200, "0.173"), (3_520, "0.498")]
)
def test_false_alarms_at_half_a_micrometre(true: int, printed: str) -> None:
    """Grade A at 0.5 um: the alarm is at 100 counts in 28.3 litres."""
    at = smallest_exceeding_count(3_520, SAMPLE_UL)
    assert at == 100
    mean = true * SAMPLE_UL / 1e9
    matches("0.5 um, grade A, alarm at 100 counts in 28.3 L", f"true {true} per m3", printed, poisson_tail(at, mean))
    assert poisson_tail(at, mean) == pytest.approx(stats.poisson.sf(at - 1, mean), rel=1e-10)
