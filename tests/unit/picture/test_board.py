"""The board through a night: what it says of each room, and when it says that nobody can tell."""

from __future__ import annotations

from typing import Any

import pytest

from motewatch.picture.board import Board, RoomLine
from motewatch.picture.hearing import Cleared, Unreadable
from motewatch.picture.verdicts import LocationLine, holding_of_room
from motewatch.picture.words import Holding
from support.night import (
    ABOVE,
    ACTION,
    ALERT,
    END_S,
    NOISE,
    PRESSURE,
    RECOVERY,
    SILENT,
    STORY,
    at,
    board,
    night_site,
    over_the_wire,
    play,
    quiet,
    sample,
    service,
    step,
)


def room(made: Board, second: float, ident: str) -> RoomLine:
    return next(line for line in made.rooms(at(second)) if line.id == ident)


def location(made: Board, second: float, ident: str) -> LocationLine:
    return next(line for each in made.rooms(at(second)) for line in each.locations if line.id == ident)


def holdings(made: Board, second: float) -> dict[str, str]:
    return {line.id: line.holding.word for line in made.rooms(at(second))}


def calm(second: float = 5.0) -> Board:
    made = board()
    made.hear(service(True, 0), at(0.1))
    for message in [*quiet(second), sample("middle", second)]:
        made.hear(message, at(second + 0.3))
    return made


def alarm(
    made: Board, second: float, ident: str, event: str, before: str, after: str, text: str = "text", **more: Any
) -> None:
    for message in step(ident, event, before, after, second, text, **more):
        made.hear(over_the_wire(message), at(second))


def test_before_anything_is_heard_nobody_can_tell() -> None:
    made = Board(night_site(), at(-1))
    assert set(holdings(made, 0).values()) == {"UNKNOWN"}
    assert made.headline(at(0)).grave
    made.link(True, at(0))
    assert set(holdings(made, 1).values()) == {"UNKNOWN"}
    assert made.headline(at(1)).text == "Listening."
    assert made.headline(at(4)).text == "The service has not been heard: never started, or this user may not listen."
    assert made.headline(at(4)).grave


def test_an_ordinary_minute() -> None:
    made = calm()
    assert holdings(made, 6) == {
        "filling": "HOLDS",
        "solutions": "HOLDS",
        "gowning": "HOLDS",
        "assembly": "HOLDS",
        "corridor": "NO LIMIT",
    }
    line = location(made, 6, "needles")
    assert [(size.size_nm, size.per_m3, size.limit, size.alert) for size in line.sizes] == [
        (500, 120.0, 3520, 1000),
        (5000, 0.0, 29, None),
    ]
    assert line.worst is not None
    assert line.worst.share == pytest.approx(120 / 3520)
    assert room(made, 6, "filling").kind == "grade B"
    climate = {value.quantity: value for value in room(made, 6, "filling").climate}
    bounds = {name: (value.low, value.high, value.alert_high) for name, value in climate.items()}
    assert bounds == {
        "temperature": (18.0, 23.0, None), "humidity": (30.0, 60.0, 55.0), "pressure-difference": (10.0, None, None),
    }  # fmt: skip
    assert {name: value.outside for name, value in climate.items()} == dict.fromkeys(bounds)
    assert climate["humidity"].mean in (44.0, 44.3, 44.1)  # of one of the locations
    headline = made.headline(at(6))
    assert (headline.text, headline.grave) == ("Service online, newest sample 1 s ago.", False)


def test_the_night_of_the_story() -> None:
    made = play(board(), STORY)
    assert holdings(made, END_S) == {
        "filling": "OUT",
        "corridor": "UNKNOWN",
        "solutions": "HOLDS",
        "gowning": "HOLDS",
        "assembly": "HOLDS",
    }
    assert [line.id for line in made.rooms(at(END_S))][:2] == ["filling", "corridor"]
    needles = location(made, END_S, "needles")
    assert needles.holding is Holding.OUT
    assert needles.why == "particles above the action level, pressure difference outside its action bound"
    assert location(made, END_S, "bowl").holding is Holding.HOLDS
    assert location(made, END_S, "middle").why == "the sensor is silent"
    assert [alarm.alarm for alarm in made.standing()] == [PRESSURE, SILENT, ALERT, ACTION]
    assert [happening.text for happening in made.happenings()][:3] == [
        "Filling needles: 4 841/m³ ≥0.5 µm, above the alert level of 1 000 (EU GMP Annex 1)",
        "Filling needles: 4 841/m³ ≥0.5 µm, above the action level of 3 520 (EU GMP Annex 1)",
        'm.okafor acknowledged Filling needles: ≥0.5 µm, action. "On my way."',
    ]


def test_the_morning_after_holds_and_still_shows_what_nobody_acknowledged() -> None:
    made = play(board(), STORY + RECOVERY)
    assert holdings(made, 27)["filling"] == "HOLDS"
    assert [alarm.alarm for alarm in made.standing()] == [PRESSURE, ALERT, SILENT]
    assert {alarm.state for alarm in made.standing()} == {"returned-unacknowledged"}


def test_without_samples_a_room_that_held_is_unknown_and_says_since_when() -> None:
    made = calm()
    made.hear(service(True, 20), at(20))
    assert holdings(made, 20.5)["filling"] == "HOLDS"  # three periods of five seconds and the settling
    assert holdings(made, 20.6)["filling"] == "UNKNOWN"
    line = location(made, 20.6, "needles")
    assert (line.why, line.since_us) == ("no sample for a while", at(5))


def test_a_display_whose_clock_is_behind_does_not_take_old_air_for_fresh() -> None:
    made = board()
    made.hear(service(True, 0), at(0))
    made.hear(sample("needles", 500), at(1))  # by our clock the sample is of the future
    made.hear(service(True, 30), at(30))
    assert location(made, 30, "needles").holding is Holding.UNKNOWN


def test_a_sample_that_arrives_late_is_not_the_present() -> None:
    made = board()
    made.hear(service(True, 0), at(60))
    made.hear(sample("needles", 5), at(60))
    assert location(made, 60, "needles").holding is Holding.UNKNOWN


def test_an_amended_older_period_does_not_replace_the_newest_sample() -> None:
    made = calm(10.0)
    made.hear(sample("needles", 5, (9000, 0), revision=2), at(11))
    line = location(made, 11, "needles")
    assert (line.since_us, line.sizes[0].per_m3) == (at(10), 120.0)
    made.hear(sample("needles", 10, (480, 0), revision=2), at(12))
    assert location(made, 12, "needles").sizes[0].per_m3 == 480.0
    made.hear(sample("needles", 10, (120, 0), revision=1), at(13))
    assert location(made, 13, "needles").sizes[0].per_m3 == 480.0


@pytest.mark.parametrize(
    ("quality", "why"),
    [
        ("missing", "no air was sampled"),
        ("partial", "too little air was sampled"),
        ("over-range", "more particles than the sensor can count"),
        ("flow-fault", "the sensor's flow is at fault"),
        ("laser-fault", "the sensor's laser is at fault"),
        ("clock-suspect", "the sensor's clock is off"),
    ],
)
def test_poor_air_never_shows_that_a_location_holds(quality: str, why: str) -> None:
    made = calm()
    made.hear(sample("needles", 10, quality=(quality,)), at(10.3))
    line = location(made, 10.5, "needles")
    assert (line.holding, line.why) == (Holding.UNKNOWN, why)
    assert room(made, 10.5, "filling").holding is Holding.UNKNOWN


@pytest.mark.parametrize("quality", ["calibration-overdue", "several-sensors"])
def test_qualities_that_do_not_make_air_suspect_change_nothing(quality: str) -> None:
    made = calm()
    made.hear(sample("needles", 10, quality=(quality,)), at(10.3))
    assert location(made, 10.5, "needles").holding is Holding.HOLDS


def test_an_alarm_heard_last_stays_out_when_nobody_can_tell_any_more() -> None:
    made = calm()
    alarm(made, 6, ACTION, "starts", "normal", "unacknowledged", ABOVE, **NOISE)
    made.hear(service(False, 0), at(8))
    line = location(made, 8, "needles")
    assert line.holding is Holding.OUT
    assert line.why == "particles above the action level; now unknown: the service is offline"
    assert location(made, 8, "bowl").holding is Holding.UNKNOWN


def test_the_service_going_and_coming() -> None:
    made = calm()
    made.hear(service(False, 0), at(8))
    assert set(holdings(made, 8).values()) == {"UNKNOWN"}
    headline = made.headline(at(9))
    assert headline.grave
    assert headline.text == "The service is offline since 03:12:08. Below is its last word."
    made.hear(service(True, 10), at(10))
    assert holdings(made, 10)["filling"] == "HOLDS"
    assert [happening.text for happening in made.happenings()] == ["the service went offline", "the service is back"]


def test_a_service_that_cannot_write_its_record_tells_nothing_of_any_room() -> None:
    made = calm()
    full = service(True, 8).model_copy(update={"trouble": "the record cannot be written: no space left"})
    made.hear(full, at(8))
    made.hear(full, at(8.5))
    assert set(holdings(made, 9).values()) == {"UNKNOWN"}
    headline = made.headline(at(9))
    assert headline.grave
    assert headline.text == (
        "The service lives, but the record cannot be written: no space left, since 03:12:08. Below is its last word."
    )
    made.hear(service(True, 10), at(10))
    assert holdings(made, 10)["filling"] == "HOLDS"
    assert [happening.text for happening in made.happenings()] == [
        "the record cannot be written: no space left",
        "the service is back",
    ]


def test_a_service_that_says_nothing_any_more_is_not_believed_to_be_online() -> None:
    # Broker and service dead together: the last will is lost, and the retained "online" stays.
    made = calm()
    assert not made.headline(at(40)).grave
    headline = made.headline(at(41))
    assert headline.grave
    assert headline.text == "Nothing heard from the service for 35 s. Below is its last word."
    made.hear(service(True, 42), at(42))
    assert not made.headline(at(43)).grave


def test_the_link_going_and_coming() -> None:
    made = calm()
    alarm(made, 6, ACTION, "starts", "normal", "unacknowledged", ABOVE, **NOISE)
    made.link(False, at(7), "no connection to 127.0.0.1:1883")
    made.link(False, at(8), "no connection to 127.0.0.1:1883")
    assert made.headline(at(9)).text == "The broker is not reached since 03:12:07: no connection to 127.0.0.1:1883."
    assert holdings(made, 9) == {
        "filling": "OUT", "solutions": "UNKNOWN", "gowning": "UNKNOWN", "corridor": "UNKNOWN", "assembly": "UNKNOWN",
    }  # fmt: skip
    assert [happening.text for happening in made.happenings()][1:] == [
        "the broker is not reached: no connection to 127.0.0.1:1883"
    ]
    made.link(True, at(10))
    # What was retained comes anew; until the service is heard nobody can tell, and no old alarm is kept.
    assert made.standing() == []
    assert holdings(made, 10)["filling"] == "UNKNOWN"
    made.hear(service(True, 10), at(10))
    assert holdings(made, 10)["filling"] == "HOLDS"


def test_one_sample_above_a_level_is_an_alert_before_its_rule_has_spoken() -> None:
    made = calm()
    made.hear(sample("bowl", 10, (240, 58)), at(10.3))
    line = location(made, 10.5, "bowl")
    assert line.holding is Holding.ALERT
    assert line.why == "one sample above the action level, not yet an alarm by its rule"
    made.hear(sample("bowl", 15, (240, 29)), at(15.3))  # equal to the limit is within it
    assert location(made, 15.5, "bowl").holding is Holding.HOLDS


def test_alert_alarms_make_an_alert() -> None:
    made = calm()
    alarm(
        made, 6, "location/needles/humidity-high/alert", "starts", "normal", "unacknowledged",
        kind="humidity-alert", priority="medium", location="needles",
    )  # fmt: skip
    line = location(made, 6, "needles")
    assert (line.holding, line.why) == (Holding.ALERT, "humidity outside its alert bound")
    assert room(made, 6, "filling").holding is Holding.ALERT


def test_a_lost_cascade_puts_the_room_out_at_its_gauge() -> None:
    made = calm()
    room_id, place = next((line.id, each.id) for line in made.rooms(at(6)) for each in line.locations)
    alarm(made, 6, f"cascade/{room_id}/other", "starts", "normal", "unacknowledged", kind="cascade", location=place)
    line = location(made, 6, place)
    assert (line.holding, line.why) == (Holding.OUT, "pressure cascade lost")
    assert room(made, 6, room_id).holding is Holding.OUT


def test_a_climate_value_outside_is_marked_with_side_and_grade() -> None:
    made = calm()
    made.hear(sample("needles", 10, (120, 0), (20.0, 57.0, 8.2)), at(10.3))
    by_quantity = {value.quantity: value.outside for value in room(made, 10.5, "filling").climate}
    assert {key: None if found is None else (found[0].value, found[1].value) for key, found in by_quantity.items()} == {
        "temperature": None,
        "humidity": ("high", "alert"),
        "pressure-difference": ("low", "action"),
    }


def test_too_little_air_is_unknown() -> None:
    made = calm()
    alarm(
        made, 6, "location/needles/insufficient-sampling", "starts", "normal", "unacknowledged",
        kind="insufficient-sampling", priority="medium", location="needles",
    )  # fmt: skip
    assert location(made, 6, "needles").why == "too little air is sampled"


def test_a_location_that_portables_visit_does_not_speak_for_its_room() -> None:
    made = calm()
    store = location(made, 6, "store")
    assert (store.holding, store.why) == (Holding.UNATTENDED, "no portable sensor has come yet")
    assert room(made, 6, "assembly").holding is Holding.HOLDS
    made.hear(sample("store", 6, (400_000, 0)), at(6))
    assert location(made, 7, "store").holding is Holding.ALERT
    made.hear(service(True, 200), at(200))
    assert location(made, 200, "store").holding is Holding.UNATTENDED


def test_a_room_with_no_sensor_of_its_own_is_unknown() -> None:
    assert holding_of_room([LocationLine("x", "X", Holding.UNATTENDED, "", None)]) is Holding.UNKNOWN
    assert holding_of_room([]) is Holding.UNKNOWN


def test_an_event_that_comes_twice_happens_once() -> None:
    made = calm()
    for _ in range(2):
        alarm(made, 6, ACTION, "starts", "normal", "unacknowledged", ABOVE, **NOISE)
    assert (len(made.happenings()), made.events_heard) == (1, 1)


def test_a_cleared_alarm_stands_no_longer() -> None:
    made = calm()
    alarm(made, 6, ACTION, "starts", "normal", "unacknowledged", ABOVE, **NOISE)
    made.hear(Cleared(ACTION), at(7))
    assert made.standing() == []


def test_alarms_that_hold_and_wait_come_first_then_priority_then_the_newest() -> None:
    made = calm()

    def raise_(ident: str, second: float, state: str, priority: str) -> None:
        alarm(made, second, ident, "starts", "normal", state, priority=priority)

    raise_("over", 1, "returned-unacknowledged", "high")
    raise_("acknowledged", 2, "acknowledged", "high")
    raise_("low", 3, "unacknowledged", "low")
    raise_("older", 4, "unacknowledged", "high")
    raise_("newer", 5, "unacknowledged", "high")
    raise_("shelved", 6, "shelved", "high")
    raise_("normal", 7, "normal", "high")
    assert [each.alarm for each in made.standing()] == ["newer", "older", "low", "acknowledged", "over"]
    assert [each.alarm for each in made.hidden()] == ["shelved"]


def test_messages_that_cannot_be_read_are_counted_and_told_once() -> None:
    made = calm()
    for _ in range(3):
        made.hear(Unreadable("motewatch/v1/hillside/event", "v: must be 1"), at(7))
    assert made.unreadable == 3
    assert [happening.text for happening in made.happenings()] == [
        "a message on motewatch/v1/hillside/event cannot be read: v: must be 1"
    ]


def test_occupancy_picks_the_limits() -> None:
    made = calm()
    made.hear(sample("background", 10, (9_120, 35), occupancy="at-rest"), at(10.3))
    line = location(made, 10.5, "background")
    assert [(size.size_nm, size.limit) for size in line.sizes] == [(500, 3520), (5000, 29)]
    assert line.holding is Holding.ALERT


def test_a_size_of_a_grade_that_is_not_counted_is_shown_so_and_one_of_a_class_is_left_out() -> None:
    made = calm()
    single = sample("needles", 10)
    made.hear(single.model_copy(update={"channels": single.channels[:1]}), at(10.3))
    assert [(size.size_nm, size.per_m3) for size in location(made, 10.5, "needles").sizes] == [
        (500, 120.0),
        (5000, None),
    ]
    assert [size.size_nm for size in location(made, 10.5, "assembly-1").sizes] == [500, 5000]  # not 1 um


def test_only_so_many_happenings_are_kept() -> None:
    made = calm()
    for number in range(500):
        alarm(made, 6 + number / 100, ACTION, "starts", "normal", "unacknowledged", f"step {number}", **NOISE)
    found = made.happenings()
    assert len(found) == 200
    assert found[-1].number == 500
    assert made.happenings(after=499)[0].text == "step 499"


def test_what_is_kept_between_two_looks_never_differs_from_what_is_said_anew() -> None:
    story = [*STORY, *RECOVERY]
    looked_at = board()
    heard: list[tuple[float, Any]] = []

    def look(second: float) -> None:
        assert looked_at.rooms(at(second)) == play(board(), heard).rooms(at(second))

    for second, message in story:
        # Before and after, later, and with a clock that was set back.
        look(second)
        heard.append((second, message))
        looked_at.hear(over_the_wire(message), at(second))
        for then in (second, second + 9, second + 40, second + 1, second - 3):
            look(then)
    cleared = Cleared(PRESSURE)
    looked_at.hear(cleared, at(26))
    fresh = play(board(), heard)
    fresh.hear(cleared, at(26))
    assert looked_at.rooms(at(26)) == fresh.rooms(at(26))
    for made in (looked_at, fresh):
        made.link(False, at(27), "gone")
    assert looked_at.rooms(at(28)) == fresh.rooms(at(28))
    for made in (looked_at, fresh):
        made.link(True, at(29))
        made.hear(over_the_wire(service(True, 29)), at(29))
    assert looked_at.rooms(at(30)) == fresh.rooms(at(30))


def test_what_did_not_change_is_the_same_thing_at_the_next_look() -> None:
    made = calm()
    before = {line.id: line for line in made.rooms(at(6))}
    made.hear(over_the_wire(sample("needles", 10)), at(10.3))
    after = {line.id: line for line in made.rooms(at(10.4))}
    same = {id_ for id_, line in after.items() if line is before[id_]}
    assert same == set(after) - {"filling"}
