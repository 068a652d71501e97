"""Figures of alarm performance: cases worked out by hand."""

from __future__ import annotations

from typing import Any

import pytest

from motewatch.alarms.annunciations import AlarmStep
from motewatch.alarms.lifecycle import Event, State, step
from motewatch.alarms.performance import Acknowledging, Chattering, Figures, FloodSpan, HiddenTime, Period, figures
from motewatch.alarms.priority import Priority
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, SECOND_US

DAY = Period(0, DAY_US)
START, RETURN, ACK = Event.STARTS, Event.RETURNS, Event.ACKNOWLEDGE


class Story:
    """Steps through the lifecycle's own table."""

    def __init__(self) -> None:
        self.steps: list[AlarmStep] = []
        self._states: dict[str, State] = {}

    def say(
        self, at_us: int, event: Event, alarm: str = "a", priority: Priority = Priority.LOW, air_us: int | None = None
    ) -> Story:
        before = self._states.get(alarm, State.NORMAL)
        after = self._states[alarm] = step(before, event)
        dated = at_us if air_us is None else air_us
        self.steps.append(AlarmStep(alarm, "count-alert", priority, event, before, after, dated, at_us))
        return self

    def on(self, *at_us: int, alarm: str = "a", priority: Priority = Priority.LOW, lasts_us: int = SECOND_US) -> Story:
        """Starts and returns again and again, never acknowledged."""
        for at in at_us:
            self.say(at, START, alarm, priority).say(at + lasts_us, RETURN, alarm, priority)
        return self

    def figures(self, period: Period = DAY, **others: Any) -> Figures:
        return figures(self.steps, period, **others)


def test_nothing_happened() -> None:
    found = figures([], DAY)
    assert (found.annunciated, found.per_operator_hour, found.peak_10_min, found.peak_10_min_us) == (0, 0.0, 0, None)
    assert (found.ten_minutes.number, found.hours.number) == (144, 24)
    assert (found.frequent, found.frequent_share, found.priority_share(Priority.LOW)) == ((), None, None)
    assert found.acknowledging == Acknowledging(0, None, None, None, 0, 0)
    assert found.floods == ()


def test_rates_are_per_operator() -> None:
    story = Story().on(*(n * HOUR_US for n in range(24)), *(n * HOUR_US + 30 * MINUTE_US for n in range(24)))
    found = story.figures(operators=2)
    assert (found.annunciated, found.per_operator_hour, found.per_operator_day) == (48, 1.0, 24.0)
    assert found.per_operator_10_min == pytest.approx(1 / 6)
    with pytest.raises(ValueError, match="0 is none"):
        story.figures(operators=0)


def test_the_period_holds_its_start_and_not_its_end() -> None:
    found = Story().on(0, HOUR_US - 1, lasts_us=1).on(HOUR_US, alarm="b").figures(Period(0, HOUR_US))
    assert found.annunciated == 2
    with pytest.raises(ValueError, match="must end after its start"):
        Period(5, 5)


@pytest.mark.parametrize(
    ("start_us", "end_us", "windows"),
    [(0, HOUR_US, 6), (1, HOUR_US, 5), (1, HOUR_US - 1, 4), (0, 10 * MINUTE_US - 1, 0), (1, 15 * MINUTE_US, 0)],
)
def test_only_whole_windows_count(start_us: int, end_us: int, windows: int) -> None:
    found = figures([], Period(start_us, end_us))
    assert found.ten_minutes.number == windows
    assert (found.ten_minutes.share_over is None) == (windows == 0)


def test_peaks_of_a_minute_and_of_an_hour_slide_too() -> None:
    near = [HOUR_US - 30 * SECOND_US, HOUR_US, HOUR_US + 29 * SECOND_US]
    found = Story().on(*near, 2 * HOUR_US + 28 * SECOND_US, lasts_us=1).figures()
    # (t - length, t]: what is just as long ago is not in the window any more.
    assert (found.peak_minute, found.peak_10_min, found.peak_hour) == (3, 3, 3)
    assert Story().on(0, MINUTE_US, lasts_us=1).figures().peak_minute == 1


def test_a_peak_slides_and_a_window_does_not() -> None:
    """Six alarms at 9 to 9:50 and six at 10 to 10:50 min: 12 in the sliding window, 6 in each fixed one."""
    story = Story()
    for n in range(6):
        story.on(9 * MINUTE_US + n * 10 * SECOND_US, alarm=f"a{n}").on(
            10 * MINUTE_US + n * 10 * SECOND_US, alarm=f"b{n}"
        )
    story.steps.sort(key=lambda each: each.found_us)
    found = story.figures()
    assert (found.peak_10_min, found.peak_10_min_us) == (12, 10 * MINUTE_US + 50 * SECOND_US)
    assert (found.ten_minutes.over, found.ten_minutes.most) == (0, 6)


def test_eleven_in_a_window_are_too_many_for_one_operator() -> None:
    story = Story().on(*(n * 50 * SECOND_US for n in range(11)))
    assert story.figures().ten_minutes.over == 1
    assert story.figures(operators=2).ten_minutes.over == 0
    assert story.figures().ten_minutes.share_over == 1 / 144


def test_thirty_one_in_an_hour_are_too_many() -> None:
    assert Story().on(*(n * 119 * SECOND_US for n in range(31))).figures().hours.over == 1
    assert Story().on(*(n * 119 * SECOND_US for n in range(30))).figures().hours.over == 0


def test_a_flood_with_its_begin_end_number_and_share() -> None:
    """One alarm each 10 s from 1:00:00 on, 20 of them: the 11th at 1:01:40 starts it. The last are at 1:02:30 to
    1:03:10; when that of 1:02:30 leaves, at 1:12:30, four remain."""
    story = Story().on(*(HOUR_US + n * 10 * SECOND_US for n in range(20)))
    begin, end = HOUR_US + 100 * SECOND_US, HOUR_US + 750 * SECOND_US
    found = story.figures()
    assert found.floods == (FloodSpan(begin, end, 20),)
    assert found.flood_us == end - begin
    assert found.flood_share == 650 / 86_400
    assert story.figures(operators=2).floods == ()
    cut = story.figures(Period(0, HOUR_US + 200 * SECOND_US))
    assert cut.floods == (FloodSpan(begin, None, 20),)
    assert cut.flood_us == 100 * SECOND_US
    rest = story.figures(Period(HOUR_US + 200 * SECOND_US, DAY_US))
    assert cut.flood_us + rest.flood_us == found.flood_us


def test_the_two_rules_of_chattering_disagree() -> None:
    quick = Story().on(0, 20 * SECOND_US, 40 * SECOND_US)
    slow = Story().on(*(n * 50 * SECOND_US for n in range(6)), alarm="b")
    minute, five = Chattering.THREE_IN_A_MINUTE, Chattering.SIX_IN_FIVE_MINUTES
    assert [(c.alarm, c.number) for c in quick.figures(chattering=minute).chattering] == [("a", 3)]
    assert quick.figures(chattering=five).chattering == ()
    assert slow.figures(chattering=minute).chattering == ()
    assert [(c.alarm, c.number) for c in slow.figures(chattering=five).chattering] == [("b", 6)]


def test_three_starts_in_a_minute_and_not_at_its_ends() -> None:
    assert Story().on(0, 30 * SECOND_US, MINUTE_US).figures().chattering == ()
    assert len(Story().on(1, 30 * SECOND_US, MINUTE_US).figures().chattering) == 1


def test_being_told_again_is_no_chattering() -> None:
    story = Story().say(0, START).say(1, ACK)
    for n in range(1, 5):
        story.say(n * 10 * SECOND_US, Event.RE_ALARM).say(n * 10 * SECOND_US + 1, ACK)
    found = story.figures()
    assert (found.annunciated, found.chattering) == (5, ())


def test_fleeting_is_short_and_does_not_come_again_at_once() -> None:
    tens = 10 * SECOND_US
    assert Story().on(0, lasts_us=tens - 1).figures().fleeting == 1
    assert Story().on(0, lasts_us=tens).figures().fleeting == 0
    # Comes again within a minute of its return: only the last of the two is fleeting.
    assert Story().on(0, 61 * SECOND_US).figures().fleeting == 1
    assert Story().on(0, 61 * SECOND_US + 1).figures().fleeting == 2
    # Told after the fact: started and returned at one instant.
    assert Story().on(0, lasts_us=0).figures().fleeting == 0


def test_fleeting_is_measured_in_the_air() -> None:
    """Found at one instant, but the air was bad for an hour."""
    late = Story().say(HOUR_US, START, air_us=0).say(HOUR_US + 1, RETURN, air_us=HOUR_US)
    assert late.figures().fleeting == 0


def test_stale_after_more_than_a_day_in_the_list() -> None:
    week = Period(0, 7 * DAY_US)
    story = Story()
    for n in range(3):
        story.say(n * HOUR_US, START, f"a{n}")
    story.say(2 * HOUR_US, ACK, "a0").say(DAY_US, RETURN, "a1").say(DAY_US + HOUR_US, ACK, "a1")
    story.say(DAY_US + 3 * HOUR_US, RETURN, "a0")
    found = story.figures(week)
    # a0 was stale from 24 h to 27 h, a1 ended at exactly 24 h, a2 stands for the rest of the week.
    assert found.stale_most == 2
    assert (found.standing, found.standing_unacknowledged, found.standing_stale) == (1, 1, ("a2",))
    assert story.figures(Period(0, DAY_US)).stale_most == 0
    assert story.figures(Period(3 * DAY_US, 4 * DAY_US)).stale_most == 1


def test_the_ten_most_frequent() -> None:
    story = Story()
    for n in range(12):
        story.on(*(k * HOUR_US + n for k in range(n + 1)), alarm=f"a{n:02}", lasts_us=HOUR_US // 2)
    found = story.figures()
    assert [often.alarm for often in found.frequent] == [f"a{n:02}" for n in range(11, 1, -1)]
    assert (found.frequent[0].number, found.annunciated) == (12, 78)
    assert found.frequent[0].share == 12 / 78
    assert found.frequent_share == 75 / 78


def test_priorities_of_what_was_annunciated() -> None:
    story = Story().on(0, HOUR_US, 2 * HOUR_US).on(5, alarm="b", priority=Priority.HIGH)
    found = story.figures()
    assert found.priorities == {Priority.LOW: 3, Priority.MEDIUM: 0, Priority.HIGH: 1}
    assert found.priority_share(Priority.HIGH) == 0.25


def test_time_to_acknowledge() -> None:
    story = Story()
    for n, minutes in enumerate([1, 2, 3, 4, 5, 6, 7, 8, 9, 100]):
        story.say(0, START, f"a{n}").say(minutes * MINUTE_US, ACK, f"a{n}")
    story.say(0, START, "shelved").say(1, Event.SHELVE, "shelved")
    story.say(0, START, "open")
    found = story.figures().acknowledging
    assert found == Acknowledging(10, 5.5 * MINUTE_US, 9 * MINUTE_US, 100 * MINUTE_US, never=1, waiting=1)


def test_a_wait_goes_on_through_returns_and_new_starts() -> None:
    story = Story().say(0, START).say(10, RETURN).say(20, START).say(30, RETURN).say(40, ACK)
    assert story.figures().acknowledging.longest_us == 40
    assert story.figures().annunciated == 2


def test_time_hidden_is_cut_by_the_period() -> None:
    story = Story().say(10, START).say(20, Event.SHELVE).say(50, Event.UNSHELVE_NORMAL)
    story.say(30, Event.REMOVE_FROM_SERVICE, "b")
    found = story.figures(Period(25, 100)).hidden
    assert found[State.SHELVED] == HiddenTime(1, 25)
    assert found[State.OUT_OF_SERVICE] == HiddenTime(1, 70)
    assert found[State.SUPPRESSED_BY_DESIGN] == HiddenTime(0, 0)
    assert story.figures(Period(60, 100)).hidden[State.SHELVED] == HiddenTime(0, 0)


def test_coming_out_of_hiding_with_its_condition_is_an_annunciation() -> None:
    story = Story().say(0, Event.SHELVE).say(10, Event.UNSHELVE_ACTIVE).say(20, ACK).say(30, RETURN)
    assert (story.figures().annunciated, story.figures().acknowledging.longest_us) == (1, 10)
