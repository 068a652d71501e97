"""Alarm performance: a period cut in two adds up, and the order of alarms of one instant does not matter."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from motewatch.alarms.annunciations import AlarmStep
from motewatch.alarms.lifecycle import TABLE, Event, State, step
from motewatch.alarms.performance import LEAD_US, Period, figures
from motewatch.alarms.priority import Priority
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, SECOND_US

HOURS = 60


@st.composite
def histories(draw: st.DrawFn) -> list[AlarmStep]:
    """Random walks of a few alarms through the lifecycle's table, in bursts; several steps may share an instant."""
    steps: list[AlarmStep] = []
    for alarm in draw(st.lists(st.sampled_from("abcde"), min_size=1, max_size=5, unique=True)):
        state = State.NORMAL
        at_us = draw(st.integers(0, HOURS)) * HOUR_US
        pauses = st.sampled_from([0, 1, SECOND_US, 5 * SECOND_US, MINUTE_US, 3 * HOUR_US, 25 * HOUR_US])
        for pause_us in draw(st.lists(pauses, max_size=60)):
            at_us += pause_us
            event = draw(st.sampled_from(sorted(TABLE[state])))
            before, state = state, step(state, event)
            priority = list(Priority)[ord(alarm) % 3]
            steps.append(AlarmStep(alarm, "count-alert", priority, event, before, state, at_us, at_us))
    return sorted(steps, key=lambda one: (one.found_us, one.alarm))


cuts = st.integers(1, HOURS - 1).map(lambda hour: hour * HOUR_US)
WHOLE = Period(0, HOURS * HOUR_US)


@settings(max_examples=200)
@given(histories(), cuts, st.integers(1, 3))
def test_a_period_cut_in_two_adds_up(steps: list[AlarmStep], cut_us: int, operators: int) -> None:
    whole = figures(steps, WHOLE, operators)
    one = figures(steps, Period(0, cut_us), operators)
    two = figures(steps, Period(cut_us, WHOLE.end_us), operators)
    assert whole.annunciated == one.annunciated + two.annunciated
    assert whole.flood_us == one.flood_us + two.flood_us
    assert whole.peak_10_min == max(one.peak_10_min, two.peak_10_min)
    for name in ("ten_minutes", "hours"):
        all_, left, right = (getattr(each, name) for each in (whole, one, two))
        assert (all_.number, all_.over) == (left.number + right.number, left.over + right.over)
        assert all_.most == max(left.most, right.most)
    for priority in Priority:
        assert whole.priorities[priority] == one.priorities[priority] + two.priorities[priority]
    for state, time in whole.hidden.items():
        assert time.total_us == one.hidden[state].total_us + two.hidden[state].total_us
    assert {c.alarm for c in whole.chattering} == {c.alarm for c in (*one.chattering, *two.chattering)}
    assert (whole.standing, whole.standing_stale) == (two.standing, two.standing_stale)


@settings(max_examples=200)
@given(histories(), cuts)
def test_steps_long_before_the_period_do_not_matter(steps: list[AlarmStep], start_us: int) -> None:
    """But for the last of each alarm: what the record's query leaves out changes nothing."""
    period = Period(start_us, WHOLE.end_us)
    first_us = start_us - LEAD_US
    last: dict[str, AlarmStep] = {one.alarm: one for one in steps if one.found_us < first_us}
    kept = [one for one in steps if one.found_us >= first_us or one is last.get(one.alarm)]
    assert figures(kept, period) == figures(steps, period)


@settings(max_examples=200)
@given(histories())
def test_the_order_of_alarms_of_one_instant_does_not_matter(steps: list[AlarmStep]) -> None:
    coarse = [replace(one, found_us=one.found_us // DAY_US * DAY_US + HOUR_US) for one in steps]
    assume(len({one.alarm for one in coarse}) > 1)
    by_alarm = sorted(coarse, key=lambda one: one.alarm)
    other_way = sorted(coarse, key=lambda one: one.alarm, reverse=True)
    assert figures(by_alarm, WHOLE) == figures(other_way, WHOLE) == figures(coarse, WHOLE)


@given(histories())
def test_shares_are_shares(steps: list[AlarmStep]) -> None:
    found = figures(steps, WHOLE)
    assert 0 <= found.flood_share <= 1
    assert sum(found.priorities.values()) == found.annunciated
    assert sum(often.number for often in found.frequent) <= found.annunciated
    assert found.standing_unacknowledged <= found.standing
    starts = sum(one.event is Event.STARTS for one in steps if one.found_us < WHOLE.end_us)
    assert found.fleeting <= starts
    # Each wait begins with an annunciation: nothing else leads into the states that wait.
    waits = found.acknowledging
    assert waits.acknowledged + waits.never + waits.waiting <= found.annunciated
