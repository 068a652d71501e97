"""Individuals charts, c-charts and tabular CUSUM of arrays: equal to the scalar ones, bit for bit, in pieces too."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.measure.charts import c_limits, individuals
from motewatch.measure.cusum import Cusum
from motewatch.measure.errors import BadInputError
from motewatch.measure.value_charts_arrays import c_chart, cusum, individuals_chart

NUMBER = st.one_of(st.floats(-1e6, 1e6), st.sampled_from([0.0, -0.0, 1.0, -1.0, 2.0, 0.1, 1e-300]))
SERIES = st.lists(st.tuples(NUMBER, st.sampled_from([True, True, False])), max_size=60)
SLACK = st.sampled_from([0.0, 0.3, 1.0])


def columns(series: list[tuple[float, bool]]) -> tuple[Any, Any]:
    """Values that do not count are no numbers, which must not matter."""
    valid = np.array([good for _, good in series], dtype=np.bool_)
    return np.array([value if good else np.nan for value, good in series], dtype=np.float64), valid


def beside(series: Any) -> Any:
    """The same with another location beside it."""
    return np.stack([series, series[::-1]], axis=1)


@given(SERIES, NUMBER, SLACK, st.floats(0.5, 1e5), st.booleans(), st.integers(0, 60))
def test_cusum(
    series: list[tuple[float, bool]], target: float, slack: float, limit: float, again: bool, cut: int
) -> None:
    values, valid = columns(series)
    chart, kept = Cusum(target, slack, limit, begin_again=again), []
    for value, good in series:
        found = {signal.side: signal.value for signal in chart.observe(value)} if good else {}
        # Sums that begin again are shown as they were when they signalled.
        kept.append((found.get(1), found.get(-1)) if found else (None, None))
    whole = cusum(values, target, slack, limit, begin_again=again, valid=valid)
    said = zip(whole.high.tolist(), whole.above.tolist(), whole.low.tolist(), whole.below.tolist(), strict=True)
    assert [(high if above else None, low if below else None) for high, above, low, below in said] == kept
    if not again:
        calm = Cusum(target, slack, limit)
        for value, good in series:
            if good:
                calm.observe(value)
        assert (whole.high[-1:].tolist(), whole.low[-1:].tolist()) == (
            ([calm.high], [calm.low]) if series else ([], [])
        )
    assert (float(whole.end[0]), float(whole.end[1])) == (chart.high, chart.low)
    two, both = beside(values), beside(valid)
    first = cusum(two[:cut], target, slack, limit, begin_again=again, valid=both[:cut])
    last = cusum(two[cut:], target, slack, limit, begin_again=again, valid=both[cut:], start=first.end)
    assert [*first.above[:, 0], *last.above[:, 0]] == whole.above.tolist()
    assert [*first.low[:, 0], *last.low[:, 0]] == whole.low.tolist()
    assert [float(part[0]) for part in last.end] == [chart.high, chart.low]


@given(st.lists(st.tuples(NUMBER, st.booleans()), min_size=2, max_size=40), st.tuples(NUMBER, NUMBER))
def test_individuals(series: list[tuple[float, bool]], ends: tuple[float, float]) -> None:
    series = [(ends[0], True), *series, (ends[1], True)]
    values, valid = columns(series)
    mine = [value for value, good in series if good]
    found, scalar = individuals_chart(values, valid), individuals(mine)
    assert found.limits == (scalar,)
    sides, wide = iter([scalar.values.side(value) for value in mine]), []
    assert found.sides.tolist() == [next(sides) if good else 0 for _, good in series]
    before = None
    for value, good in series:
        wide.append(good and before is not None and abs(value - before) > scalar.range_upper)
        before = value if good else before
    assert found.wide.tolist() == wide
    both = individuals_chart(beside(values), beside(valid))
    assert both.limits == (scalar, individuals(mine[::-1]))
    assert both.sides[:, 0].tolist() == found.sides.tolist()


@given(st.lists(st.tuples(st.integers(0, 40), st.booleans()), max_size=60), st.floats(0, 30), st.floats(0.5, 4))
def test_c_chart(air: list[tuple[int, bool]], mean: float, width: float) -> None:
    counts, valid = (
        np.array([count for count, _ in air], dtype=np.int64),
        np.array([good for _, good in air], dtype=bool),
    )
    limits = c_limits(mean, width)
    expected = [limits.side(count) if good else 0 for count, good in air]
    assert c_chart(counts, mean, width, valid).tolist() == expected
    two = np.stack([counts, counts], axis=1)
    found = c_chart(two, [mean, mean + 5], width)
    assert found[:, 1].tolist() == [c_limits(mean + 5, width).side(count) for count, _ in air]


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (lambda: cusum([1.0, np.inf], 0, 0, 1), "value"),
        (lambda: cusum([1.0], np.nan, 0, 1), "target"),
        (lambda: cusum([1.0], 0, -1, 1), "slack"),
        (lambda: cusum([1.0], 0, 0, 0), "limit"),
        (lambda: cusum([1.0], 0, 0, 1, start=(np.array(-1.0), np.array(0.0))), "high"),
        (lambda: individuals_chart([1.0]), "number of values"),
        (lambda: individuals_chart([1.0, np.nan]), "value"),
        (lambda: individuals_chart([1.0, 2.0], [True]), "shape of valid"),
        (lambda: c_chart([1.5], 1), "counts"),
        (lambda: c_chart([-1], 1), "count"),
        (lambda: c_chart([1], -1), "mean count"),
        (lambda: c_chart([[1, 2]], [1.0, 2.0, 3.0]), "shape of means"),
    ],
)
def test_refusals_name_the_value(wrong: Any, said: str) -> None:
    with pytest.raises(BadInputError, match=said):
        wrong()


def test_both_sums_may_signal_at_once() -> None:
    found = cusum([-10.0, 5.0], 0.0, 0.0, 1.0)
    assert (found.above.tolist(), found.below.tolist()) == ([False, True], [True, True])


def test_nothing_gives_nothing() -> None:
    assert cusum([], 0, 0, 1).above.tolist() == []
    assert c_chart(np.array([], dtype=np.int64), 1).tolist() == []
