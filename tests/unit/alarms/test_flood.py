"""The flood detector: start and end to the microsecond, repeats, state, and any order of alarms of one instant."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.alarms.flood import Flood, FloodChange
from motewatch.wire.records import MINUTE_US, SECOND_US

STARTED, ENDED = FloodChange.STARTED, FloodChange.ENDED


def test_the_eleventh_alarm_in_ten_minutes_starts_it() -> None:
    flood = Flood()
    assert [flood.observe(n * MINUTE_US) for n in range(10)] == [None] * 10
    assert flood.observe(9 * MINUTE_US) is STARTED
    assert flood.since_us == 9 * MINUTE_US
    assert flood.observe(9 * MINUTE_US) is None


def test_one_alarm_a_minute_never_is_one() -> None:
    """The one from ten minutes ago has left when the next comes: ten in the window, and not more."""
    flood = Flood()
    assert {flood.observe(n * MINUTE_US) for n in range(100)} == {None}


def test_it_ends_when_an_alarm_leaves_and_four_remain() -> None:
    flood = Flood()
    for n in range(11):
        change = flood.observe(n * 10 * SECOND_US)
    assert change is STARTED
    # Alarms at 0, 10 ... 100 s. With that of 60 s gone, those of 70, 80, 90 and 100 s remain.
    assert flood.end_us == 10 * MINUTE_US + 60 * SECOND_US
    assert flood.expire(flood.end_us - 1) is None
    assert flood.active
    assert flood.expire(660 * SECOND_US) is ENDED
    assert not flood.active
    assert flood.end_us is None
    assert flood.expire(10**12) is None


def test_a_further_alarm_prolongs_it() -> None:
    flood = Flood(more_than=2, fewer_than=2, window_us=100)
    for at in (0, 0, 0):
        flood.observe(at)
    assert flood.end_us == 100
    assert flood.observe(60) is None
    # One must leave so that fewer than two remain: those of 0 leave at 100, and only that of 60 is left.
    assert flood.end_us == 100
    flood.observe(70)
    assert flood.end_us == 160


def test_an_end_that_nobody_asked_for_is_told_by_the_next_alarm() -> None:
    flood = Flood(more_than=2, fewer_than=1, window_us=100)
    assert [flood.observe(0) for _ in range(3)] == [None, None, STARTED]
    assert flood.observe(1_000) is ENDED
    assert not flood.active
    assert [flood.observe(1_000) for _ in range(2)] == [None, STARTED]


def test_at_one_instant_alarms_leave_before_others_come() -> None:
    flood = Flood(more_than=2, fewer_than=2, window_us=100)
    for _ in range(3):
        flood.observe(0)
    assert flood.observe(100) is ENDED


@pytest.mark.parametrize(("more_than", "fewer_than", "window_us"), [(5, 6, 1), (5, 0, 1), (5, 5, 0)])
def test_numbers_that_contradict_each_other_are_refused(more_than: int, fewer_than: int, window_us: int) -> None:
    with pytest.raises(ValueError, match="a flood of more than"):
        Flood(more_than, fewer_than, window_us)


def by_definition(instants: list[int], more_than: int, fewer_than: int, window_us: int) -> list[tuple[int, int | None]]:
    """Floods by looking at every instant at which anything comes or leaves, counting the whole window each time."""
    floods: list[tuple[int, int | None]] = []
    since: int | None = None
    for at in sorted({*instants, *(x + window_us for x in instants)}):
        left = sum(at - window_us < x < at for x in instants)
        if since is not None and left < fewer_than and at - window_us in instants:
            floods.append((since, at))
            since = None
        there = sum(at - window_us < x <= at for x in instants)
        if since is None and there > more_than:
            since = at
    return floods if since is None else [*floods, (since, None)]


@given(
    st.lists(st.integers(0, 300), max_size=60),
    st.integers(1, 6),
    st.data(),
)
def test_it_is_what_the_definition_says_also_with_restarts(
    instants: list[int], more_than: int, data: st.DataObject
) -> None:
    fewer_than = data.draw(st.integers(1, more_than))
    window_us = data.draw(st.integers(1, 60))
    cuts = data.draw(st.sets(st.integers(0, 60)))
    flood = Flood(more_than, fewer_than, window_us)
    found: list[tuple[int, int | None]] = []
    for number, at in enumerate(sorted(instants)):
        if number in cuts:
            flood = Flood.from_state(json.loads(json.dumps(flood.to_state())), more_than, fewer_than, window_us)
        end, since = flood.end_us, flood.since_us
        change = flood.observe(at)
        if change is ENDED:
            assert since is not None
            found.append((since, end))
    end, since = flood.end_us, flood.since_us
    if since is not None:
        assert end is not None
        assert flood.expire(end) is ENDED
        found.append((since, end))
    assert found == by_definition(instants, more_than, fewer_than, window_us)
