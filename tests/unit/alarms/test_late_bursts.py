"""What a counter's buffer brings after an outage counts once in the figures, and nothing else is gathered."""

from __future__ import annotations

from typing import Any

import pytest

from motewatch.alarms.annunciations import AlarmStep, LateBurst, annunciations, presented
from motewatch.alarms.lifecycle import Event, State, step
from motewatch.alarms.performance import Figures, Period, figures
from motewatch.alarms.priority import Priority
from motewatch.alarms.targets import late_words
from motewatch.engine.records import AlarmChanged
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, SECOND_US
from support.facility import T0, engine, heard, reading, run

S = SECOND_US
START, RETURN, ACK = Event.STARTS, Event.RETURNS, Event.ACKNOWLEDGE


class Story:
    """Steps through the lifecycle's own table."""

    def __init__(self) -> None:
        self.steps: list[AlarmStep] = []
        self._states: dict[str, State] = {}

    def say(self, found_us: int, event: Event, at_us: int, alarm: str = "a", kind: str = "count-action") -> Story:
        before = self._states.get(alarm, State.NORMAL)
        after = self._states[alarm] = step(before, event)
        self.steps.append(AlarmStep(alarm, kind, Priority.HIGH, event, before, after, at_us, found_us))
        return self

    def late(self, *found_s: float, **more: Any) -> Story:
        """Excursions of an hour ago, one second of air each, that are found at these seconds."""
        for second in found_s:
            found_us = round(HOUR_US + second * S)
            self.say(found_us, START, found_us - HOUR_US, **more).say(found_us, RETURN, found_us - HOUR_US, **more)
        return self

    def figures(self, period: Period | None = None) -> Figures:
        return figures(self.steps, period or Period(0, DAY_US))


def test_twenty_late_samples_of_one_alarm_are_one_annunciation() -> None:
    found = Story().late(*range(20)).figures()
    assert (found.annunciated, found.late_bursts, found.late_in_bursts) == (1, 1, 20)
    assert found.chattering == ()
    assert found.floods == ()
    assert found.peak_10_min == 1
    assert [(often.alarm, often.number) for often in found.frequent] == [("a", 1)]
    assert (
        late_words(found)
        == "1 late burst counts as one alarm each, with 20 excursions that were found after they were over."
    )


def test_without_gathering_they_would_pass_for_a_flood_that_chatters() -> None:
    assert len(annunciations(Story().late(*range(20)).steps)) == 20


def test_a_burst_ends_after_a_minute_without_another() -> None:
    told, bursts = presented(Story().late(0, 60, 120, 181, 200).steps)
    assert [each.told_us - HOUR_US for each in told] == [0, 181 * S]
    assert bursts == [LateBurst(HOUR_US, "a", 3), LateBurst(HOUR_US + 181 * S, "a", 2)]


def test_different_alarms_are_never_gathered_and_hold_up_no_burst() -> None:
    story = Story()
    for second in range(10):
        story.late(second, alarm="a").late(second + 0.5, alarm="b")
    found = story.figures()
    assert (found.annunciated, found.late_bursts, found.late_in_bursts) == (2, 2, 20)


def test_after_an_acknowledgement_it_is_told_anew() -> None:
    story = Story().late(0, 1).say(HOUR_US + 2 * S, ACK, HOUR_US + 2 * S).late(3, 4, 5)
    found = story.figures()
    assert (found.annunciated, found.late_bursts, found.late_in_bursts) == (2, 2, 5)


def test_what_was_found_in_time_is_never_gathered() -> None:
    story = Story()
    for second in range(0, 40, 2):
        story.say(second * S, START, second * S).say((second + 1) * S, RETURN, (second + 1) * S)
    found = story.figures()
    assert (found.annunciated, found.late_bursts) == (20, 0)
    # Over at once and found at once: as short as can be, but in time.
    at_once = Story()
    for second in range(5):
        at_once.say(second * S, START, second * S).say(second * S, RETURN, second * S)
    assert at_once.figures().annunciated == 5


def test_one_in_time_between_late_ones_counts_and_parts_them() -> None:
    story = Story().late(0, 1)
    story.say(HOUR_US + 2 * S, START, HOUR_US + 2 * S).say(HOUR_US + 3 * S, RETURN, HOUR_US + 3 * S)
    assert story.late(4, 5).figures().annunciated == 3


def test_alarms_of_the_service_that_are_over_at_once_are_no_excursions() -> None:
    found = Story().late(*range(5), kind="session-lost").figures()
    assert (found.annunciated, found.late_bursts) == (5, 0)


@pytest.mark.parametrize("cut_s", [3_600, 3_602, 3_610])
def test_a_period_cut_in_two_adds_up(cut_s: int) -> None:
    story = Story().late(*range(5)).late(*range(5), alarm="b")
    parts = [story.figures(Period(0, cut_s * S)), story.figures(Period(cut_s * S, DAY_US))]
    assert sum(part.annunciated for part in parts) == story.figures().annunciated == 2


def test_what_the_engine_says_of_a_buffer_sent_late_is_such_a_burst() -> None:
    """Twenty minutes above the level, sent an hour late: the room has been well again since."""
    above, below = (50_000, 500), (1, 0)
    prompt = [heard(reading("pc-1", n, T0 + 10 * n * S, below)) for n in range(30, 400)]
    late_us = T0 + 4_000 * S
    buffer = [heard(reading("pc-1", n, T0 + 10 * n * S, above), late_us, late_us) for n in range(1, 30)]
    said = run(engine(start_us=T0 - S), [*prompt, *buffer], late_us + 3 * MINUTE_US)
    steps = [one for one in said if isinstance(one, AlarmChanged) and one.alarm.endswith("/action") and one.late]
    starts = [one for one in steps if one.event is START and one.alarm == "location/fill-1/0.5um/action"]
    assert len(starts) >= 3
    told, bursts = presented(one for one in steps if one.alarm == starts[0].alarm)
    assert len(told) == 1
    assert [burst.found for burst in bursts] == [len(starts)]
