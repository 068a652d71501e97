"""Charts: arrays equal the scalar charts to the last bit, a stop in mid-stream changes nothing, limits are monotone."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motewatch.measure.charts import (
    CountEwma,
    Ewma,
    EwmaSettings,
    UChart,
    c_limits,
    deviation,
    exact_limits,
    u_limits,
)
from motewatch.measure.charts_arrays import NO_SIDE, count_ewma, deviations, ewma, poisson_cusum, run_rules, u_chart
from motewatch.measure.cusum import Cusum, PoissonCusum, PoissonCusumSettings, average_run_length
from motewatch.measure.dispersion import at_most, tail
from motewatch.measure.errors import BadInputError
from motewatch.measure.run_rules import SETS, RunRules
from motewatch.measure.signals import Signal

AIR = st.lists(
    st.tuples(
        st.integers(0, 40),
        st.one_of(st.just(28_300_000), st.integers(1, 60_000_000)),
        st.sampled_from([True, True, False]),
    ),
    min_size=1,
    max_size=60,
)
EWMA = st.builds(EwmaSettings, st.floats(0.01, 1), st.floats(0.2, 4), st.booleans(), st.booleans())
PER_M3 = st.floats(0.01, 1000)
ALPHA = st.sampled_from([0.0, 0.2, 1.0])
SUMS = st.builds(
    PoissonCusumSettings,
    st.integers(1, 1_000_000),
    st.integers(1_001, 60_000),
    st.booleans(),
    st.integers(0, 1_000),
)
VALUES = st.lists(st.one_of(st.floats(-5, 5), st.sampled_from([0.0, 1.0, -1.0, 2.0, 3.0])), max_size=60)


def columns(air: list[tuple[int, int, bool]]) -> tuple[Any, Any, Any]:
    counts, volumes, valid = zip(*air, strict=True)
    return np.array(counts), np.array(volumes), np.array(valid)


def sides(found: list[list[Signal]]) -> list[int]:
    return [signals[0].side if signals else 0 for signals in found]


@given(AIR, PER_M3, EWMA, ALPHA, st.integers(0, 60))
def test_count_ewma(
    air: list[tuple[int, int, bool]], expected: float, how: EwmaSettings, alpha: float, cut: int
) -> None:
    counts, volumes, valid = columns(air)
    chart, kept = CountEwma(expected, how, alpha), []
    for count, volume, good in air:
        found = chart.observe(count, volume) if good else []
        kept.append((found[0].side if found else 0, chart.deviation, chart.reach))
    whole = count_ewma(counts, volumes, expected, how, alpha, valid)
    assert list(zip(whole.sides.tolist(), whole.deviation.tolist(), whole.reach.tolist(), strict=True)) == kept
    # In two pieces, with another location beside it.
    two = np.stack([counts, counts[::-1]], axis=1), np.stack([volumes, volumes], axis=1), np.stack([valid] * 2, axis=1)
    first = count_ewma(two[0][:cut], two[1][:cut], expected, how, alpha, two[2][:cut])
    last = count_ewma(two[0][cut:], two[1][cut:], expected, how, alpha, two[2][cut:], first.end)
    assert [*first.deviation[:, 0], *last.deviation[:, 0]] == [row[1] for row in kept]
    assert [*first.sides[:, 0], *last.sides[:, 0]] == [row[0] for row in kept]


@given(VALUES.filter(len), EWMA, st.floats(-2, 2), st.floats(0.1, 3))
def test_ewma(values: list[float], how: EwmaSettings, target: float, sigma: float) -> None:
    chart = Ewma(target, sigma, how)
    found = [chart.observe(value) for value in values]
    whole = ewma(values, target, sigma, how)
    assert whole.sides.tolist() == sides(found)
    assert float(whole.deviation[-1]) == chart.deviation


@given(AIR, SUMS, st.integers(0, 60))
def test_poisson_cusum(air: list[tuple[int, int, bool]], how: PoissonCusumSettings, cut: int) -> None:
    counts, volumes, valid = columns(air)
    chart = PoissonCusum(how)
    found = [bool(chart.observe(count, volume)) if good else False for count, volume, good in air]
    whole = poisson_cusum(counts, volumes, how, valid)
    assert whole.signals.tolist() == found
    assert int(whole.end) == chart.to_state()["sum"]
    first = poisson_cusum(counts[:cut], volumes[:cut], how, valid[:cut])
    last = poisson_cusum(counts[cut:], volumes[cut:], how, valid[cut:], first.end)
    assert [*first.signals.tolist(), *last.signals.tolist()] == found
    # Each location has its own settings.
    other = PoissonCusumSettings(500, 3_000, True)
    both = poisson_cusum(
        np.stack([counts, counts], 1), np.stack([volumes, volumes], 1), [other, how], np.stack([valid, valid], 1)
    )
    assert both.signals[:, 1].tolist() == found


@given(AIR, PER_M3, st.sampled_from([None, 0.001, 0.05]), ALPHA, st.booleans())
@settings(max_examples=50)
def test_u_chart(
    air: list[tuple[int, int, bool]], expected: float, error: float | None, alpha: float, upper_only: bool
) -> None:
    counts, volumes, valid = columns(air)
    chart = UChart(expected, error=error, alpha=alpha, upper_only=upper_only)
    found = [chart.observe(count, volume) if good else [] for count, volume, good in air]
    assert u_chart(counts, volumes, chart, valid).tolist() == sides(found)
    deviated = deviations(counts, volumes, expected, alpha)
    assert deviated.tolist() == [deviation(count, volume, expected, alpha) for count, volume, _ in air]


@pytest.mark.parametrize("name", SETS)
@given(data=st.data(), values=VALUES)
def test_run_rules(name: str, data: st.DataObject, values: list[float]) -> None:
    valid = data.draw(st.lists(st.booleans(), min_size=len(values), max_size=len(values)))
    rules = RunRules(name)
    found = [rules.observe(value) if good else [] for value, good in zip(values, valid, strict=True)]
    whole = run_rules(values, SETS[name], valid)
    for rule in SETS[name]:
        mine = [next((s.side or NO_SIDE for s in signals if s.rule == rule.name), 0) for signals in found]
        assert whole[rule.name].tolist() == mine, rule.name


@given(st.lists(st.sampled_from([0.1, 0.4, -0.3, 1.2, -1.5]), min_size=20, max_size=80))
def test_run_rules_on_long_patterns(values: list[float]) -> None:
    """Few different values: the patterns of 14 and 15 points come up."""
    rules = RunRules("nelson")
    found = [{signal.rule for signal in rules.observe(value)} for value in values]
    whole = run_rules(values, SETS["nelson"])
    assert [{name for name, at in whole.items() if at[number]} for number in range(len(values))] == found


def test_long_series_are_worked_on_in_pieces() -> None:
    """Longer than a piece of the array versions, with gaps."""
    draw = np.random.default_rng(7)
    counts, valid = draw.poisson(3.0, 20_000), draw.random(20_000) < 0.95
    how = PoissonCusumSettings(120_000, 9_000, True, 1_000)
    chart, average = PoissonCusum(how), CountEwma(105.0)
    signalled, deviated = [], []
    for count, good in zip(counts.tolist(), valid.tolist(), strict=True):
        signalled.append(bool(good and chart.observe(count, 28_300_000)))
        if good:
            average.observe(count, 28_300_000)
        deviated.append(average.deviation)
    whole = poisson_cusum(counts, 28_300_000, how, valid)
    assert sum(signalled) > 10
    assert whole.signals.tolist() == signalled
    assert int(whole.end) == chart.to_state()["sum"]
    assert count_ewma(counts, 28_300_000, 105.0, None, 0.0, valid).deviation.tolist() == deviated


# A stop in mid-stream

MAKERS: dict[str, tuple[Callable[[], Any], Callable[[Any], Any], bool]] = {
    "ewma": (lambda: Ewma(0.1, 1.1), lambda state: Ewma.from_state(0.1, 1.1, None, state), False),
    "count ewma": (lambda: CountEwma(9.7), lambda state: CountEwma.from_state(9.7, None, 0.0, state), True),
    "cusum": (lambda: Cusum(0.3, 0.5, 4), lambda state: Cusum.from_state(0.3, 0.5, 4, state), False),
    "poisson cusum": (
        lambda: PoissonCusum(PoissonCusumSettings(17_123, 4_500)),
        lambda state: PoissonCusum.from_state(PoissonCusumSettings(17_123, 4_500), state),
        True,
    ),
    "western electric": (
        lambda: RunRules("western-electric"),
        lambda s: RunRules.from_state("western-electric", s),
        False,
    ),
    "nelson": (lambda: RunRules("nelson"), lambda state: RunRules.from_state("nelson", state), False),
    "u-chart": (lambda: UChart(30.0), lambda state: UChart.from_state(UChart(30.0), state), True),
}


@pytest.mark.parametrize("name", MAKERS)
@given(data=st.data())
def test_a_stop_changes_nothing(name: str, data: st.DataObject) -> None:
    make, load, of_counts = MAKERS[name]
    fed: list[tuple[Any, ...]] = (
        [(count, volume) for count, volume, _ in data.draw(AIR)] if of_counts else [(v,) for v in data.draw(VALUES)]
    )
    cut = data.draw(st.integers(0, len(fed)))
    chart, other = make(), make()
    expected = [chart.observe(*item) for item in fed]
    found = [other.observe(*item) for item in fed[:cut]]
    state = json.loads(json.dumps(other.to_state()))
    other = load(state)
    assert other.to_state() == state
    found += [other.observe(*item) for item in fed[cut:]]
    assert found == expected
    assert other.to_state() == chart.to_state()


@pytest.mark.parametrize("name", MAKERS)
def test_a_restart_forgets(name: str) -> None:
    make, _, of_counts = MAKERS[name]
    chart = make()
    for _ in range(20):
        chart.observe(*((7, 28_300_000) if of_counts else (2.5,)))
    chart.restart()
    assert chart.to_state() == make().to_state()


# Limits


MEANS = st.floats(0, 500)


@given(MEANS, MEANS, st.sampled_from([0.00135, 0.02, 0.2]), ALPHA)
def test_limits_rise_with_the_mean(mean: float, more: float, error: float, alpha: float) -> None:
    low, high = exact_limits(mean, error, alpha), exact_limits(mean + more, error, alpha)
    assert low.at_least <= high.at_least
    assert (-1 if low.at_most is None else low.at_most) <= (-1 if high.at_most is None else high.at_most)
    assert c_limits(mean).upper <= c_limits(mean + more).upper


@given(st.floats(0.001, 500), st.sampled_from([0.00135, 0.02, 0.2]), ALPHA)
def test_exact_limits_hold_their_error_and_no_less(mean: float, error: float, alpha: float) -> None:
    limits = exact_limits(mean, error, alpha)
    assert tail(limits.at_least, mean, alpha) <= error < tail(limits.at_least - 1, mean, alpha)
    below = -1 if limits.at_most is None else limits.at_most
    assert at_most(below, mean, alpha) <= error < at_most(below + 1, mean, alpha)


@given(st.floats(0.01, 1000), st.floats(0.001, 10), st.floats(0.001, 10))
def test_more_air_narrows_the_limits(per_unit: float, air: float, more: float) -> None:
    assert u_limits(per_unit, air + more).upper <= u_limits(per_unit, air).upper


@given(st.floats(0.05, 3), st.floats(0.05, 3), st.integers(1, 12))
@settings(max_examples=40)
def test_run_lengths_fall_with_the_mean_and_rise_with_the_limit(mean: float, more: float, limit: int) -> None:
    here = average_run_length(mean, 1.5, limit)
    assert average_run_length(mean + more, 1.5, limit) <= here * (1 + 1e-9)
    assert average_run_length(mean, 1.5, limit + 1) >= here


# Refusals


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: Ewma(0, 1).observe(math.nan), "value = nan"),
        (lambda: Ewma(0, 0), "sigma = 0"),
        (lambda: EwmaSettings(weight=0), "weight = 0"),
        (lambda: CountEwma(1).observe(-3, 1000), "count = -3"),
        (lambda: CountEwma(1).observe(3, 0), "volume_ul = 0"),
        (lambda: CountEwma(math.nan), "expected_per_m3 = nan"),
        (lambda: PoissonCusum(PoissonCusumSettings(1, 1)).observe(3, -7), "volume_ul = -7"),
        (lambda: PoissonCusum(PoissonCusumSettings(1, 1)).observe(1_000_001, 7), "count = 1000001"),
        (lambda: PoissonCusumSettings.between(5, 5, 4), "rejectable = 5"),
        (lambda: Cusum(0, 1, 2).observe(math.inf), "value = inf"),
        (lambda: RunRules("nelson").observe(math.nan), "deviation = nan"),
        (lambda: RunRules("telson"), "rule set = telson"),
        (lambda: UChart(1).observe(1, 0), "volume_ul = 0"),
        (lambda: UChart(1, error=0.7), "error = 0.7"),
        (lambda: average_run_length(-1, 1, 4), "mean count = -1"),
        (lambda: poisson_cusum([1, -2], [5, 5], PoissonCusumSettings(1, 1)), "count = -2"),
        (lambda: poisson_cusum([1, 2], [5, 0], PoissonCusumSettings(1, 1)), "volume_ul = 0"),
        (lambda: count_ewma([1.5], [5], 1.0), "counts = float64"),
        (lambda: ewma([1.0, math.nan], 0, 1), "value = nan"),
        (lambda: run_rules([math.nan], SETS["nelson"]), "deviation = nan"),
        (lambda: u_chart([1], [1], UChart(1), [True, False]), "shape of valid"),
    ],
)
def test_refusals_name_the_value(call: Callable[[], object], named: str) -> None:
    with pytest.raises(BadInputError, match=named.replace("(", r"\(")):
        call()


@pytest.mark.parametrize(
    ("load", "named"),
    [
        (lambda: PoissonCusum.from_state(PoissonCusumSettings(1, 1), {"sum": -1}), "sum = -1"),
        (lambda: PoissonCusum.from_state(PoissonCusumSettings(1, 1), {"sum": 1.5}), "sum = 1.5"),
        (lambda: Cusum.from_state(0, 1, 2, {"high": math.nan, "low": 0.0}), "high = nan"),
        (lambda: Ewma.from_state(0, 1, None, {"mean": math.inf, "variance": 1.0}), "mean = inf"),
        (lambda: CountEwma.from_state(1, None, 0.0, {"mean": 0.0, "variance": -1.0}), "variance = -1"),
        (lambda: RunRules.from_state("nelson", RunRules("western-electric").to_state()), "of 4 rules"),
    ],
)
def test_states_that_cannot_be(load: Callable[[], object], named: str) -> None:
    with pytest.raises(BadInputError, match=named):
        load()
