"""What viewers of `Right now` are sent: only what changed, and never more often than the processor bears."""

from __future__ import annotations

import json
from dataclasses import replace

from motewatch.web.console.frames import CLOCK_S, LEAST_S, SHARE, Frames, Kind
from motewatch.web.console.house import templates
from motewatch.web.console.now import AlarmNow, Change, Now, RoomNow
from support.links_fakes import FakeClock


def room(id_: str, css: str = "fine", why: str = "") -> RoomNow:
    """A room without locations."""
    return RoomNow(id_, id_.title(), "ISO 7", "operational", css, "✓", "Fine", why, None, (), ())


def now(*rooms: RoomNow, clock: str = "12:00:00", trouble: str = "", changes: tuple[Change, ...] = ()) -> Now:
    """The model of the page."""
    return Now("Site", clock, "UTC", trouble, (), rooms, (), 0, changes, 0)


class Told:
    """A source that says what it was told, and takes its time."""

    def __init__(self, said: Now, clock: FakeClock, takes_s: float = 0.0) -> None:
        self.said = said
        self.version = 1
        self.asked = 0
        self._clock = clock
        self._takes_s = takes_s

    def now(self) -> Now:
        self.asked += 1
        self._clock.elapsed_s += self._takes_s
        return self.said

    def say(self, said: Now) -> None:
        self.said = said
        self.version += 1


def frames(told: Told, clock: FakeClock, *, acknowledge: bool = False) -> Frames:
    return Frames(told, clock, templates(), Kind(wall=False, acknowledge=acknowledge))


def test_a_viewer_is_sent_the_pieces_that_changed_since_the_frame_it_has() -> None:
    clock = FakeClock()
    told = Told(now(room("fill"), room("prep")), clock)
    made = frames(told, clock)
    first = made.latest()
    assert list(json.loads(first.since(0))["pieces"]) == [
        "trouble",
        "tally",
        "alarms",
        "changes",
        "room-fill",
        "room-prep",
    ]
    assert first.since(first.number) == ""
    clock.elapsed_s += 10
    told.say(now(room("fill"), room("prep", "bad", "particles <above>")))
    second = made.latest()
    news = json.loads(second.since(first.number))
    assert list(news) == ["pieces"]
    assert list(news["pieces"]) == ["room-prep"]
    assert "particles &lt;above&gt;" in news["pieces"]["room-prep"]
    # Worst first now: the order is sent, and what changed before only to who has not got it.
    clock.elapsed_s += 10
    told.say(now(room("prep", "bad", "particles <above>"), room("fill")))
    third = made.latest()
    assert json.loads(third.since(second.number)) == {"rooms": ["room-prep", "room-fill"]}
    assert set(json.loads(third.since(first.number))["pieces"]) == {"room-prep"}
    page = str(third.whole()["rooms"])
    assert page.index("room-prep") < page.index("room-fill")


def test_lists_are_pieces_too_and_a_room_that_came_is_sent() -> None:
    clock = FakeClock()
    told = Told(now(room("fill")), clock)
    made = frames(told, clock)
    first = made.latest()
    clock.elapsed_s += 10
    said = now(room("fill"), room("new"), trouble="Nothing is taken in.", changes=(Change("12:01", "✖", "bad", "x"),))
    told.say(said)
    news = json.loads(made.latest().since(first.number))
    assert set(news["pieces"]) == {"trouble", "changes", "room-new"}
    assert news["rooms"] == ["room-fill", "room-new"]


def test_the_tally_says_how_many_alarms_wait_for_somebody_and_leads_to_them() -> None:
    clock = FakeClock()
    one = AlarmNow("a", "bad", "✖", "high", "Bench", "Fill", "not acknowledged", "12:00", True, True, "")
    told = Told(replace(now(room("fill")), alarms=(one, replace(one, id="b"), replace(one, id="c", open=False))), clock)
    tally = frames(told, clock).latest().pieces["tally"]
    assert 'href="/alarms"' in tally
    assert "<b>2</b> alarms not acknowledged" in tally
    told = Told(replace(now(room("fill")), alarms=(replace(one, open=False),)), clock)
    assert "acknowledged" not in frames(told, clock).latest().pieces["tally"]


def test_frames_are_made_for_changes_and_for_the_clock_and_never_at_once() -> None:
    clock = FakeClock()
    told = Told(now(room("fill")), clock)
    made = frames(told, clock)
    assert made.due
    made.latest()
    told.version += 1
    assert not made.due
    assert made.latest().number == 1
    clock.elapsed_s += 1.2 * LEAST_S
    assert made.latest().number == 2
    clock.elapsed_s += 1.2 * LEAST_S
    # Nothing changed; the clock is due after a second.
    assert not made.due
    clock.elapsed_s += CLOCK_S - LEAST_S
    told.said = replace(told.said, clock="12:00:02")
    assert made.latest().clock == "12:00:02"
    assert made.latest().since(2) == ""


def test_a_page_that_is_slow_to_make_is_made_less_often() -> None:
    clock = FakeClock()
    told = Told(now(room("fill")), clock, takes_s=0.2)
    made = frames(told, clock)
    began_s = clock.elapsed_s
    while clock.elapsed_s < began_s + 60:
        told.version += 1
        made.latest()
        clock.elapsed_s += 0.05
    assert 0.2 * told.asked <= 60 * SHARE * 1.2
    assert told.asked >= 20
