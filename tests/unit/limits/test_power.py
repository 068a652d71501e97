"""What rules can do: against the judging itself simulated, and against chains built another way."""

from __future__ import annotations

import itertools
import math
from collections import defaultdict

import numpy as np
import pytest
from scipy import stats

from motewatch.limits.errors import OutOfRangeError, TooManyStatesError
from motewatch.limits.judging import Observation, Verdict, judge, look_back
from motewatch.limits.moving_sum import MovingSum
from motewatch.limits.power import (
    Method,
    Setting,
    begins_per_sample,
    bounds,
    detected_within,
    run_length,
    sample_exceeds,
    smallest_alarming_count,
    verdict_exceeds,
    window_samples,
)
from motewatch.limits.window_automaton import automaton, first_alarm, states_of
from motewatch.site.models import Confidence, KOfN, PerSample, RollingVolume, Rule

SAMPLE_UL = 28_300_000
EACH = PerSample(kind="per-sample")
SURE = Confidence(kind="confidence", confidence_pct=95)


def k_of_n(k: int, n: int) -> KOfN:
    return KOfN(kind="k-of-n", k=k, n=n)


def rolling(volume_l: float) -> RollingVolume:
    return RollingVolume(kind="rolling-volume", volume_l=volume_l)


# The judging itself, simulated


def verdicts(rule: Rule, setting: Setting, counts: list[int]) -> list[bool]:
    """Does `judge` exceed after each sample of one stretch?"""
    back = look_back(rule, setting.volume_ul)
    seen = [
        Observation(place, count, setting.volume_ul, True, False, setting.volume_ul)
        for place, count in enumerate(counts)
    ]
    found = []
    for end in range(1, len(seen) + 1):
        verdict = judge(rule, seen[max(0, end - back) : end], setting.limit_per_m3).verdict
        found.append(verdict is Verdict.EXCEEDS)
    return found


def draw(rng: np.random.Generator, setting: Setting, per_m3: float, size: int) -> list[int]:
    mean = per_m3 * setting.volume_ul / 1e9
    if setting.alpha:
        return [int(count) for count in rng.poisson(rng.gamma(1 / setting.alpha, setting.alpha * mean, size))]
    return [int(count) for count in rng.poisson(mean, size)]


SIMULATED = [
    (EACH, Setting(29, SAMPLE_UL), 5.0),
    (k_of_n(2, 3), Setting(29, SAMPLE_UL), 5.0),
    (k_of_n(3, 5), Setting(29, SAMPLE_UL, 0.5), 10.0),
    (k_of_n(4, 10), Setting(3_520, SAMPLE_UL, 0.05), 3_000.0),
    (rolling(200), Setting(29, SAMPLE_UL), 15.0),
    (rolling(200), Setting(3_520, SAMPLE_UL, 0.2), 2_800.0),
    (SURE, Setting(29, SAMPLE_UL), 60.0),
]


@pytest.mark.parametrize(("rule", "setting", "per_m3"), SIMULATED)
def test_the_judging_itself(rule: Rule, setting: Setting, per_m3: float) -> None:
    """A long stretch through `judge`, and runs from an empty window; four standard errors are allowed."""
    rng = np.random.default_rng(20)
    size = 12_000
    seen = verdicts(rule, setting, draw(rng, setting, per_m3, size))
    settled = seen[window_samples(rule, setting) :]
    blocks = np.array(settled[: len(settled) // 100 * 100]).reshape(-1, 100).mean(axis=1)
    error = float(blocks.std(ddof=1)) / math.sqrt(blocks.size)
    assert error > 0
    assert float(blocks.mean()) == pytest.approx(verdict_exceeds(rule, setting, per_m3), abs=4 * error)

    begins = sum(now and not before for before, now in itertools.pairwise(settled))
    expected = begins_per_sample(rule, setting, per_m3) * (len(settled) - 1)
    assert begins == pytest.approx(expected, abs=4.5 * math.sqrt(expected))

    lengths: list[int] = []
    while len(lengths) < 150:
        counts = draw(rng, setting, per_m3, 2_000)
        lengths.append(verdicts_until(rule, setting, counts))
    exact = run_length(rule, setting, per_m3, np.random.default_rng(3))
    spread = float(np.std(lengths, ddof=1)) / math.sqrt(len(lengths))
    assert float(np.mean(lengths)) == pytest.approx(exact.mean, abs=4 * spread + 4 * exact.mean_error)
    median = int(np.median(lengths))
    share = float(np.mean(np.array(lengths) <= median))
    tolerated = 4 * math.sqrt(share * (1 - share) / len(lengths)) + 4 * exact.within_error(median) + 1e-9
    assert share == pytest.approx(exact.within(median), abs=tolerated)


def verdicts_until(rule: Rule, setting: Setting, counts: list[int]) -> int:
    for end in range(20, len(counts) + 1, 20):
        seen = verdicts(rule, setting, counts[:end])
        if any(seen):
            return seen.index(True) + 1
    raise AssertionError("no alarm in a run: lengthen it")


# k of n


@pytest.mark.parametrize(
    ("k", "n"), [(1, 1), (1, 4), (2, 3), (3, 5), (4, 4), (3, 10), (5, 12), (7, 9), (2, 100), (20, 20)]
)
def test_the_automaton_has_the_fewest_states(k: int, n: int) -> None:
    """C(n, k - 1), and no two of them behave alike (they are told apart by refining from 'alarms at once')."""
    chain = automaton(k, n)
    size = chain.within.size
    assert size == states_of(k, n) == math.comb(n, k - 1)
    kind = (chain.above < 0).astype(int)
    while True:
        finer = np.stack([kind, kind[chain.within], np.where(chain.above < 0, -1, kind[chain.above])], axis=1)
        _, renamed = np.unique(finer, axis=0, return_inverse=True)
        if renamed.max() == kind.max():
            break
        kind = renamed.reshape(-1)
    assert kind.max() + 1 == size


@pytest.mark.parametrize(("k", "n"), [(1, 3), (2, 2), (2, 3), (3, 5), (4, 7), (6, 9)])
@pytest.mark.parametrize("chance", [0.02, 0.2, 0.95])
def test_k_of_n_against_all_windows(k: int, n: int, chance: float) -> None:
    """A chain over every window of n - 1 bits, solved as linear equations and stepped."""
    size = 2 ** (n - 1)
    moves = np.zeros((size, size))
    for window in range(size):
        moves[window, (window << 1) % size] += 1 - chance
        if window.bit_count() + 1 < k:
            moves[window, (window << 1 | 1) % size] += chance
    found = first_alarm(k, n, chance, 1 - chance)
    mean = np.linalg.solve(np.eye(size) - moves, np.ones(size))[0]
    # Solving the equations loses as many digits as the mean has.
    assert found.mean == pytest.approx(mean, rel=max(1e-9, 1e-15 * mean))
    assert found.method is Method.EXACT
    at = np.zeros(size)
    at[0] = 1
    for sample in range(400):
        assert found.within(sample) == pytest.approx(1 - at.sum(), abs=1e-12)
        at = at @ moves
    assert found.within_error(17) == 0


def test_twenty_samples_are_in_reach_and_more_are_refused_by_name() -> None:
    setting = Setting(29, SAMPLE_UL)
    worst = run_length(k_of_n(10, 20), setting, 29.0)
    # 10 of 20 lies between 10 of 10 and 10 of 19.
    assert worst.mean < run_length(k_of_n(10, 19), setting, 29.0).mean
    with pytest.raises(TooManyStatesError, match="10 of 30 needs 14307150 states, and up to 200000 are built"):
        run_length(k_of_n(10, 30), setting, 29.0)
    # What needs no chain is told all the same.
    assert begins_per_sample(k_of_n(10, 30), setting, 29.0) > 0
    chance = sample_exceeds(EACH, setting, 29.0)
    expected = stats.binom.sf(9, 30, chance)
    assert verdict_exceeds(k_of_n(10, 30), setting, 29.0) == pytest.approx(expected, rel=1e-12)


def test_rare_and_certain() -> None:
    rare = first_alarm(5, 8, 1e-4, 1 - 1e-4)
    # Almost all alarms are five among eight with the last one new: C(7, 4) p^5 a sample.
    assert rare.mean == pytest.approx(1 / (35 * 1e-20), rel=2e-3)
    assert rare.within(10**6) == pytest.approx(10**6 * 35e-20, rel=2e-3)
    certain = first_alarm(3, 5, 1.0, 0.0)
    assert (certain.mean, certain.within(2), certain.within(3), certain.within(99)) == (3, 0, 1, 1)
    never = first_alarm(3, 5, 0.0, 1.0)
    assert (never.mean, never.within(10**9), never.within_error(5)) == (math.inf, 0, 0)


def test_chances_too_small_for_floats_are_none() -> None:
    for k in (3, 5):
        found = first_alarm(k, 5, 1e-100, 1.0)
        assert (found.mean, found.within(10**9)) == (math.inf, 0)
    assert first_alarm(2, 5, 1e-100, 1.0).mean == pytest.approx(1 / (4 * 1e-200), rel=1e-9)
    found = run_length(rolling(1000), Setting(352_000, SAMPLE_UL), 100.0, np.random.default_rng(1))
    assert (found.mean, found.within(10**9)) == (math.inf, 0)


# Rolling volume


def chain_of_counts(sums: MovingSum, samples: int) -> tuple[list[float], float]:
    """P(alarm within t) for t = 0 ... `samples`, and the mean: the chain that remembers width - 1 counts."""
    at: dict[tuple[int, ...], float] = {(0,) * (sums.width - 1): 1.0}
    if sums.alpha:
        size = 1 / sums.alpha
        share = [float(stats.nbinom.pmf(x, size, size / (size + sums.mean))) for x in range(sums.reaches)]
    else:
        share = [float(stats.poisson.pmf(x, sums.mean)) for x in range(sums.reaches)]
    left = [1.0]
    for sample in range(1, samples + 1):
        reaches = sums.reaches if sample >= sums.width else sums.reaches_filling
        following: dict[tuple[int, ...], float] = defaultdict(float)
        for state, chance in at.items():
            for x in range(reaches - sum(state)):
                following[(*state[1:], x)] += chance * share[x]
        at = dict(following)
        left.append(sum(at.values()))
    hazard = 1 - left[-1] / left[-2]
    return [1 - value for value in left], sum(left[:-1]) + left[-1] / hazard


@pytest.mark.parametrize("alpha", [0.0, 0.5])
@pytest.mark.parametrize(("filling", "mean"), [(4, 0.02), (4, 0.3), (4, 2.0), (3, 0.05), (3, 0.6)])
def test_rolling_volume_against_its_chain(alpha: float, filling: int, mean: float) -> None:
    sums = MovingSum(width=3, mean=mean, alpha=alpha, reaches=4, reaches_filling=filling)
    found = sums.run_length(np.random.default_rng(11))
    alarmed, exact = chain_of_counts(sums, 60)
    assert found.method is Method.SIMULATED
    assert 0 < found.mean_error < 0.05 * found.mean
    # With another number while it fills, rare alarms are told from the third sample on only as of a full window.
    assert found.mean == pytest.approx(exact, abs=4 * found.mean_error)
    least, greatest = sums.bounds()
    assert least <= exact <= greatest
    for samples in (1, 2):
        assert found.within(samples) == pytest.approx(alarmed[samples], rel=1e-9)
    if filling == 4:
        for samples in (3, 4, 7, 20, 60):
            tolerated = 4 * found.within_error(samples) + 1e-12
            assert found.within(samples) == pytest.approx(alarmed[samples], abs=tolerated), samples


def test_both_ways_of_simulating_agree() -> None:
    """At 20 per m3 alarms are frequent enough for runs; windows give the same."""
    sums = MovingSum(36, 20 * 0.0283, 0.0, 30, 30)
    runs, windows = (
        sums._by_runs(np.random.default_rng(1), 4_000),
        sums._by_windows(np.random.default_rng(2), sums.chance()),
    )
    assert runs.runs == 4_000
    assert windows.runs == 0
    assert runs.mean == pytest.approx(windows.mean, abs=4 * math.hypot(runs.mean_error, windows.mean_error))
    for samples in (36, 60, 200, 1_000):
        tolerated = 4 * math.hypot(runs.within_error(samples), windows.within_error(samples))
        assert runs.within(samples) == pytest.approx(windows.within(samples), abs=tolerated)


@pytest.mark.parametrize("alpha", [0.0, 0.4])
@pytest.mark.parametrize(("width", "mean", "reaches"), [(2, 0.4, 2), (5, 0.2, 4), (12, 0.5, 9), (3, 40.0, 150)])
def test_begin_of_a_rolling_alarm(width: int, mean: float, reaches: int, alpha: float) -> None:
    """P(sum reaches it) - P(this sum and the one before reach it), the second by summing over the shared samples."""
    sums = MovingSum(width, mean, alpha, reaches, reaches)
    one, shared = (
        (stats.nbinom(1 / alpha, 1 / (1 + alpha * mean)), stats.nbinom((width - 1) / alpha, 1 / (1 + alpha * mean)))
        if alpha
        else (stats.poisson(mean), stats.poisson((width - 1) * mean))
    )
    both = sum(shared.pmf(y) * one.sf(reaches - y - 1) ** 2 for y in range(reaches)) + shared.sf(reaches - 1)
    assert sums.begin_chance() == pytest.approx(sums.chance() - both, rel=1e-8)


def test_a_rolling_volume_of_one_sample_is_a_sample() -> None:
    setting = Setting(29, SAMPLE_UL, 0.3)
    rule = rolling(28.3)
    assert window_samples(rule, setting) == 1
    assert run_length(rule, setting, 4.0).mean == pytest.approx(run_length(EACH, setting, 4.0).mean, rel=1e-12)
    expected = begins_per_sample(EACH, setting, 4.0)
    assert begins_per_sample(rule, setting, 4.0) == pytest.approx(expected, rel=1e-12)
    assert bounds(rule, setting, 4.0) == pytest.approx((run_length(rule, setting, 4.0).mean,) * 2, rel=1e-12)


def test_large_counts_and_rare_alarms_of_a_rolling_volume() -> None:
    setting = Setting(352_000, 2_358_333, 0.2)
    found = run_length(rolling(1000), setting, 340_000.0, np.random.default_rng(1))
    least, greatest = bounds(rolling(1000), setting, 340_000.0)
    assert least < found.mean < greatest
    assert 0 < found.mean_error < 0.2 * found.mean
    # Too rare to ever be seen, and yet a number.
    hopeless = run_length(rolling(1000), Setting(29, SAMPLE_UL), 2.0, np.random.default_rng(1))
    assert 1e20 < hopeless.mean < math.inf
    assert 0 < begins_per_sample(rolling(1000), Setting(29, SAMPLE_UL), 2.0) < 1e-20
    assert 0 < hopeless.within(43_200) < 1e-15


def test_the_same_seed_gives_the_same_answer() -> None:
    setting = Setting(29, SAMPLE_UL)
    for per_m3 in (10.0, 40.0):
        first, second = (run_length(rolling(1000), setting, per_m3, np.random.default_rng(9)) for _ in range(2))
        assert (first.mean, first.mean_error, first.within(60)) == (second.mean, second.mean_error, second.within(60))


# Others


def test_smallest_alarming_counts() -> None:
    setting = Setting(3_520, SAMPLE_UL)
    assert smallest_alarming_count(EACH, setting) == smallest_alarming_count(k_of_n(2, 3), setting) == 100
    assert smallest_alarming_count(rolling(1000), Setting(29, SAMPLE_UL)) == 30
    for confidence in (90, 95, 99.9):
        rule = Confidence(kind="confidence", confidence_pct=confidence)
        count = smallest_alarming_count(rule, setting)
        seen = [
            judge(rule, [Observation(0, held, SAMPLE_UL, True, False, SAMPLE_UL)], 3_520).verdict
            for held in (count - 1, count)
        ]
        assert seen == [Verdict.WITHIN, Verdict.EXCEEDS]


def test_detection_within_a_time() -> None:
    setting = Setting(29, SAMPLE_UL)
    one = sample_exceeds(EACH, setting, 29.0)
    assert detected_within(EACH, setting, 29.0, 60) == pytest.approx(1 - (1 - one) ** 60, rel=1e-12)
    assert detected_within(EACH, setting, 29.0, 0) == 0
    assert detected_within(k_of_n(2, 3), setting, 29.0, 1) == 0
    assert detected_within(k_of_n(2, 2), setting, 29.0, 2) == pytest.approx(one**2, rel=1e-12)


def test_clean_air_never_alarms() -> None:
    setting = Setting(29, SAMPLE_UL, 0.2)
    for rule in (EACH, k_of_n(2, 3), rolling(1000), SURE):
        assert begins_per_sample(rule, setting, 0.0) == 0
        found = run_length(rule, setting, 0.0, np.random.default_rng(0))
        assert (found.mean, found.within(10**6)) == (math.inf, 0)
    assert bounds(rolling(1000), setting, 0.0) == (math.inf, math.inf)


def test_refusals_name_the_value() -> None:
    setting = Setting(29, SAMPLE_UL)
    with pytest.raises(OutOfRangeError, match="limit_per_m3 = -1"):
        Setting(-1, SAMPLE_UL)
    with pytest.raises(OutOfRangeError, match="volume_ul = 0"):
        Setting(29, 0)
    for alpha in (-0.1, math.nan, 11):
        with pytest.raises(OutOfRangeError, match=f"alpha = {alpha}"):
            Setting(29, SAMPLE_UL, alpha)
    for per_m3 in (-1.0, math.nan, math.inf):
        with pytest.raises(OutOfRangeError, match=f"concentration = {per_m3}"):
            run_length(EACH, setting, per_m3)
    with pytest.raises(OutOfRangeError, match="rng = None"):
        run_length(rolling(1000), setting, 1.0)
    with pytest.raises(OutOfRangeError, match="volume_l = 100000"):
        window_samples(rolling(100_000), Setting(29, 1_000_000))
