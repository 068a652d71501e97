"""Alarm performance: the standards' targets, and the figures against pandas as an independent count."""

from __future__ import annotations

from random import Random

import numpy as np
import pandas as pd
import pytest

from motewatch.alarms.annunciations import AlarmStep
from motewatch.alarms.flood import FLOOD_FEWER_THAN, FLOOD_MORE_THAN, FLOOD_WINDOW_US
from motewatch.alarms.lifecycle import Event, State
from motewatch.alarms.performance import CHATTER, STALE_US, Chattering, Period, figures
from motewatch.alarms.priority import Priority
from motewatch.alarms.targets import DATA_BASE_US, TARGETS, Verdict
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, SECOND_US
from support.checks import check

SECTION = "Alarm performance, ISA-18.2 / IEC 62682"
SUMMARY = "ISA-18.2-2016, Table 5, as a public summary cites it"
NOTE = "a public note on ISA-18.2"
LEAFLET = "EEMUA 191, as a public leaflet summarises it"
BY_KEY = {target.key: target for target in TARGETS}


@pytest.mark.parametrize(
    ("key", "bound", "manageable", "source", "confirmed"),
    [
        ("per_operator_hour", 6, 12, SUMMARY, "found"),
        ("per_operator_10_min", 1, 2, SUMMARY, "found"),
        ("per_operator_day", 144, 288, "24 times the target per hour (150 and 300 are a usual rounding)", "recomputed"),
        ("peak_10_min", 10, None, SUMMARY, "found"),
        ("ten_minutes_over_10", 0.01, None, SUMMARY, "found"),
        ("hours_over_30", 0.01, None, "ISA-18.2-2016", "from memory"),
        ("flood_share", 0.01, None, SUMMARY, "found"),
        ("frequent_share", 0.05, None, SUMMARY, "found"),
        ("chattering", 0, None, SUMMARY, "found"),
        ("fleeting", 0, None, SUMMARY, "found"),
        ("stale", 5, None, SUMMARY, "found"),
        ("priority_low", 0.80, None, SUMMARY, "found"),
        ("priority_medium", 0.15, None, SUMMARY, "found"),
        ("priority_high", 0.05, None, SUMMARY, "found"),
        ("eemua_per_operator_hour", 5, None, LEAFLET, "found"),
        ("eemua_per_operator_day", 120, None, LEAFLET, "found"),
        ("eemua_peak_hour", 15, None, LEAFLET, "found"),
        ("eemua_peak_minute", 2, None, LEAFLET, "found"),
    ],
)
def test_targets(key: str, bound: float, manageable: float | None, source: str, confirmed: str) -> None:
    target = BY_KEY[key]
    check(SECTION, f"target: {target.what}", bound, target.bound, source=source, confirmed=confirmed)
    assert target.confirmed == confirmed
    if manageable is None:
        assert target.manageable is None
    else:
        what = f"most that can be managed: {target.what}"
        check(SECTION, what, manageable, target.manageable, source=source, confirmed=confirmed)


def test_no_target_is_without_a_check() -> None:
    assert len(BY_KEY) == len(TARGETS) == 18


def test_what_counts_as_what() -> None:
    def found(what: str, expected: object, actual: object, source: str = NOTE) -> None:
        check(SECTION, what, expected, actual, source=source, confirmed="found")

    found("stale after, h", 24, STALE_US / HOUR_US)
    found("data base, d", 30, DATA_BASE_US / DAY_US, SUMMARY)
    found("a flood starts above, alarms", 10, FLOOD_MORE_THAN)
    found("a flood ends below, alarms", 5, FLOOD_FEWER_THAN)
    found("a flood's window, min", 10, FLOOD_WINDOW_US / MINUTE_US)
    three, six = CHATTER[Chattering.THREE_IN_A_MINUTE], CHATTER[Chattering.SIX_IN_FIVE_MINUTES]
    found("chattering, a working rule: starts within 1 min", (3, MINUTE_US), three, "a page of common working rules")
    found("chattering, a public note: more than 5 starts within 5 min", (6, 5 * MINUTE_US), six)


def random_steps(seed: int, bursts: int, length_us: int) -> list[AlarmStep]:
    """Bursts and quiet hours of forty alarms: starts, returns and acknowledgements, whole seconds."""
    random = Random(seed)
    tries = [random.randrange(length_us // SECOND_US) for _ in range(5 * bursts)]
    for _ in range(bursts):
        base = random.randrange(length_us // SECOND_US)
        tries += [base + random.randrange(300) for _ in range(random.randint(8, 40))]
    free_us: dict[str, int] = {}
    steps: list[AlarmStep] = []
    for second in sorted(tries):
        number = int(random.betavariate(1, 3) * 40)
        alarm, at = f"a{number:02}", second * SECOND_US
        if at < free_us.get(alarm, 0):
            continue
        returned_us = at + random.choice([3, 30, 300, 3_000, 20_000]) * SECOND_US
        noted_us = returned_us + random.choice([1, 10, 100, 1_000]) * SECOND_US
        free_us[alarm] = noted_us + SECOND_US
        raised, returned = State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED
        for event, before, after, us in (
            (Event.STARTS, State.NORMAL, raised, at),
            (Event.RETURNS, raised, returned, returned_us),
            (Event.ACKNOWLEDGE, returned, State.NORMAL, noted_us),
        ):
            priority = list(Priority)[number % 3]
            steps.append(AlarmStep(alarm, "count-alert", priority, event, before, after, us, us))
    return sorted(steps, key=lambda each: each.found_us)


@pytest.mark.parametrize("seed", range(4))
def test_windows_and_shares_as_pandas_counts_them(seed: int) -> None:
    days = 6
    steps = random_steps(seed, 30, days * DAY_US)
    period = Period(DAY_US, days * DAY_US)
    found = figures(steps, period)
    frame = pd.DataFrame(
        [(s.found_us, s.alarm, s.priority.value) for s in steps if s.event is Event.STARTS],
        columns=["us", "alarm", "priority"],
    )
    frame.index = pd.to_datetime(frame["us"], unit="us")
    begin, end = pd.Timestamp(period.start_us, unit="us"), pd.Timestamp(period.end_us, unit="us")
    mine = frame[(frame.index >= begin) & (frame.index < end)]

    def resampled(rule: str) -> pd.Series[int]:
        counted = mine["us"].resample(rule, origin="epoch").count()
        return counted.reindex(pd.date_range(begin, end, freq=rule, inclusive="left"), fill_value=0)

    tens, hours = resampled("10min"), resampled("h")
    assert found.annunciated == len(mine)
    assert (found.ten_minutes.number, found.hours.number) == (len(tens), len(hours))
    assert (found.ten_minutes.over, found.ten_minutes.most) == (int((tens > 10).sum()), int(tens.max()))
    assert (found.hours.over, found.hours.most) == (int((hours > 30).sum()), int(hours.max()))
    # The same instant several times: its last row has seen them all, as the sliding window has.
    rolled = frame["us"].rolling("10min").count().groupby(level=0).max()
    assert found.peak_10_min == int(rolled[(rolled.index >= begin) & (rolled.index < end)].max())
    counted = mine["alarm"].value_counts()
    assert {o.alarm: o.number for o in found.frequent if o.number > counted.iloc[9]} == dict(
        counted[counted > counted.iloc[9]]
    )
    assert found.frequent_share == pytest.approx(counted.iloc[:10].sum() / len(mine))
    shares = mine["priority"].value_counts(normalize=True)
    for priority in Priority:
        assert found.priority_share(priority) == pytest.approx(shares.get(priority.value, 0.0))
    least, window_us = CHATTER[Chattering.THREE_IN_A_MINUTE]
    assert window_us == MINUTE_US
    most = {
        str(alarm): int(group["us"].rolling("1min").count().loc[begin:].max())
        for alarm, group in frame.groupby("alarm")
        if (group.index >= begin).any()
    }
    assert {o.alarm: o.number for o in found.chattering} == {a: n for a, n in most.items() if n >= least}


@pytest.mark.parametrize("seed", range(4))
def test_time_to_acknowledge_as_numpy_has_it(seed: int) -> None:
    steps = random_steps(seed, 30, 6 * DAY_US)
    period = Period(0, 8 * DAY_US)
    pairs: dict[str, int] = {}
    took = []
    for step in steps:
        if step.found_us >= period.end_us:
            continue
        if step.event is Event.STARTS:
            pairs[step.alarm] = step.found_us
        elif step.event is Event.ACKNOWLEDGE:
            took.append(step.found_us - pairs.pop(step.alarm))
    found = figures(steps, period).acknowledging
    assert (found.acknowledged, found.waiting) == (len(took), len(pairs))
    assert found.median_us == np.median(took)
    assert found.p90_us == np.quantile(took, 0.9, method="inverted_cdf")
    assert found.longest_us == max(took)


@pytest.mark.parametrize("seed", range(4))
def test_time_in_flood_as_counted_second_by_second(seed: int) -> None:
    """All instants are whole seconds, so that the state of each second is that of its first instant."""
    steps = random_steps(seed, 30, 2 * DAY_US)
    period = Period(0, 4 * DAY_US)
    seconds = np.array(
        [s.found_us // SECOND_US for s in steps if s.event is Event.STARTS and s.found_us < period.end_us]
    )
    come = np.bincount(seconds, minlength=period.end_us // SECOND_US)
    in_window = np.cumsum(come) - np.concatenate([np.zeros(600, int), np.cumsum(come)[:-600]])
    flood, length, begun = False, 0, 0
    for now, held in enumerate(in_window):
        # What leaves goes before what comes, at one instant.
        if flood and held - come[now] < 5:
            flood = False
        if not flood and held > 10:
            flood, begun = True, begun + 1
        length += flood
    found = figures(steps, period)
    assert begun > 0
    assert len(found.floods) == begun
    assert found.flood_us == length * SECOND_US


@pytest.mark.parametrize(
    ("per_hour", "verdict"), [(0, Verdict.MET), (6, Verdict.MET), (12, Verdict.MANAGEABLE), (13, Verdict.NOT_MET)]
)
def test_verdicts_on_a_rate(per_hour: int, verdict: Verdict) -> None:
    hours = 30 * 24
    steps = [
        AlarmStep("a", "k", Priority.LOW, event, before, after, at, at)
        for hour in range(hours)
        for n in range(per_hour)
        for at in [hour * HOUR_US + n * MINUTE_US]
        for event, before, after in (
            (Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED),
            (Event.ACKNOWLEDGE, State.UNACKNOWLEDGED, State.ACKNOWLEDGED),
            (Event.RETURNS, State.ACKNOWLEDGED, State.NORMAL),
        )
    ]
    target = BY_KEY["per_operator_hour"]
    assert target.judge(figures(steps, Period(0, hours * HOUR_US))) is verdict
    assert target.judge(figures(steps, Period(0, hours * HOUR_US - 1))) is Verdict.TOO_SHORT
    expected = Verdict.NO_ALARMS if per_hour == 0 else Verdict.MET
    assert BY_KEY["priority_low"].judge(figures(steps, Period(0, hours * HOUR_US))) is expected
