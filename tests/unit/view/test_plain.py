"""The view on lines."""

from __future__ import annotations

from motewatch.view.plain import PlainView
from support.night import END_S, STORY, at, board, over_the_wire


def test_the_night_on_lines() -> None:
    made, lines = board(), list[str]()
    view = PlainView(made, lines.append)
    view.begin("127.0.0.1:1883", at(0))
    for second, message in STORY:
        made.hear(over_the_wire(message), at(second))
        view.update(at(second))
    end = len(lines)
    view.end(at(END_S))
    assert lines[:end] == [
        "03:12:00  Watching Hillside plant at 127.0.0.1:1883.",
        "03:12:05  ✓ Filling room: HOLDS, holds its limits (was UNKNOWN)",
        "03:12:05  ✓ Solution preparation: HOLDS, holds its limits (was UNKNOWN)",
        "03:12:05  ✓ Gowning room: HOLDS, holds its limits (was UNKNOWN)",
        "03:12:05  ✓ Device assembly: HOLDS, holds its limits (was UNKNOWN)",
        "03:12:05  · Clean corridor: NO LIMIT, no limit in this state (was UNKNOWN)",
        "03:12:10  ! Filling room: ALERT, one sample above the action level, not yet an alarm by its rule (was HOLDS)",
        "03:12:10  ! Filling needles: 4 841/m³ ≥0.5 µm, above the alert level of 1 000 (EU GMP Annex 1)",
        "03:12:10  ✖ Filling room: OUT, particles above the action level (was ALERT)",
        "03:12:10  ✖ Filling needles: 4 841/m³ ≥0.5 µm, above the action level of 3 520 (EU GMP Annex 1)",
        '03:12:17  · m.okafor acknowledged Filling needles: ≥0.5 µm, action. "On my way."',
        "03:12:18  ✖ Filling needles: pressure difference 8.2 Pa, below the action bound of 10 Pa",
        "03:12:21  ? Clean corridor: UNKNOWN, the sensor is silent (was NO LIMIT)",
        "03:12:15  ? pc-06: nothing heard for 5 s",
    ]
    assert lines[end] == ""
    assert lines[end + 2].startswith("Rooms: ✖ 1 OUT   ? 1 UNKNOWN   ✓ 3 HOLDS")
    assert lines[-1] == "Heard 26 samples and 5 alarm events."


def test_what_could_not_be_read_is_said_at_the_end() -> None:
    made, lines = board(), list[str]()
    made.unreadable = 2
    PlainView(made, lines.append).end(at(1))
    assert lines[-1] == "Heard 0 samples and 0 alarm events; 2 messages could not be read."


def test_a_service_that_is_never_heard_is_said_once() -> None:
    made, lines = board(), list[str]()
    view = PlainView(made, lines.append)
    for second in range(8):
        view.update(at(second))
    assert lines == ["03:12:04  ? The service has not been heard: never started, or this user may not listen."]
