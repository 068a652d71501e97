"""The pages about alarms: what is offered in each state, what each list asks of people, and alarms by time."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from zoneinfo import ZoneInfo

import pytest

from motewatch.alarms.lifecycle import TABLE, Event, State
from motewatch.engine.records import OrderedAct
from motewatch.journal.journal import Journal
from motewatch.site.models import Site
from motewatch.web.access.roles import May
from motewatch.web.console.alarm_acts import ACTS, acts_for, becomes_of, minutes_up_to
from motewatch.web.console.alarm_figures_page import HEIGHT, LEAST_BARS, WIDTH, chart_of, figures_page
from motewatch.web.console.alarm_page import GROUPS
from motewatch.web.console.house import templates
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US
from support.report_record import T0 as T0_RECORD
from support.report_record import make_record, report_site

ALL = frozenset(May)
T0 = 1_780_000_000_000_000
END_US = T0_RECORD + 1440 * MINUTE_US + 4_000_000


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


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Journal]:
    """A record of a day and an hour, with one excursion."""
    path = tmp_path_factory.mktemp("figures") / "journal.db"
    make_record(path)
    with Journal.open_reader(path) as journal:
        yield journal


def figures_at(record: Journal, now_us: int, days: int) -> str:
    """The page's text as it is then."""
    zone = ZoneInfo("Europe/Berlin")
    shown = figures_page(record, Site.model_validate(report_site()), zone, now_us, days)
    around: dict[str, object] = {
        "not_obeyed": "",
        "visitor": None,
        "title": "Works",
        "ways": [],
        "foot": [],
        "days": days,
        "choices": (1, 7, 30, 90),
    }
    page = templates().get_template("console/alarm_figures.html").render(**around, **shown)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())


def test_a_young_record_gives_numbers_and_no_rates(record: Journal) -> None:
    page = figures_at(record, END_US - 60 * MINUTE_US, 1)
    assert "The record of this time is 2 h 00 min long" not in page
    young = figures_at(record, T0_RECORD + 60 * MINUTE_US, 7)
    assert "The record of this time is 2 h 00 min long." in young
    assert "shown once it holds 1 day" in young
    assert "alarms presented 0" in young
    assert "/d" not in young
    assert "target:" not in young


def test_a_record_of_a_day_gives_rates_and_names_its_alarms(record: Journal) -> None:
    page = figures_at(record, END_US, 7)
    assert "alarms per operator and day 0.96/d target: about 144, at most 288 ~ – not judged: under 30 days" in page
    assert "Most frequent 1 (100.0 %) Needle side: ≥0.5 µm, action" in page
    assert "location/fill-1" not in page


@pytest.mark.parametrize(
    ("state", "said"),
    [
        (State.UNACKNOWLEDGED, "stays on the list until it returns to normal"),
        (State.RETURNED_UNACKNOWLEDGED, "takes it from the list"),
        (State.LATCHED_UNACKNOWLEDGED, "stays on the list until somebody resets it"),
    ],
)
def test_what_acknowledging_makes_of_an_alarm_is_said_as_the_lifecycle_has_it(state: State, said: str) -> None:
    act = next(each for each in acts_for(state, ALL.__contains__) if each.ordered is OrderedAct.ACKNOWLEDGE)
    assert said in act.about
    assert act.about.endswith(becomes_of(state))
    # "The list" is what is not normal.
    assert ("takes it from the list" in act.about) == (TABLE[state][Event.ACKNOWLEDGE] is State.NORMAL)


@pytest.mark.parametrize("state", [state for state in State if Event.ACKNOWLEDGE not in TABLE[state]])
def test_where_there_is_nothing_to_acknowledge_nothing_is_said_of_it(state: State) -> None:
    assert becomes_of(state) == ""
