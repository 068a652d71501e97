"""The pages about alarms: what is offered in each state, what each list asks of people, and alarms by time."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from motewatch.alarms.lifecycle import TABLE, Event, State
from motewatch.engine.records import OrderedAct
from motewatch.web.access.roles import May
from motewatch.web.console.alarm_acts import ACTS, acts_for, minutes_up_to
from motewatch.web.console.alarm_figures_page import HEIGHT, LEAST_BARS, WIDTH, chart_of
from motewatch.web.console.alarm_page import GROUPS
from motewatch.wire.records import DAY_US, HOUR_US

ALL = frozenset(May)
T0 = 1_780_000_000_000_000


@pytest.mark.parametrize(
    ("state", "acts"),
    [
        (State.NORMAL, ["shelve", "remove-from-service"]),
        (State.UNACKNOWLEDGED, ["acknowledge", "shelve", "remove-from-service"]),
        (State.ACKNOWLEDGED, ["shelve", "remove-from-service"]),
        (State.RETURNED_UNACKNOWLEDGED, ["acknowledge", "shelve", "remove-from-service"]),
        (State.LATCHED_UNACKNOWLEDGED, ["acknowledge", "reset", "remove-from-service"]),
        (State.LATCHED_ACKNOWLEDGED, ["reset", "remove-from-service"]),
        (State.SHELVED, ["unshelve", "remove-from-service"]),
        (State.SUPPRESSED_BY_DESIGN, ["remove-from-service"]),
        (State.OUT_OF_SERVICE, ["return-to-service"]),
    ],
)
def test_a_state_offers_what_the_lifecycle_allows(state: State, acts: list[str]) -> None:
    assert [act.ordered.value for act in acts_for(state, ALL.__contains__)] == acts
    assert acts_for(state, lambda right: right is May.LOOK) == []


def test_who_may_only_acknowledge_is_offered_that_alone() -> None:
    found = acts_for(State.UNACKNOWLEDGED, {May.LOOK, May.ACKNOWLEDGE}.__contains__)
    assert [act.ordered for act in found] == [OrderedAct.ACKNOWLEDGE]


def test_every_step_that_a_person_can_make_has_a_form() -> None:
    by_itself = {
        Event.STARTS,
        Event.RETURNS,
        Event.RETURNS_LATCHED,
        Event.RE_ALARM,
        Event.SUPPRESS,
        Event.UNSUPPRESS_ACTIVE,
        Event.UNSUPPRESS_NORMAL,
    }
    assert {event for act in ACTS for event in act.events} == set(Event) - by_itself


def test_every_state_but_normal_is_in_one_list() -> None:
    listed = [state for _, _, states in GROUPS for state in states]
    assert sorted(listed) == sorted(state.value for state in TABLE if state is not State.NORMAL)


def test_a_shelving_is_never_longer_than_the_site_allows() -> None:
    assert minutes_up_to(12) == [15, 30, 60, 120, 240, 480]
    assert minutes_up_to(168)[-1] == 10_080
    assert minutes_up_to(0.1) == [6]


def test_bars_hold_every_alarm_at_its_time() -> None:
    instants = [T0, T0 + 1, T0 + HOUR_US, T0 + 47 * HOUR_US + 5]
    chart = chart_of(instants, T0, T0 + 2 * DAY_US, ZoneInfo("UTC"), HOUR_US)
    assert [(bar["x"], bar["height"]) for bar in chart["bars"]] == [
        (0.0, HEIGHT),
        (round(WIDTH / 48, 2), HEIGHT / 2),
        (round(WIDTH / 48 * 47, 2), HEIGHT / 2),
    ]
    assert (chart["total"], chart["most"]) == (4, 2)
    assert chart["when"].startswith("Thu 2026-05-28 20:26")
    young = chart_of([T0], T0, T0 + 60_000_000, ZoneInfo("UTC"), HOUR_US)
    assert young["bars"][0]["x"] == round(WIDTH * (LEAST_BARS - 1) / LEAST_BARS, 2)
    assert chart_of([], T0, T0 + DAY_US, ZoneInfo("UTC"), DAY_US)["bars"] == []
