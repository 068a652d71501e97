"""Reports as data: lives of alarms, and the content hash."""

from __future__ import annotations

from typing import Any

from motewatch.alarms.lifecycle import Event, State
from motewatch.alarms.priority import Priority
from motewatch.engine.records import AlarmChanged
from motewatch.picture.report import canonical, content_hash, report_id
from motewatch.picture.report_alarms import life_figures, lives, size_of


def step(event: Event, before: State, after: State, at_us: int, **more: Any) -> AlarmChanged:
    alarm = more.pop("alarm", "location/l1/0.5um/action")
    return AlarmChanged(alarm, "count-action", Priority.HIGH, event, before, after, at_us, at_us + 5, "text", **more)


STORY = (
    step(Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED, 100, value=4000.0, limit=3520.0, unit="/m3", location="l1"),
    step(Event.ACKNOWLEDGE, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, 150, by="ada", comment="Door was open."),
    step(Event.RETURNS, State.ACKNOWLEDGED, State.NORMAL, 200, value=90.0),
    step(Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED, 900),
)


def test_lives_begin_and_end_at_normal() -> None:
    first, second = lives(STORY)
    assert (first.over, second.over) == (True, False)
    assert first.condition_end_us == 200
    assert second.condition_end_us is None
    told = life_figures(first)
    assert (told["peak"], told["from_us"], told["until_us"], told["acknowledged_by"]) == (4000.0, 100, 200, "ada")
    assert told["comments"] == [{"at_us": 150, "event": "acknowledge", "by": "ada", "comment": "Door was open."}]


def test_a_life_belongs_to_every_time_that_it_touches() -> None:
    first, second = lives(STORY)
    assert first.touches(150, 160)
    assert first.touches(0, 101)
    assert not first.touches(0, 100)
    assert not first.touches(201, 300)
    assert second.touches(10_000, 20_000)


def test_a_condition_that_came_back_is_not_over() -> None:
    steps = (
        step(Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED, 1),
        step(Event.RETURNS, State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, 2),
        step(Event.STARTS, State.RETURNED_UNACKNOWLEDGED, State.UNACKNOWLEDGED, 3),
    )
    (life,) = lives(steps)
    assert life.condition_end_us is None
    assert life_figures(life)["starts"] == 2


def test_what_came_after_the_report_is_not_its_peak() -> None:
    steps = (
        step(Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED, 1, value=4000.0),
        step(Event.RETURNS, State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, 2, value=90.0),
        step(Event.STARTS, State.RETURNED_UNACKNOWLEDGED, State.UNACKNOWLEDGED, 30, value=9000.0),
        step(Event.ACKNOWLEDGE, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, 40, by="ada"),
    )
    told = life_figures(lives(steps)[0], end_us=20)
    assert (told["peak"], told["peak_us"], told["starts"]) == (4000.0, 1, 1)
    # Who took note of it, and when, is told also where that was later.
    assert (told["acknowledged_us"], told["acknowledged_by"]) == (40, "ada")
    assert life_figures(lives(steps)[0], end_us=30)["peak"] == 9000.0


def test_the_peak_of_a_lower_bound_is_the_least() -> None:
    low = "location/l1/pressure-difference-low/action"
    steps = (
        step(Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED, 1, alarm=low, value=9.0),
        step(Event.RETURNS, State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, 2, alarm=low, value=12.0),
        step(Event.STARTS, State.RETURNED_UNACKNOWLEDGED, State.UNACKNOWLEDGED, 3, alarm=low, value=6.0),
    )
    told = life_figures(lives(steps)[0])
    assert (told["peak"], told["peak_us"]) == (6.0, 3)


def test_which_size_an_alarm_is_about() -> None:
    assert size_of("location/needles-1/0.5um/action") == 500
    assert size_of("location/needles-1/temperature-high/action") is None


def data(**changes: Any) -> dict[str, Any]:
    return {
        "site": {"time_zone": "Europe/Berlin"},
        "scope": {"kind": "day", "start_us": 1_780_000_020_000_000},
        "record": {"seal": 7},
        "locations": [{"id": "l1", "samples": 5, "charts": [1]}, {"id": "l2", "samples": 6, "charts": []}],
        "notes": ["a"],
        **changes,
    }


def test_the_hash_follows_from_the_content_alone() -> None:
    turned = dict(reversed(data().items()))
    assert canonical(turned) == canonical(data())
    assert content_hash(turned) == content_hash(data())
    assert content_hash(data(notes=["b"])) != content_hash(data())
    # How far the record had come is no part of what the report says.
    assert content_hash(data(record={"seal": 9})) == content_hash(data())
    assert report_id(data()) == f"day-20260528-2227-{content_hash(data())[:12]}"
