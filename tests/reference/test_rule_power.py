"""What rules can do, as `limits.power` computes it, against recomputed tables of false alarms and run lengths.

The same table of k of n that `test_false_alarms` holds the judging itself against; here it is the automaton with the
fewest states, the moving sum and the negative binomial that are tested. All figures are recomputed arithmetic (Poisson,
binomial, exact Markov chains), none is from a publication.
"""

from __future__ import annotations

import pytest

from motewatch.limits.power import (
    Setting,
    begins_per_sample,
    run_length,
    sample_exceeds,
    smallest_alarming_count,
    verdict_exceeds,
    window_samples,
)
from motewatch.limits.window_automaton import first_alarm
from motewatch.measure.dispersion import smallest_count_beyond, tail
from motewatch.measure.samples import UL_PER_L, UL_PER_M3
from motewatch.measure.statistics import concentration_excluded, volume_to_show_ul
from motewatch.site.models import KOfN, PerSample, RollingVolume
from support.checks import check

SAMPLE_UL = 28_300_000
A_DAY = 1_440
AT_29 = Setting(29, SAMPLE_UL)
EACH = PerSample(kind="per-sample")
CUBIC_METRE = RollingVolume(kind="rolling-volume", volume_l=1000)
FIVE_UM = "Rule power: 5 um, limit 29 per m3, one sample of 28.3 L a minute"


def printed_as(section: str, what: str, printed: str, actual: float, source: str) -> None:
    """A figure printed with so many digits: half a unit of the last, and a hair more, is the tolerance."""
    mantissa, _, exponent = printed.partition("e")
    digit = 10.0 ** (int(exponent or 0) - len(mantissa.partition(".")[2]))
    check(section, what, float(printed), actual, source=source, confirmed="recomputed", abs=0.501 * digit)


# What a sample can show


@pytest.mark.parametrize(
    ("litres", "above"), [("28.3", "105.9"), ("100", "29.96"), ("283", "10.59"), ("1000", "2.996")]
)
def test_what_no_counts_exclude(litres: str, above: str) -> None:
    found = concentration_excluded(0, round(float(litres) * UL_PER_L))
    assert found is not None
    printed_as("Rule power: what no counts exclude, 95 %, per m3", f"{litres} L", above, found, "-ln 0.05 / volume")


@pytest.mark.parametrize(("limit", "litres"), [(29, "103.3"), (20, "149.8")])
def test_air_to_show_a_limit(limit: int, litres: str) -> None:
    section = "Rule power: air that shows a limit with no counts, 95 %"
    found = volume_to_show_ul(limit) / UL_PER_L
    printed_as(section, f"{limit} per m3, L", litres, found, "-ln 0.05 / limit")
    if limit == 29:
        printed_as(section, "29 per m3, min at 28.3 L/min", "3.65", found / 28.3, "-ln 0.05 / limit")


@pytest.mark.parametrize(("per_m3", "minutes"), [(1, "106"), (10, "10.6"), (20, "5.3"), (29, "3.65"), (100, "1.06")])
def test_time_to_see_one_particle(per_m3: int, minutes: str) -> None:
    """T = -ln(1 - p) / (concentration x flow): the same volume, asked the other way round."""
    section = "Rule power: time to see a particle at 28.3 L/min, probability 0.95"
    found = volume_to_show_ul(per_m3, 0.95) / SAMPLE_UL
    printed_as(section, f"{per_m3} per m3, min", minutes, found, "-ln(1 - p) / (concentration x flow)")
    ratio = volume_to_show_ul(per_m3, 0.99) / volume_to_show_ul(per_m3, 0.95)
    assert ratio == pytest.approx(1.537, abs=5.1e-4)


@pytest.mark.parametrize(
    ("litres", "multiple", "chance"),
    [
        (1000, "0.5", "0.0002"),
        (1000, "1", "0.45"),
        (1000, "1.5", "0.987"),
        (690, "0.5", "0.0016"),
        (690, "1", "0.44"),
        (690, "1.5", "0.965"),
    ],
)
def test_power_of_one_large_sample(litres: int, multiple: str, chance: str) -> None:
    setting = Setting(29, litres * UL_PER_L)
    found = sample_exceeds(EACH, setting, float(multiple) * 29)
    section = "Rule power: one sample against 29 per m3"
    printed_as(section, f"{litres} L at {multiple} times the limit", chance, found, "Poisson tail")


# False alarms at 5 um


@pytest.mark.parametrize(
    ("true", "one", "one_a_day"),
    [
        ("0.01", "0.000283", "0.407"),
        ("0.1", "0.002826", "4.07"),
        ("0.5", "0.014050", "20.2"),
        ("1", "0.027903", "40.2"),
        ("2", "0.055028", "79.2"),
        ("5", "0.131945", "190"),
        ("10", "0.246480", "355"),
        ("20", "0.432208", "622"),
        ("29", "0.559877", "806"),
    ],
)
def test_single_counts(true: str, one: str, one_a_day: str) -> None:
    assert smallest_alarming_count(EACH, AT_29) == 1
    printed_as(FIVE_UM, f"true {true}, a sample exceeds", one, sample_exceeds(EACH, AT_29, float(true)), "1 - exp(-cV)")
    cleared = A_DAY / run_length(EACH, AT_29, float(true)).mean
    printed_as(FIVE_UM, f"true {true}, alarms a day", one_a_day, cleared, "1 440 (1 - exp(-cV))")


@pytest.mark.parametrize(
    ("true", "two", "two_a_day"),
    [
        ("0.01", "4.00e-8", "0.00006"),
        ("0.1", "4.00e-6", "0.0058"),
        ("0.5", "9.92e-5", "0.143"),
        ("1", "3.93e-4", "0.566"),
        ("2", "1.54e-3", "2.22"),
        ("5", "9.12e-3", "13.1"),
        ("10", "0.03323", "47.9"),
        ("20", "0.11084", "160"),
        ("29", "0.19867", "286"),
    ],
)
def test_two_in_one_sample(true: str, two: str, two_a_day: str) -> None:
    """The alarm at two counts in 28.3 litres: a level of 36 per m3 sets it there."""
    setting = Setting(36, SAMPLE_UL)
    assert smallest_alarming_count(EACH, setting) == 2
    found = sample_exceeds(EACH, setting, float(true))
    printed_as(FIVE_UM, f"true {true}, two in a sample", two, found, "Poisson tail")
    printed_as(FIVE_UM, f"true {true}, two in a sample, a day", two_a_day, A_DAY * found, "1 440 x Poisson tail")


TRUE = ("0.1", "0.5", "1", "2", "5", "29")
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
    rule = KOfN(kind="k-of-n", k=k, n=n)
    for true, printed in zip(TRUE, K_OF_N[(k, n)], strict=True):
        found = run_length(rule, AT_29, float(true)).mean
        what = f"{k} of {n} at {true}, mean samples to the first alarm"
        printed_as(FIVE_UM, what, printed, found, "exact Markov chain, started empty")


@pytest.mark.parametrize(
    ("k", "n", "printed"),
    [(2, 2, "7.79e-4"), (2, 3, "2.29e-3"), (3, 5, "2.08e-4"), (2, 10, "0.0302"), (3, 10, "2.25e-3")],
)
def test_one_window(k: int, n: int, printed: str) -> None:
    found = verdict_exceeds(KOfN(kind="k-of-n", k=k, n=n), AT_29, 1.0)
    printed_as(FIVE_UM, f"{k} of {n} at 1, one window", printed, found, "binomial tail")


ROLLING = [
    ("10", "3.7e-7"),
    ("15", "5.6e-4"),
    ("20", "0.0269"),
    ("25", "0.209"),
    ("29", "0.491"),
    ("35", "0.850"),
    ("40", "0.966"),
    ("50", "0.9994"),
]


@pytest.mark.parametrize(("true", "printed"), ROLLING)
def test_rolling_cubic_metre(true: str, printed: str) -> None:
    assert window_samples(CUBIC_METRE, AT_29) == 36
    assert smallest_alarming_count(CUBIC_METRE, AT_29) == 30
    found = verdict_exceeds(CUBIC_METRE, AT_29, float(true))
    printed_as(FIVE_UM, f"rolling 1 m3 at {true}, one volume", printed, found, "Poisson tail of 36 samples")


def test_rolling_volume_of_35_samples() -> None:
    rule = RollingVolume(kind="rolling-volume", volume_l=990.5)
    assert window_samples(rule, AT_29) == 35
    found = smallest_alarming_count(rule, AT_29)
    check(FIVE_UM, "rolling 0.9905 m3, alarming count", 29, found, source="integer arithmetic", confirmed="recomputed")


def test_counter_noise_at_the_trade_limit() -> None:
    """A counter that counts one particle in five minutes by itself, which is the most that the trade lets pass."""
    noise = 0.2 * UL_PER_M3 / SAMPLE_UL
    section = "Rule power: counter noise of one count in five minutes"
    printed_as(section, "as a concentration, per m3", "7.07", noise, "0.2 counts / 28.3 L")
    printed_as(section, "a minute with a count", "0.1813", sample_exceeds(EACH, AT_29, noise), "1 - exp(-0.2)")
    printed_as(section, "single counts a day", "261", A_DAY / run_length(EACH, AT_29, noise).mean, "1 - exp(-0.2)")
    mean = run_length(KOfN(kind="k-of-n", k=2, n=2), AT_29, noise).mean
    printed_as(section, "minutes between alarms of 2 of 2", "36", mean, "exact Markov chain")


@pytest.mark.parametrize(
    ("true", "printed"),
    [("2000", "1.2e-7"), ("2500", "6.0e-4"), ("3000", "0.0594"), ("3200", "0.173"), ("3520", "0.498")],
)
def test_half_a_micrometre(true: str, printed: str) -> None:
    setting = Setting(3_520, SAMPLE_UL)
    found = sample_exceeds(EACH, setting, float(true))
    printed_as("Rule power: 0.5 um, grade A, 28.3 L", f"a sample exceeds at {true}", printed, found, "Poisson tail")


# Run lengths of rules on single exceedances


@pytest.mark.parametrize(("k", "printed"), [(1, 20), (2, 420), (3, 8_420)])
def test_k_consecutive(k: int, printed: int) -> None:
    chance = 0.05
    found = first_alarm(k, k, chance, 1 - chance).mean
    section = "Rule power: run lengths at a tail of 0.05"
    source = "(1 - p^k) / ((1 - p) p^k)"
    check(section, f"{k} of {k}", printed, found, source=source, confirmed="recomputed", rel=1e-12)
    for other in (0.001, 0.3, 0.9):
        for many in (k, k + 4, 20):
            exact = (1 - other**many) / ((1 - other) * other**many)
            assert first_alarm(many, many, other, 1 - other).mean == pytest.approx(exact, rel=1e-10)


@pytest.mark.parametrize(("k", "n", "printed"), [(2, 3, "225"), (3, 5, "1608")])
def test_k_of_n_at_a_tail_of_5_percent(k: int, n: int, printed: str) -> None:
    found = first_alarm(k, n, 0.05, 0.95).mean
    printed_as("Rule power: run lengths at a tail of 0.05", f"{k} of {n}", printed, found, "exact Markov chain")


# Scatter beyond Poisson


@pytest.mark.parametrize(
    ("mean", "alpha", "printed"),
    [(5, 0.0, "1.0"), (5, 0.2, "22"), (5, 0.5, "65"), (50, 0.0, "1.3"), (50, 0.2, "219"), (50, 0.5, "304")],
)
def test_cost_of_ignoring_dispersion(mean: int, alpha: float, printed: str) -> None:
    """An alarm set where Poisson counts reach it once in 1 000 samples, on counts that scatter more.

    The table calls its limit "3-sigma type" and gives no more. Its figures are those of a tail of 0.001 (14 and 74
    counts); the one-sided 3 sigma tail of 0.00135 would be at 73 for the mean of 50, and at 1.9 a day.
    """
    at = smallest_count_beyond(0.001, mean)
    assert at == {5: 14, 50: 74}[mean]
    found = A_DAY * tail(at, mean, alpha)
    section = "Rule power: false alarms a day of a Poisson limit with a tail of 0.001, by dispersion"
    printed_as(section, f"mean {mean}, alpha {alpha:g}", printed, found, "negative binomial tail")
    # The same through a rule: a level of which `at` is the smallest count above.
    level = Setting((at - 1) * 1000, UL_PER_L, alpha)
    assert smallest_alarming_count(EACH, level) == at
    assert A_DAY / run_length(EACH, level, mean * 1000).mean == pytest.approx(found, rel=1e-12)


def test_the_service_counts_a_little_fewer() -> None:
    """An alarm that stays while samples exceed begins less often than one that is cleared at once: p (1 - p), not p."""
    found = A_DAY * begins_per_sample(EACH, AT_29, 1.0)
    section, source = FIVE_UM, "1 440 p (1 - p)"
    check(section, "true 1, alarms begin, a day", 39.06, found, source=source, confirmed="recomputed", abs=0.00501)
