"""Edges of what is said of sensors: silences cut by the time looked at, what is soon due, which come first."""

from __future__ import annotations

import tomllib
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from motewatch.alarms.annunciations import AlarmStep
from motewatch.alarms.lifecycle import Event, State
from motewatch.alarms.priority import Priority
from motewatch.journal.rows import DeadLetter, InputRow
from motewatch.journal.sensor_record import KeptLetter, Knocking
from motewatch.site.models import Site
from motewatch.web.console.sensors_page import Known, Line, lines_of, silences, stranger_of
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, SECOND_US
from support.facility import T0, site_dict
from support.live import TOPICS
from support.writer_bench import count_payload

UTC = ZoneInfo("UTC")


def lines(steps: list[AlarmStep] | None = None, *, location: str | None = None, **due: str) -> dict[str, Line]:
    """All lines by sensor, each heard just now; `due` by sensor, `location` as the portable's message says."""
    made = site_dict()
    for each in made["sensors"]:
        if each["id"].replace("-", "_") in due:
            each["calibration_due"] = date.fromisoformat(due[each["id"].replace("-", "_")])
    site = Site.model_validate(made)
    end_us = T0 - 10 * SECOND_US
    readings: dict[str, InputRow] = {}
    for each in site.sensors:
        more: dict[str, Any] = {} if each.location is not None or location is None else {"location": location}
        payload = count_payload(each.id, 1, end_us, (3, 0), 10.0, **more)
        readings[each.id] = InputRow(1, "counts", T0, T0, TOPICS.counts(each.id), payload, each.id, "boot-1", 1)
    return {line.id: line for line in lines_of(Known(site, TOPICS, UTC, T0, [], readings, {}, steps or []))}


@pytest.mark.parametrize(
    ("due", "sign", "css", "words"),
    [
        ("2026-05-27", "✖", "watch", "Its calibration is overdue"),
        ("2026-05-28", "▲", "watch", "In order, but its calibration is due soon"),
        ("2026-06-27", "▲", "watch", "In order, but its calibration is due soon"),
        ("2026-06-28", "✓", "fine", "In order"),
    ],
)
def test_the_date_alone_tells_also_where_an_alarm_is_hidden(due: str, sign: str, css: str, words: str) -> None:
    line = lines(pc_1=due)["pc-1"]
    assert (line.calibration_sign, line.css, line.answer) == (sign, css, words)
    assert line.due == date.fromisoformat(due)


def test_who_was_not_heard_for_long_is_not_in_order_though_no_alarm_says_so() -> None:
    """As while the broker is away."""
    site = Site.model_validate(site_dict())
    payload = count_payload("pc-1", 1, T0 - MINUTE_US, (3, 0), 10.0)

    def answer(quiet_s: int) -> tuple[str, str]:
        received_us = T0 - quiet_s * SECOND_US
        row = InputRow(1, "counts", received_us, received_us, TOPICS.counts("pc-1"), payload, "pc-1", "boot-1", 1)
        found = lines_of(Known(site, TOPICS, UTC, T0, [], {"pc-1": row}, {}, []))
        return next((line.css, line.answer) for line in found if line.id == "pc-1")

    # The site file: silent_after_s = 45.
    assert answer(45) == ("fine", "In order")
    assert answer(46) == ("unknown", "Cannot tell: not heard for 46 s")


def test_of_sensors_that_are_equally_well_the_next_calibration_comes_first() -> None:
    assert list(lines(pc_1="2026-09-30", pc_2="2026-08-30"))[-2:] == ["pc-2", "pc-1"]
    assert list(lines(pc_2="2026-09-30", pc_1="2026-08-30"))[-2:] == ["pc-1", "pc-2"]


def test_a_portable_stands_where_its_own_message_says() -> None:
    own = lines(location="prep-2")["hand-1"]
    assert (own.css, own.where, own.location) == ("fine", "Door side, as its last message says", "")


def test_a_message_that_could_not_be_used_is_told_until_one_is_taken() -> None:
    site = Site.model_validate(site_dict())

    def turned(letter_us: int, taken_us: int) -> str:
        kept = KeptLetter(7, DeadLetter(letter_us, TOPICS.counts("pc-1"), b"", "other-channels", "d", "pc-1"))
        row = InputRow(1, "counts", taken_us, taken_us, "", b"", "pc-1", "boot-1", 1)
        known = Known(site, TOPICS, UTC, T0, [], {"pc-1": row}, {}, [], {"pc-1": kept})
        found = lines_of(known)
        # Of those of which as little is known it comes first.
        assert [line.id for line in found if line.turned] in ([found[0].id], [])
        return next(line.turned for line in found if line.id == "pc-1")

    assert turned(T0 - MINUTE_US, T0 - HOUR_US) == "its message of 20:26: other channels"
    assert turned(T0 - HOUR_US, T0 - MINUTE_US) == ""


def step(event: Event, after: State, ago_us: int, sensor: str = "pc-1") -> AlarmStep:
    """A step of a sensor's silence."""
    at_us, name = T0 - ago_us, f"sensor/{sensor}/silent"
    return AlarmStep(name, "sensor-silent", Priority.MEDIUM, event, State.NORMAL, after, at_us, at_us)


@pytest.mark.parametrize(
    ("steps", "day", "week"),
    [
        ([], (0, 0), (0, 0)),
        (
            [
                step(Event.STARTS, State.UNACKNOWLEDGED, 3 * HOUR_US),
                step(Event.ACKNOWLEDGE, State.ACKNOWLEDGED, 2 * HOUR_US),
                step(Event.RETURNS, State.NORMAL, HOUR_US),
            ],
            (1, 2 * HOUR_US),
            (1, 2 * HOUR_US),
        ),
        ([step(Event.STARTS, State.UNACKNOWLEDGED, 2 * DAY_US)], (1, DAY_US), (1, 2 * DAY_US)),
        # What is known from before the week is its last step, and that need not be the start.
        ([step(Event.ACKNOWLEDGE, State.ACKNOWLEDGED, 9 * DAY_US)], (1, DAY_US), (1, 7 * DAY_US)),
        (
            [step(Event.SHELVE, State.SHELVED, 9 * DAY_US), step(Event.RETURNS, State.SHELVED, HOUR_US)],
            (1, 23 * HOUR_US),
            (1, 7 * DAY_US - HOUR_US),
        ),
        ([step(Event.RETURNS, State.RETURNED_UNACKNOWLEDGED, 8 * DAY_US)], (0, 0), (0, 0)),
        ([step(Event.STARTS, State.UNACKNOWLEDGED, HOUR_US, "pc-2")], (0, 0), (0, 0)),
    ],
)
def test_silences_are_cut_to_the_time_looked_at(
    steps: list[AlarmStep], day: tuple[int, int], week: tuple[int, int]
) -> None:
    assert silences("pc-1", steps, T0 - DAY_US, T0) == day
    assert silences("pc-1", steps, T0 - 7 * DAY_US, T0) == week
    found = lines(steps)
    assert (found["pc-1"].silences_day, found["pc-1"].silences_week) == (day, week)
    assert found["hand-1"].silences_day is None


def test_what_to_write_for_a_stranger_fits_the_site_file() -> None:
    payload = count_payload("new-1", 1, T0, (3, 0), 10.0)
    kept = KeptLetter(7, DeadLetter(T0, TOPICS.counts("new-1"), payload, "unknown-sensor", "who?", "new-1"))
    snippet = stranger_of(Knocking("new-1", 12, kept), TOPICS, UTC, T0 + SECOND_US).snippet
    # Only what a person alone can know is left to fill in.
    filled = snippet.replace('serial = "…"', 'serial = "S-9"').replace('location = "…"', 'location = "prep-1"')
    made = site_dict()
    made["sensors"] += tomllib.loads(filled)["sensors"]
    (sensor,) = [each for each in Site.model_validate(made).sensors if each.id == "new-1"]
    assert (sensor.sizes_um, sensor.interval_s, sensor.location) == ((0.5, 5.0), 10.0, "prep-1")
