"""What the answer page says in words, and the bar that says the same."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.alarms.lifecycle import HIDDEN, TABLE, Event, State
from motewatch.callout.words import figure, with_unit
from motewatch.picture.words import EVENTS, STATES
from motewatch.web import words
from motewatch.web.bar import bar
from support.answering import MINUTE_US, T0, step

BERLIN = ZoneInfo("Europe/Berlin")
NAMES = {"ada": "Ada", "ben": "Ben"}
HOUR_US = 60 * MINUTE_US


def stands(*steps: object, person: str = "ada") -> words.Standing:
    return words.standing(steps, NAMES, BERLIN, T0, person)  # type: ignore[arg-type]


STARTED = step(Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED)


def test_every_state_is_said_in_words_and_offers_only_what_the_lifecycle_allows() -> None:
    for state in State:
        made = stands(STARTED, step(Event.RETURNS, State.UNACKNOWLEDGED, state, by="ben"))
        assert made.head
        assert made.detail
        assert not made.acknowledge or Event.ACKNOWLEDGE in TABLE[state]
        assert not made.shelve or Event.SHELVE in TABLE[state]
        # What nobody has taken note of can always be taken.
        assert made.acknowledge == (Event.ACKNOWLEDGE in TABLE[state])
        assert made.open == made.acknowledge
        assert not (made.acknowledge or made.shelve) or state not in HIDDEN
    assert not stands().acknowledge


def test_who_took_it_and_when() -> None:
    taken = step(
        Event.ACKNOWLEDGE, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, by="ben", found_us=T0 - MINUTE_US, comment="going"
    )
    made = stands(STARTED, taken)
    assert (made.head, made.detail) == ("Ben took it at 22:26", "The condition still holds. “going”")
    assert stands(STARTED, taken, person="ben").head == "You took it at 22:26"
    # By another way people may write their name, or be nobody we know.
    by_name = step(Event.ACKNOWLEDGE, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, by="BEN", found_us=T0)
    assert stands(STARTED, by_name, person="ben").head == "You took it at 22:27"
    guest = step(Event.ACKNOWLEDGE, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, by="guest", found_us=T0)
    assert stands(STARTED, guest).head == "guest took it at 22:27"


def test_what_is_shelved_says_by_whom_until_when_and_why() -> None:
    shelved = step(
        Event.SHELVE,
        State.UNACKNOWLEDGED,
        State.SHELVED,
        by="ben",
        found_us=T0 - MINUTE_US,
        until_us=T0 + HOUR_US,
        comment="door seal",
    )
    made = stands(STARTED, shelved)
    assert made.head == "Shelved by Ben until 23:27"
    assert made.detail == "Since 22:26. It comes back by itself. “door seal”"


def test_when_it_was_over_is_told_although_steps_came_after_it() -> None:
    over = step(Event.RETURNS, State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, at_us=T0 - 5 * MINUTE_US)
    assert stands(STARTED, over).detail == "It returned to normal at 22:22."
    taken = step(Event.ACKNOWLEDGE, State.RETURNED_UNACKNOWLEDGED, State.NORMAL, at_us=T0, by="ben")
    assert stands(STARTED, over, taken).detail == "It returned to normal at 22:22."


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0"),
        (14210, "14 210"),
        (99.96, "100"),
        (35.3, "35.3"),
        (0.0512, "0.0512"),
        (-4.2, "−4.2"),
        (3520.4, "3 520"),
    ],
)
def test_figures(value: float, text: str) -> None:
    assert figure(value) == text.replace(" ", "\u202f")


def test_units_are_those_of_the_trade() -> None:
    assert with_unit(3520, "/m3") == "3\u202f520\u202f/m³"
    assert with_unit(12.5, "Pa") == "12.5\u202fPa"
    assert with_unit(12.5, "") == "12.5"


@pytest.mark.parametrize(
    ("before_min", "text"),
    [(0, "just now"), (1, "1 minute ago"), (119, "119 minutes ago"), (120, "2 hours ago"), (60 * 72, "3 days ago"),
     (-5, "just now")],
)  # fmt: skip
def test_how_long_ago(before_min: int, text: str) -> None:
    assert words.ago(T0 - before_min * MINUTE_US, T0) == text


@pytest.mark.parametrize(
    ("minutes", "text"), [(1, "1 minute"), (30, "30 minutes"), (60, "1 hour"), (90, "1.5 hours"), (100, "100 minutes"),
                          (240, "4 hours")],
)  # fmt: skip
def test_lengths(minutes: int, text: str) -> None:
    assert words.length(minutes) == text


def test_times_name_the_day_where_it_is_not_today() -> None:
    assert words.at(T0, BERLIN, T0) == "22:27"
    assert words.at(T0 + 4 * HOUR_US, BERLIN, T0) == "Fri 02:27"
    assert words.at(T0 - 30 * 24 * HOUR_US, BERLIN, T0) == "2026-04-28 22:27"


@pytest.mark.parametrize(
    ("value", "limit", "said"),
    [
        (14_210.0, 3_520.0, "4 times the limit"),
        (3_534.0, 3_520.0, "less than 1 % above the limit"),
        (3_872.0, 3_520.0, "10 % above the limit"),
        (3_520.0, 3_520.0, "at the limit"),
        (6.0, 10.0, "40 % below the limit"),
        (-3.0, 10.0, "below the limit"),
        (5.0, 0.0, "above the limit"),
        (352_000.0, 1.0, "350\u202f000 times the limit"),
    ],
)
def test_the_bar_in_words(value: float, limit: float, said: str) -> None:
    made = bar(value, limit, "/m3")
    assert made is not None
    assert made.words == said
    assert made.above == (value > limit)


def test_no_bar_without_numbers() -> None:
    for value, limit in ((None, 1.0), (1.0, None), (float("nan"), 1.0), (1.0, float("inf"))):
        assert bar(value, limit, "") is None


@given(st.floats(-1e9, 1e9), st.floats(-1e9, 1e9))
def test_the_bar_stays_within_its_frame_and_ends_on_the_right_side_of_the_mark(value: float, limit: float) -> None:
    made = bar(value, limit, "")
    assert made is not None
    assert made.start >= 0
    assert made.start + made.width <= 100.6
    assert 0 <= made.mark <= 99
    if value >= 0 and limit >= 0 and abs(value - limit) > 0.03 * max(value, limit):
        assert (made.start + made.width > made.mark) == made.above


def test_every_step_and_state_of_an_alarm_has_its_words() -> None:
    assert {*EVENTS} == {event.value for event in Event}
    assert {*STATES} == {state.value for state in State}


@pytest.mark.parametrize(
    ("zone", "said"),
    [("Europe/Berlin", "Europe/Berlin (CEST)"), ("Asia/Dubai", "Asia/Dubai (UTC+04)"), ("UTC", "UTC")],
)
def test_a_zone_is_named_with_its_letters(zone: str, said: str) -> None:
    assert words.zone_words(T0, ZoneInfo(zone)) == said
