"""What the page about sensors says of each: no word of trust without a reading, and reasons in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from motewatch.alarms.annunciations import AlarmStep
from motewatch.alarms.lifecycle import Event, State
from motewatch.alarms.priority import Priority
from motewatch.journal.rows import AuditRow, DeadLetter, InputRow
from motewatch.journal.sensor_record import KeptLetter, Knocking
from motewatch.site.models import Site
from motewatch.web.console.sensors_page import (
    Known,
    Line,
    calibration_words,
    chosen,
    days_left,
    delay_words,
    key_of,
    letter_of,
    lines_of,
    page_of,
    shown,
    silence_words,
    silences,
    stranger_of,
)
from motewatch.wire.outgoing import AlarmMessage
from motewatch.wire.records import DAY_US, HOUR_US, SECOND_US
from support.facility import T0, site_dict
from support.live import TOPICS
from support.writer_bench import count_payload

ZONE = ZoneInfo("UTC")


def row(sensor: str, ago_s: float = 30.0, late_s: float = 0.5) -> InputRow:
    """A reading on record."""
    end_us = T0 - round(ago_s * SECOND_US)
    payload = count_payload(sensor, 1, end_us, (3, 0), 10.0)
    received_us = end_us + round(late_s * SECOND_US)
    return InputRow(1, "counts", received_us, received_us, TOPICS.counts(sensor), payload, sensor, "b", 1, end_us)


def alarm(sensor: str, kind: str, **more: Any) -> AlarmMessage:
    """An alarm about a sensor."""
    at = datetime(2026, 5, 28, tzinfo=UTC)
    made = {"alarm": f"sensor/{sensor}/x", "kind": kind, "priority": "medium", "state": "unacknowledged", "text": "x"}
    return AlarmMessage(**{**made, "sensor": sensor, "since": at, "found": at, **more})


def lines(readings: dict[str, InputRow], *alarms: AlarmMessage, **placings: AuditRow) -> dict[str, Line]:
    """All lines by sensor."""
    named = {key.replace("_", "-"): value for key, value in placings.items()}
    site = Site.model_validate(site_dict())
    return {line.id: line for line in lines_of(Known(site, TOPICS, ZONE, T0, alarms, readings, named, []))}


def placed(action: str, detail: str) -> AuditRow:
    """Mira's word on where the portable stands."""
    return AuditRow(1, T0 - HOUR_US, "mira", action, "sensor/hand-1", detail, "", "")


def test_what_was_not_heard_is_not_in_order() -> None:
    found = lines({"pc-1": row("pc-1")})
    assert (found["pc-1"].css, found["pc-1"].answer) == ("fine", "In order")
    assert found["pc-1"].delay == "it came 0.5 s after it ended"
    assert found["pc-2"].css == "unknown"
    assert [*found][-1] == "pc-1"


@pytest.mark.parametrize(
    ("kind", "more", "css"),
    [
        ("sensor-laser", {}, "bad"),
        ("sensor-silent", {"state": "shelved", "active": True}, "bad"),
        ("sensor-flow", {"state": "shelved", "active": False}, "fine"),
        ("sensor-clock", {"state": "returned-unacknowledged"}, "fine"),
        ("sensor-calibration", {}, "watch"),
    ],
)
def test_its_alarms_say_whether_it_can_be_trusted_also_hidden_ones(kind: str, more: dict[str, Any], css: str) -> None:
    assert lines({"pc-1": row("pc-1")}, alarm("pc-1", kind, **more))["pc-1"].css == css


def test_a_portable_stands_where_it_was_checked_in_last() -> None:
    assert "unless somebody says where" in lines({})["hand-1"].answer
    heard = {"hand-1": row("hand-1")}
    here = lines(heard, hand_1=placed("check-in", "prep-1; round 3"))["hand-1"]
    assert (here.location, here.css) == ("prep-1", "fine")
    assert here.where.startswith("Bench, since ")
    gone = lines(heard, hand_1=placed("check-out", "prep-1"))["hand-1"]
    assert (gone.location, gone.css) == ("", "unknown")
    old = lines({"hand-1": row("hand-1", 3 * 86_400)}, hand_1=placed("check-in", "prep-1"))["hand-1"]
    assert old.answer == "Cannot tell: not heard for 2 days"


@pytest.mark.parametrize(
    ("due", "words"),
    [
        (None, "no date in the site file"),
        (date(2026, 5, 27), "overdue since 2026-05-27, 1 day"),
        (date(2026, 5, 28), "due soon: 2026-05-28, today"),
        (date(2026, 5, 29), "due soon: 2026-05-29, in 1 day"),
        (date(2026, 7, 28), "due: 2026-07-28, in 61 days"),
    ],
)
def test_when_the_calibration_is_due(due: date | None, words: str) -> None:
    assert calibration_words(due, days_left(due, date(2026, 5, 28))) == words


def test_silences_are_counted_within_the_day_and_the_week() -> None:
    def step(event: Event, hours_ago: float) -> AlarmStep:
        at_us = T0 - round(hours_ago * HOUR_US)
        name = "sensor/pc-1/silent"
        return AlarmStep(name, "sensor-silent", Priority.MEDIUM, event, State.NORMAL, State.NORMAL, at_us, at_us)

    steps = [step(Event.STARTS, 30), step(Event.RETURNS, 29), step(Event.STARTS, 25), step(Event.RETURNS, 23)]

    def words(sensor: str, told: list[AlarmStep]) -> str:
        return silence_words(*(silences(sensor, told, T0 - days * DAY_US, T0) for days in (1, 7)))

    assert words("pc-1", steps) == "1 in the last day (60 min), 2 in the last week (3 h 00 min)"
    assert words("pc-1", [step(Event.STARTS, 2)]).startswith("1 in the last day (2 h 00 min)")
    assert words("pc-2", steps) == "none in the last day, none in the last week"
    assert delay_words(-3 * SECOND_US) == "it ended 3 s ahead of our clock"
    assert delay_words(DAY_US) == "it came 24 h 00 min after it ended"


def test_a_stranger_comes_with_what_to_write_into_the_site_file() -> None:
    payload = count_payload("pc-9", 1, T0, (3, 0), 10.0)
    kept = KeptLetter(7, DeadLetter(T0, TOPICS.counts("pc-9"), payload, "unknown-sensor", "who?", "pc-9"))
    snippet = stranger_of(Knocking("pc-9", 3, kept), TOPICS, ZONE, T0).snippet
    assert "sizes_um = [0.5, 5.0]" in snippet
    assert "flow_l_min = 28.3 " in snippet
    assert "interval_s = 10" in snippet
    bad = KeptLetter(8, DeadLetter(T0, TOPICS.presence("pc-9"), b"{", "unknown-sensor", "who?", "pc-9"))
    assert "sizes_um = […]" in stranger_of(Knocking("pc-9", 1, bad), TOPICS, ZONE, T0).snippet


def test_bytes_are_shown_as_printable_text_and_cut() -> None:
    assert shown(b"\x1b[2J\xff\x00") == "\\x1b[2J\\xff\\x00"
    assert shown(b"x" * 700) == "x" * 600 + " … (700 bytes)"
    letter = letter_of(KeptLetter(1, DeadLetter(T0, "a\x1b", b"", "not-json", "d")), ZONE, T0)
    assert (letter.topic, letter.reason, letter.size) == ("a\\x1b", "not json", 0)


def many(number: int) -> list[Line]:
    """So many sensors, one of them silent, one that is not heard."""
    made = site_dict()
    first = made["sensors"][0]
    made["sensors"] = [{**first, "id": f"pc-{each:04}", "serial": f"S{each}"} for each in range(number)]
    site = Site.model_validate(made)
    readings = {f"pc-{each:04}": row(f"pc-{each:04}") for each in range(1, number)}
    return lines_of(Known(site, TOPICS, ZONE, T0, [alarm("pc-0007", "sensor-silent")], readings, {}, []))


def test_pages_hold_every_sensor_once_in_the_order_of_the_list() -> None:
    every = many(130)
    assert [line.id for line in every[:2]] == ["pc-0007", "pc-0000"]
    seen: list[str] = []
    after = None
    for _ in range(5):
        shown, after = page_of(every, after, 40)
        assert len(shown) <= 40
        seen += [line.id for line in shown]
        if after is None:
            break
    assert seen == [line.id for line in every]
    # A place of a sensor that has left the list is still a place.
    assert page_of(every[:1], key_of(every[0]), 40) == ([], None)


@pytest.mark.parametrize(
    ("css", "text", "ids"),
    [
        ("bad", "", ["pc-0007"]),
        ("unknown", "", ["pc-0000"]),
        ("", "s12 NEEDLE", ["pc-0012"]),
        ("fine", "pc-0000", []),
        ("", "nobody", []),
    ],
)
def test_the_list_is_narrowed_by_answer_and_words(css: str, text: str, ids: list[str]) -> None:
    assert [line.id for line in chosen(many(20), css, text)] == ids


def test_how_far_back_was_looked_is_said() -> None:
    site = Site.model_validate(site_dict())
    known = Known(site, TOPICS, ZONE, T0, [], {}, {}, [])
    assert "on record" in lines_of(known)[0].answer + lines_of(known)[0].last
    since = lines_of(replace(known, looked_us=T0 - 90 * SECOND_US))
    told = {line.id: line for line in since}
    assert told["pc-1"].last == "none since 20:25"
    assert told["pc-1"].answer == "Cannot tell: no reading of it since 20:25"
