"""What must hold of rules whatever the numbers: dirtier air alarms sooner, more air tells more, a window costs time."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from motewatch.limits.power import (
    Setting,
    begins_per_sample,
    run_length,
    sample_exceeds,
    smallest_alarming_count,
    verdict_exceeds,
)
from motewatch.limits.run_length import RunLength
from motewatch.measure.dispersion import at_most, tail
from motewatch.measure.statistics import concentration_excluded, volume_to_show_ul
from motewatch.site.models import Confidence, KOfN, PerSample, RollingVolume, Rule

LIMITS = st.integers(1, 5_000)
VOLUMES_UL = st.integers(1_000_000, 1_000_000_000)
ALPHAS = st.just(0.0) | st.floats(1e-6, 5)
SETTINGS = st.builds(Setting, LIMITS, VOLUMES_UL, ALPHAS)
SHARES = st.floats(0.001, 20)
"""Of the limit."""

PAIRS = st.integers(1, 8).flatmap(lambda n: st.tuples(st.integers(1, n), st.just(n)))
K_OF_N = PAIRS.map(lambda pair: KOfN(kind="k-of-n", k=pair[0], n=pair[1]))
SINGLE = st.just(PerSample(kind="per-sample")) | st.floats(51, 99.9).map(
    lambda pct: Confidence(kind="confidence", confidence_pct=pct)
)
EXACT_RULES = SINGLE | K_OF_N
ROLLING = st.floats(1, 3_000).map(lambda litres: RollingVolume(kind="rolling-volume", volume_l=litres))


@given(EXACT_RULES, SETTINGS, SHARES, st.floats(1.01, 3))
def test_dirtier_air_alarms_sooner(rule: Rule, setting: Setting, share: float, more: float) -> None:
    per_m3 = share * setting.limit_per_m3
    here, dirtier = run_length(rule, setting, per_m3), run_length(rule, setting, more * per_m3)
    assert dirtier.mean <= here.mean * (1 + 1e-9)
    for samples in (1, 3, 60, 10_000):
        assert here.within(samples) <= dirtier.within(samples) + 1e-9


@given(EXACT_RULES | ROLLING, SETTINGS, SHARES, st.floats(1.01, 3))
def test_dirtier_air_is_more_often_in_alarm(rule: Rule, setting: Setting, share: float, more: float) -> None:
    per_m3 = share * setting.limit_per_m3
    here, dirtier = verdict_exceeds(rule, setting, per_m3), verdict_exceeds(rule, setting, more * per_m3)
    assert 0 <= here <= dirtier + 1e-9
    assert dirtier <= 1


@given(EXACT_RULES | ROLLING, SETTINGS, SHARES)
def test_alarms_begin_no_more_often_than_they_stand(rule: Rule, setting: Setting, share: float) -> None:
    begins = begins_per_sample(rule, setting, share * setting.limit_per_m3)
    standing = verdict_exceeds(rule, setting, share * setting.limit_per_m3)
    assert 0 <= begins <= min(standing, 1 - standing) * (1 + 1e-9) + 1e-11


@given(EXACT_RULES, SETTINGS, SHARES)
def test_a_run_length_is_a_distribution(rule: Rule, setting: Setting, share: float) -> None:
    found = run_length(rule, setting, share * setting.limit_per_m3)
    chances = [found.within(samples) for samples in (0, 1, 2, 5, 10, 100, 10**4, 10**9)]
    assert chances == sorted(chances)
    assert chances[0] == 0
    assert chances[-1] <= 1
    assert found.mean >= (rule.k if isinstance(rule, KOfN) else 1) * (1 - 1e-12)
    assert_mean_is_the_sum_of_survival(found)


def assert_mean_is_the_sum_of_survival(found: RunLength) -> None:
    if found.mean < 300:
        total = sum(1 - found.within(samples) for samples in range(20_000))
        assert abs(total / found.mean - 1) < 1e-6


@given(SETTINGS, SHARES, PAIRS)
def test_asking_for_more_samples_takes_longer(setting: Setting, share: float, pair: tuple[int, int]) -> None:
    """One sample more wanted of the same n alarms later; one more looked at for the same k alarms sooner."""
    k, n = pair
    per_m3 = share * setting.limit_per_m3
    here = run_length(KOfN(kind="k-of-n", k=k, n=n), setting, per_m3).mean
    longer = run_length(KOfN(kind="k-of-n", k=k, n=n + 1), setting, per_m3).mean
    stricter = run_length(KOfN(kind="k-of-n", k=k + 1, n=n + 1), setting, per_m3).mean
    assert longer <= here * (1 + 1e-9)
    assert here <= stricter * (1 + 1e-9)


@given(VOLUMES_UL, st.integers(2, 50), st.floats(0.01, 1e4), ALPHAS, st.integers(0, 20))
def test_more_air_holds_a_particle_more_surely(
    volume_ul: int, times: int, per_m3: float, alpha: float, count: int
) -> None:
    """Against a level that grows as more air is taken this need not hold: counts are whole. Against a count it does."""
    little, much = Setting(0, volume_ul, alpha), Setting(0, times * volume_ul, alpha)
    rule = PerSample(kind="per-sample")
    assert smallest_alarming_count(rule, little) == smallest_alarming_count(rule, much) == 1
    assert sample_exceeds(rule, little, per_m3) <= sample_exceeds(rule, much, per_m3) + 1e-12
    assert tail(count, little.mean(per_m3), alpha) <= tail(count, much.mean(per_m3), alpha) + 1e-9


@given(LIMITS, VOLUMES_UL, st.integers(0, 50), st.floats(0.51, 0.999))
def test_more_air_excludes_more(limit: int, volume_ul: int, count: int, confidence: float) -> None:
    here = concentration_excluded(count, volume_ul, confidence)
    more = concentration_excluded(count, volume_ul * 2, confidence)
    assert here is not None
    assert more is not None
    assert more < here
    assert volume_to_show_ul(limit, confidence, count) < volume_to_show_ul(limit, confidence, count + 1)
    assert volume_to_show_ul(limit + 1, confidence, count) <= volume_to_show_ul(limit, confidence, count)


@settings(deadline=None)
@given(st.integers(0, 10**5), st.floats(1e-6, 1e5), st.just(0.0) | st.floats(1e-12, 20))
def test_tails_of_dispersed_counts(count: int, mean: float, alpha: float) -> None:
    upper, lower = tail(count, mean, alpha), at_most(count, mean, alpha)
    assert 0 <= tail(count + 1, mean, alpha) <= upper * (1 + 1e-9) <= 1 + 1e-9
    assert 0 <= lower <= at_most(count + 1, mean, alpha) * (1 + 1e-9)
    assert abs(tail(count + 1, mean, alpha) + lower - 1) < 1e-9
