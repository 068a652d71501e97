"""Alert levels from a history: exact tails against scipy, dispersion against statsmodels, the worth of alike samples.

The figures of section "Alert levels" are recomputed arithmetic; the rule that an action level may not be above the
standard's limit is EU GMP Annex 1 (2022), 9.9, found.
"""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
import pytest
from scipy import stats

from motewatch.measure.count_limits import upper_limit
from motewatch.measure.errors import BadInputError
from motewatch.measure.history import CountHistory, count_history
from motewatch.measure.level_proposals import (
    Cap,
    LevelKind,
    LevelMethod,
    Proposal,
    Refused,
    TooLittleHistoryError,
    Wanted,
    proposals,
)
from motewatch.measure.samples import Channel, Quality, Sample
from support.checks import check

MINUTE_US = 60_000_000
SAMPLE_UL = 28_300_000
SECTION = "Alert levels"


def history(counts: np.ndarray[tuple[int, ...], np.dtype[np.int64]] | list[int]) -> CountHistory:
    found = np.asarray(counts, dtype=np.int64)
    ends = (np.arange(len(found)) + 1) * MINUTE_US
    return CountHistory(found, np.full(len(found), SAMPLE_UL), ends, {})


@pytest.mark.parametrize(
    ("per_m3", "error", "count"),
    [(1.0, 0.001, 2), (1.0, 1e-4, 3), (10.0, 0.001, 4), (700.0, 0.001, 36), (29.0, 0.05, 4)],
)
def test_smallest_count_beyond(per_m3: float, error: float, count: int) -> None:
    found = upper_limit(per_m3, SAMPLE_UL, error).count
    what = f"{per_m3:g} per m3 in 28.3 L, tail {error:g}: first count beyond"
    assert stats.poisson.sf(count - 1, per_m3 * 0.0283) <= error < stats.poisson.sf(count - 2, per_m3 * 0.0283)
    check(SECTION, what, count, found, source="Poisson tail", confirmed="recomputed")


@pytest.mark.parametrize("alpha", [0.05, 0.5])
@pytest.mark.parametrize("per_m3", [5.0, 700.0])
def test_negative_binomial_limits_against_scipy(per_m3: float, alpha: float) -> None:
    limit = upper_limit(per_m3, SAMPLE_UL, 1e-4, alpha)
    law = stats.nbinom(1 / alpha, 1 / (1 + alpha * limit.mean))
    assert limit.count == int(law.isf(1e-4)) + 1
    assert limit.error == pytest.approx(float(law.sf(limit.count - 1)), rel=1e-9)


def test_dispersion_against_statsmodels() -> None:
    """The moment estimate beside the maximum of the likelihood, on the same counts."""
    from statsmodels.discrete import discrete_model

    model: Any = discrete_model.NegativeBinomial  # it has no types

    draw = np.random.default_rng(11)
    counts = draw.negative_binomial(4, 4 / 24, 4_000)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = model(counts, np.ones(len(counts))).fit(disp=False)
    assert history(counts).alpha == pytest.approx(float(fitted.params[-1]), rel=0.06)


@pytest.mark.parametrize("likeness", [0.0, 0.5, 0.9])
def test_effective_number(likeness: float) -> None:
    """Of a first-order chain: n (1 - r) / (1 + r). Large counts, so that their own scatter is small beside it."""
    draw = np.random.default_rng(17)
    n, wander = 40_000, 0.0
    values = []
    for step in draw.normal(size=n).tolist():
        wander = likeness * wander + math.sqrt(1 - likeness**2) * step
        values.append(round(1_000_000 + 100_000 * wander))
    found = history(values)
    assert found.lag_one == pytest.approx(likeness, abs=0.03)
    assert found.effective_n == pytest.approx(n * (1 - likeness) / (1 + likeness), rel=0.12)


def test_levels_keep_the_false_alarms_asked_for() -> None:
    """On a history that scatters: the negative binomial keeps to 1 in 30 days, Poisson's level would not."""
    draw = np.random.default_rng(5)
    found = history(draw.negative_binomial(5, 5 / 25, 20_000))
    rows = {(row.method, row.kind): row for row in proposals(found, {}) if isinstance(row, Proposal)}
    own = rows[(LevelMethod.NEGATIVE_BINOMIAL, LevelKind.ALERT)]
    assert own.expected_alarms <= 1
    law = stats.nbinom(1 / found.alpha, 1 / (1 + found.alpha * found.per_m3 * 0.0283))
    assert own.expected_alarms == pytest.approx(43_200 * float(law.sf(own.count - 1)), rel=1e-6)
    assert rows[(LevelMethod.POISSON, LevelKind.ALERT)].expected_alarms > 500
    percentile = rows[(LevelMethod.PERCENTILE, LevelKind.ALERT)]
    assert percentile.asks_per_m3 == math.ceil(float(np.percentile(found.concentrations, 95, method="weibull")))


def test_caps() -> None:
    """An alert level lies below the action level in force; an action level may equal the standard's limit."""
    found = history(np.random.default_rng(2).poisson(20, 500))
    (free, _) = proposals(found, {}, None, [LevelMethod.POISSON])
    assert isinstance(free, Proposal)
    at = Cap(free.asks_per_m3, "a limit")
    (alert, _) = proposals(found, {LevelKind.ALERT: at}, None, [LevelMethod.POISSON])
    assert isinstance(alert, Proposal)
    assert alert.level_per_m3 is None
    (alert, _) = proposals(found, {LevelKind.ALERT: Cap(at.per_m3 + 1, "a limit")}, None, [LevelMethod.POISSON])
    assert isinstance(alert, Proposal)
    assert alert.level_per_m3 == at.per_m3
    (_, action) = proposals(found, {}, None, [LevelMethod.POISSON])
    assert isinstance(action, Proposal)
    (_, capped) = proposals(found, {LevelKind.ACTION: Cap(action.asks_per_m3, "l")}, None, [LevelMethod.POISSON])
    assert isinstance(capped, Proposal)
    assert capped.level_per_m3 == action.asks_per_m3
    (_, capped) = proposals(found, {LevelKind.ACTION: Cap(action.asks_per_m3 - 1, "l")}, None, [LevelMethod.POISSON])
    assert isinstance(capped, Proposal)
    assert capped.level_per_m3 is None


def test_too_little() -> None:
    draw = np.random.default_rng(8)
    with pytest.raises(TooLittleHistoryError, match="99 sound samples are too few"):
        proposals(history(draw.poisson(20, 99)), {})
    with pytest.raises(TooLittleHistoryError, match=r"so alike .* take a history about"):
        proposals(history(np.repeat(draw.poisson(900, 8), 20)), {})
    rows = proposals(history(draw.poisson(20, 120)), {}, None, [LevelMethod.TOLERANCE])
    assert [type(row) for row in rows] == [Proposal, Refused]
    assert isinstance(rows[1], Refused)
    assert rows[1].needs.startswith("299 independent samples; there are 120")


def test_the_last_sample_of_each_kind_is_left_out_by_its_reason() -> None:
    def sample(minute: int, count: int, quality: Quality = Quality.GOOD, volume: int = SAMPLE_UL) -> Sample:
        end = minute * MINUTE_US
        channels = (Channel(5000, count, volume),)
        return Sample("x", end - MINUTE_US, end, 1, channels, MINUTE_US, 1, ("s",), quality, "operational")

    given = [
        sample(3, 3),
        sample(1, 1),
        sample(2, 99, Quality.OVER_RANGE),
        sample(4, 4, Quality.MISSING),
        sample(5, 60),
    ]
    found = count_history(given, 5000, "operational", 60 / 0.0283 - 1)
    assert found is not None
    assert found.counts.tolist() == [1, 3]
    assert found.left_out == {"suspect air": 1, "too little air": 1, "above the stated concentration": 1}
    # Equal to the stated concentration is not above it.
    kept = count_history([sample(1, 1, volume=1_000_000_000)], 5000, "operational", 1)
    assert kept is not None
    assert count_history(given, 500, "operational") is None
    assert count_history([], 5000, "operational") is None
    with pytest.raises(BadInputError, match="leave_out_above_per_m3 = nan"):
        count_history(given, 5000, "operational", math.nan)


@pytest.mark.parametrize("wrong", [0.0, -1.0, math.inf, math.nan])
def test_wanted_alarms_are_refused_by_name(wrong: float) -> None:
    with pytest.raises(BadInputError, match="alert_alarms"):
        Wanted(alert_alarms=wrong)
