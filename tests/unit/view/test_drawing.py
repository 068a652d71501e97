"""What the screen looks like, character by character, and what it may never hide."""

from __future__ import annotations

import pytest
from rich.cells import cell_len

from motewatch.picture.board import Board
from motewatch.picture.words import ASCII
from motewatch.view.drawing import screen, summary
from support.night import (
    END_S,
    RECOVERY,
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


def drawn(made: Board, second: float, width: int = 80, height: int = 24) -> list[str]:
    return [line.plain.rstrip() for line in screen(made, at(second), width, height)]


NIGHT = """\
Hillside plant                                     Mon 02 Mar 2026  03:12:22 CET
Rooms: ✖ 1 OUT   ? 1 UNKNOWN   ✓ 3 HOLDS  Service online, newest sample 2 s ago.

✖ OUT      Filling room           grade B, operational  ▼ 8.2 Pa (at least 10)
  ✖ Filling needles      ≥0.5 µm      5 030 /m³  143 % of 3 520      ██████████▶
  ✓ Stopper bowl         ≥0.5 µm        240 /m³    7 % of 3 520      █░░░░░░░░░┃
  ✓ Filling background   ≥0.5 µm      9 120 /m³    3 % of 352 000    █░░░░░░░░░┃
? UNKNOWN  Clean corridor         grade D, operational
  ? Corridor, middle     the sensor is silent, last sample 03:12:10
✓ HOLDS    Solution preparation   grade C, operational  1 % of limit  21.0 °C
✓ HOLDS    Gowning room           grade C, operational  7 % of limit
✓ HOLDS    Device assembly        ISO 7, operational  5 % of limit  22.4 °C

Standing alarms: 4, 3 not acknowledged
✖ 03:12:18 not acknowledged  Filling needles: pressure 8.2 Pa, action at 10
? 03:12:15 not acknowledged  sensor pc-06 (Corridor, middle): silent
! 03:12:10 not acknowledged  Filling needles: ≥0.5 µm 4 841/m³, alert at 1 000
✖ 03:12:17 acknowledged      Filling needles: ≥0.5 µm 4 841/m³, action at 3 520…

What happened, latest first
03:12:15 ? pc-06: nothing heard for 5 s
03:12:18 ✖ Filling needles: pressure difference 8.2 Pa, below the action bound
           of 10 Pa
03:12:17 · m.okafor acknowledged Filling needles: ≥0.5 µm, action. "On my way."
"""


def test_the_night_on_eighty_columns() -> None:
    assert drawn(play(board(), STORY), END_S) == NIGHT.splitlines()


OFFLINE = """\
Hillside plant                                     Mon 02 Mar 2026  03:12:25 CET
 ? The service is offline since 03:12:22. Below is its last word.

✖ OUT      Filling room           grade B, operational  ▼ 8.2 Pa (at least 10)
  ✖ Filling needles      ≥0.5 µm      5 030 /m³  143 % of 3 520      ██████████▶
  ? Stopper bowl         the service is offline, last sample 03:12:20
  ? Filling background   the service is offline, last sample 03:12:20
? UNKNOWN  Solution preparation   the service is offline  grade C, operational
? UNKNOWN  Gowning room           the service is offline  grade C, operational
? UNKNOWN  Clean corridor         the service is offline  grade D, operational
? UNKNOWN  Device assembly        the service is offline  ISO 7, operational
"""


def test_with_the_service_offline_nothing_is_fine() -> None:
    made = play(board(), STORY)
    made.hear(over_the_wire(service(False, 0)), at(22))
    lines = drawn(made, 25)
    assert lines[:11] == OFFLINE.splitlines()
    assert "HOLDS" not in "\n".join(lines)


QUIET = """\
Hillside plant                                         Mon 02 Mar 2026  03:12:06 CET
Rooms: + 4 HOLDS   . 1 NO LIMIT               Service online, newest sample 1 s ago.

+ HOLDS    Filling room           grade B, operational
  + Filling needles      >=0.5 um       120 /m3    3 % of 3 520      #..|..........|
                         >=5 um           0 /m3    0 % of 29         ..............|
  + Stopper bowl         >=0.5 um       240 /m3    7 % of 3 520      #.............|
                         >=5 um           0 /m3    0 % of 29         ..............|
  + Filling background   >=0.5 um     9 120 /m3    3 % of 352 000    #.............|
                         >=5 um        35.0 /m3    1 % of 2 930      #.............|
    climate              20.1 C (18 to 23)   44.0 % RH (30 to 60)
                         14.2 Pa (at least 10)
+ HOLDS    Solution preparation   grade C, operational  21.0 C  47.2 % RH  8.4 Pa
  + Preparation bench    >=5 um         424 /m3    1 % of 29 300     #.............|
+ HOLDS    Gowning room           grade C, operational
  + Lockers              >=5 um       2 120 /m3    7 % of 29 300     ##............|
+ HOLDS    Device assembly        ISO 7, operational  22.4 C
  + Assembly bench       >=0.5 um    18 200 /m3    5 % of 352 000    #.............|
  . Assembly store       no portable sensor has come yet
. NO LIMIT Clean corridor         grade D, operational
  . Corridor, middle     no limit in this state

No alarm stands.

Nothing has happened since 03:11:59.
"""


def test_a_quiet_night_in_plain_characters() -> None:
    made = board(ASCII)
    for message in [service(True, 0), *quiet(5), sample("middle", 5)]:
        made.hear(over_the_wire(message), at(5.3))
    assert drawn(made, 6, 84, 25) == QUIET.splitlines()


WIDE = """\
✖ OUT      Filling room           grade B, operational                         Standing alarms: 4, 3 not acknowledged
  ✖ Filling needles      ≥0.5 µm      5 030 /m³  143 % of 3 520      ██████▶   ✖ not acknowledged since 03:12:18
                         ≥5 µm            0 /m³    0 % of 29         ░░░░░░┃     Filling needles: pressure 8.2 Pa,
                         particles above the action level, pressure              action at 10
                         difference outside its action bound                   ? not acknowledged since 03:12:15
  ✓ Stopper bowl         ≥0.5 µm        240 /m³    7 % of 3 520      █░░░░░┃     sensor pc-06 (Corridor, middle): silent
                         ≥5 µm            0 /m³    0 % of 29         ░░░░░░┃   ! not acknowledged since 03:12:10
  ✓ Filling background   ≥0.5 µm      9 120 /m³    3 % of 352 000    █░░░░░┃     Filling needles: ≥0.5 µm 4 841/m³,
                         ≥5 µm         35.0 /m³    1 % of 2 930      █░░░░░┃     alert at 1 000
    climate              20.1 °C (18 to 23)   44.0 % RH (30 to 60)             ✖ acknowledged since 03:12:17
                         ▼ 8.2 Pa (at least 10)                                  Filling needles: ≥0.5 µm 4 841/m³,
"""


def test_a_wide_screen_has_alarms_and_events_beside_the_rooms() -> None:
    lines = drawn(play(board(), STORY), END_S, 120, 40)
    assert lines[3:14] == WIDE.splitlines()


@pytest.mark.parametrize("width", [20, 40, 60, 79, 80, 111, 112, 140, 250])
@pytest.mark.parametrize("height", [1, 2, 5, 10, 16, 24, 40, 90])
@pytest.mark.parametrize("story", [[], STORY, STORY + RECOVERY])
def test_every_screen_is_filled_exactly_and_nothing_runs_over(width: int, height: int, story: list[object]) -> None:
    lines = screen(play(board(), story), at(27), width, height)  # type: ignore[arg-type]
    assert len(lines) == height
    assert max(cell_len(line.plain) for line in lines) <= width


@pytest.mark.parametrize(("width", "height"), [(60, 12), (80, 16), (80, 24), (120, 40)])
def test_what_is_not_fine_is_never_hidden_by_what_is(width: int, height: int) -> None:
    lines = drawn(play(board(), STORY), END_S, width, height)
    rooms = [line for line in lines if line.startswith(("✖ OUT ", "? UNKNOWN "))]
    assert [line.split()[1] for line in rooms] == ["OUT", "UNKNOWN"]
    assert any("Standing alarms: 4, 3 not acknowledged" in line for line in lines)


def test_rooms_that_do_not_fit_are_counted() -> None:
    lines = drawn(play(board(), STORY), END_S, 60, 16)
    assert "… and 2 more. Rooms: ✓ 2 HOLDS" in lines


def test_alarms_that_do_not_fit_are_counted() -> None:
    made = play(board(), STORY)
    for number in range(30):
        for message in step(f"service/x{number}", "starts", "normal", "unacknowledged", 19, "x", kind="x"):
            made.hear(over_the_wire(message), at(20))
    lines = drawn(made, END_S)
    title = lines.index("Standing alarms: 34, 33 not acknowledged")
    shown = lines[title + 1 : lines.index("", title)]
    assert shown[-1] == f"… and {34 - (len(shown) - 1)} more"


@pytest.mark.parametrize("width", [20, 40, 80, 111, 140])
def test_hidden_alarms_are_counted_and_named_as_far_as_there_is_room(width: int) -> None:
    made = play(board(), STORY)
    for ident, event, state in (("pump", "shelve", "shelved"), ("fan", "remove-from-service", "out-of-service")):
        for message in step(f"service/{ident}", event, "normal", state, 19, "x", kind="x"):
            made.hear(over_the_wire(message), at(20))
    lines = drawn(made, END_S, width, 40)
    assert max(cell_len(line) for line in lines) <= width
    if width == 111:
        wanted = "Hidden: 2 - service/fan (out of service), service/pump (shelved)"
        assert wanted in " ".join(" ".join(lines).split())
    if width == 80:
        assert any(
            "all acknowledged. Hidden: 2 - " in line or "not acknowledged. Hidden: 2 - " in line for line in lines
        )


def test_colour_is_never_the_only_sign() -> None:
    # The same text without any style still says which room and which value is how.
    text = "\n".join(drawn(play(board(), STORY), END_S, 120, 40))
    for word in ("✖ OUT", "? UNKNOWN", "✓ HOLDS", "143 %", "▶", "▼ 8.2 Pa (at least 10)"):
        assert word in text


def test_texts_of_strangers_are_no_markup() -> None:
    made = board()
    made.hear(over_the_wire(service(True, 0)), at(0))
    for message in step("service/x", "starts", "normal", "unacknowledged", 1, "[bold red]x[/] [link=a]", kind="x"):
        made.hear(over_the_wire(message), at(1))
    assert "03:12:01 ✖ [bold red]x[/] [link=a]" in drawn(made, 2)


def test_before_the_broker_is_reached_it_says_so() -> None:
    made = Board(night_site(), at(0))
    assert drawn(made, 1)[1] == " ? The broker is not reached: connecting."
    assert drawn(made, 1)[3].startswith("? UNKNOWN  Filling room           the broker is not reached")
    assert "No alarm is known." in drawn(made, 1)


def test_the_summary_has_every_size_and_all_alarms() -> None:
    lines = [line.plain for line in summary(play(board(), STORY), at(END_S), 100)]
    assert f"{'':31}≥5 µm            0 /m³    0 % of 29         ░░░░░░░░░░░░░░░░░░░░░░░┃" in lines
    assert sum("acknowledged  " in line for line in lines) == 4
    assert any("21.0 °C   47.2 % RH   8.4 Pa (at least 5)" in line for line in lines)


def test_an_over_range_value_says_that_the_truth_may_be_higher() -> None:
    made = board()
    made.hear(over_the_wire(service(True, 0)), at(0))
    made.hear(over_the_wire(sample("needles", 5, (9_000_000, 0), quality=("over-range",))), at(5))
    for message in step(
        "location/needles/0.5um/action", "starts", "normal", "unacknowledged", 5, "x", location="needles"
    ):
        made.hear(over_the_wire(message), at(5))
    line = next(line for line in drawn(made, 6) if "Filling needles  " in line)
    assert "≥9 000 000 /m³" in line
