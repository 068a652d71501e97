"""Whole series are judged as `judging.judge` judges each of their windows, reason by reason."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.limits.errors import OutOfRangeError
from motewatch.limits.judging import Observation, judge
from motewatch.limits.judging_arrays import REASONS, VERDICTS, judge_series, series, verdicts
from motewatch.site.models import Confidence, KOfN, PerSample, RollingVolume, Rule

NOMINAL_UL = 28_300_000
RULES = st.one_of(
    st.just(PerSample(kind="per-sample")),
    st.integers(1, 12).flatmap(
        lambda n: st.integers(1, n).map(lambda k: KOfN(kind="k-of-n", k=k, n=n)),
    ),
    st.floats(1, 200).map(lambda litres: RollingVolume(kind="rolling-volume", volume_l=litres)),
    st.floats(51, 99.9).map(lambda pct: Confidence(kind="confidence", confidence_pct=pct)),
)
ROLLING = RollingVolume(kind="rolling-volume", volume_l=1000)
COUNTS = st.integers(0, 3) | st.integers(80, 120) | st.integers(0, 20_000)
AIR = st.just(NOMINAL_UL) | st.just(0) | st.integers(1, 50_000_000)
SAMPLES = st.lists(st.tuples(COUNTS, AIR, st.booleans(), st.booleans()), min_size=1, max_size=25)
LIMITS = st.sampled_from([0, 29, 3_520, 352_000]) | st.integers(0, 10**12)


def _same(
    rule: Rule, samples: list[tuple[int, int, bool, bool]], limit: int, nominal_ul: int | None = NOMINAL_UL
) -> None:
    window = [
        Observation(0, count, volume_ul, sufficient, suspect, nominal_ul)
        for count, volume_ul, sufficient, suspect in samples
    ]
    expected = [judge(rule, window[: end + 1], limit) for end in range(len(window))]
    counts, volumes, sufficient, suspect = (np.array(column) for column in zip(*samples, strict=True))
    found = judge_series(rule, series(counts, volumes, sufficient, suspect, nominal_ul), limit)
    assert [REASONS[place] for place in found] == [judgement.reason for judgement in expected]
    assert [VERDICTS[place] for place in verdicts(found)] == [judgement.verdict for judgement in expected]


@given(RULES, SAMPLES, LIMITS, st.none() | st.just(NOMINAL_UL))
def test_any_air(rule: Rule, samples: list[tuple[int, int, bool, bool]], limit: int, nominal_ul: int | None) -> None:
    _same(rule, samples, limit, nominal_ul)


@given(RULES, st.lists(COUNTS, min_size=1, max_size=60), LIMITS)
def test_sound_air_of_one_volume(rule: Rule, counts: list[int], limit: int) -> None:
    """The shortcut for the usual case: the same air in every sample."""
    _same(rule, [(count, NOMINAL_UL, True, False) for count in counts], limit)


@pytest.mark.parametrize("kind", range(4))
def test_long_random_series(kind: int) -> None:
    """Longer than any window, at concentrations around the limit, with poor air now and then."""
    draw = np.random.default_rng(kind)
    rule: Rule = (
        PerSample(kind="per-sample"),
        KOfN(kind="k-of-n", k=3, n=10),
        ROLLING,
        Confidence(kind="confidence", confidence_pct=95),
    )[kind]
    mean = np.repeat(draw.uniform(0.1, 2.5, 40), 25)
    counts = draw.poisson(mean)
    volume = np.where(draw.random(1000) < 0.05, draw.integers(0, NOMINAL_UL, 1000), NOMINAL_UL)
    sufficient = volume >= 0.75 * NOMINAL_UL
    suspect = draw.random(1000) < 0.05
    samples = list(zip(counts.tolist(), volume.tolist(), sufficient.tolist(), suspect.tolist(), strict=True))
    _same(rule, samples, 29)


def test_counts_beyond_float_and_equal_to_the_limit() -> None:
    """Integers are compared: 176 counts in 50 litres are 3 520 per m3 and pass; nothing overflows."""
    _same(PerSample(kind="per-sample"), [(176, 50_000_000, True, False), (177, 50_000_000, True, False)], 3_520)
    huge = [(9 * 10**15, 10**9, True, False), (10**12, 10**9, True, False), (10**12 + 1, 10**9 + 1, True, False)]
    _same(PerSample(kind="per-sample"), huge, 10**12)


def test_an_empty_series_has_no_verdicts() -> None:
    empty = series(np.zeros(0, dtype=np.int64), NOMINAL_UL)
    for rule in (PerSample(kind="per-sample"), KOfN(kind="k-of-n", k=1, n=20), ROLLING):
        assert judge_series(rule, empty, 29).size == 0


@pytest.mark.parametrize(
    ("counts", "volumes", "nominal_ul", "limit", "named"),
    [
        ([1, -1], NOMINAL_UL, None, 29, "counts = -1"),
        ([1, 2], [1, -5], None, 29, "volumes_ul = -5"),
        ([1.0, math.nan], NOMINAL_UL, None, 29, "counts = numbers of type float64"),
        ([1, 2], [1, 2, 3], None, 29, "columns"),
        ([1, 2], NOMINAL_UL, 0, 29, "nominal_ul = 0"),
        ([1, 2], NOMINAL_UL, None, -1, "limit_per_m3 = -1"),
    ],
)
def test_bad_input_is_named(counts: object, volumes: object, nominal_ul: int | None, limit: int, named: str) -> None:
    with pytest.raises(OutOfRangeError, match=named):
        judge_series(PerSample(kind="per-sample"), series(counts, volumes, nominal_ul=nominal_ul), limit)  # type: ignore[arg-type]
