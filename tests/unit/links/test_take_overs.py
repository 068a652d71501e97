"""When another client that takes our session is told, and when again."""

from __future__ import annotations

from motewatch.engine.records import SessionTaken
from motewatch.links.take_overs import QUIET_US, WITHIN_US, TakeOvers
from motewatch.wire.records import SECOND_US

BEGAN = 1_780_000_000_000_000


def test_what_the_broker_says_is_told_at_once_and_a_fight_every_ten_minutes_with_its_number() -> None:
    take_overs = TakeOvers("daemon-x")
    told = [take_overs.said(BEGAN + number * 5 * SECOND_US) for number in range(241)]
    assert told[0] == SessionTaken(1, "daemon-x", BEGAN, True)
    assert [number for number, each in enumerate(told) if each] == [0, 120, 240]
    assert told[120] == SessionTaken(120, "daemon-x", BEGAN + 5 * SECOND_US, True)
    assert told[240] == SessionTaken(120, "daemon-x", BEGAN + 605 * SECOND_US, True)


def test_one_after_a_quiet_time_is_told_at_once() -> None:
    take_overs = TakeOvers("daemon-x")
    assert take_overs.said(BEGAN) is not None
    assert take_overs.said(BEGAN + QUIET_US - 1) is None
    later = BEGAN + 3 * QUIET_US
    assert take_overs.said(later) == SessionTaken(2, "daemon-x", BEGAN + QUIET_US - 1, True)


def test_a_clock_that_is_set_back_silences_nothing() -> None:
    take_overs = TakeOvers("daemon-x")
    take_overs.said(BEGAN)
    assert take_overs.said(BEGAN - SECOND_US) is not None


def test_connections_closed_without_a_word_are_concluded_from_the_fourth_within_minutes() -> None:
    take_overs = TakeOvers("daemon-x")
    told = [take_overs.closed(BEGAN + number * 5 * SECOND_US) for number in range(5)]
    assert told == [None, None, None, SessionTaken(4, "daemon-x", BEGAN, False), None]


def test_closes_far_apart_or_of_a_broker_that_is_away_between_them_mean_nothing() -> None:
    take_overs = TakeOvers("daemon-x")
    assert not any(take_overs.closed(BEGAN + number * WITHIN_US // 3) for number in range(40))
    for number in range(40):
        assert take_overs.closed(BEGAN + number * SECOND_US) is None
        if number % 3 == 2:
            take_overs.refused()
