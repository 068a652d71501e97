"""The model of `Right now`: what is kept between two looks never differs from what is painted anew."""

from __future__ import annotations

from motewatch.picture.board import Board
from motewatch.web.console.now import Now, Painter
from support.night import RECOVERY, STORY, at, board, night_site, over_the_wire, play, sample

DAY_S = 86_400


def painted(painter: Painter, made: Board, second: float, *, well: bool = True) -> Now:
    return painter.paint(made, at(second), well=well, connected=True)


def test_a_night_is_painted_as_if_each_look_were_the_first() -> None:
    made, painter, site = board(), Painter(night_site()), night_site()
    for second, message in [*STORY, *RECOVERY]:
        made.hear(over_the_wire(message), at(second))
        # Later, the next day, a week on, and with a clock that was set back.
        for then in (second, second + 30, second + DAY_S, second + 8 * DAY_S, second - 1):
            assert painted(painter, made, then) == painted(Painter(site), made, then)
    assert painted(painter, made, 30, well=False).trouble


def test_a_room_of_which_nothing_was_heard_is_the_same_thing_at_the_next_look() -> None:
    made, painter = play(board(), STORY), Painter(night_site())
    before = {room.id: room for room in painted(painter, made, 22).rooms}
    made.hear(over_the_wire(sample("needles", 24)), at(24.1))
    # Prepared in between, or not: the picture is the same.
    painter.prepare(made, at(24.2))
    after = {room.id: room for room in painted(painter, made, 24.3).rooms}
    assert {id_ for id_, room in after.items() if room is before[id_]} == set(after) - {"filling"}
