"""Deadlines in order, and sequence numbers in constant memory."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from motewatch.engine.agenda import Agenda, Due
from motewatch.engine.sensors import Ranges


def test_deadlines_come_by_instant_then_rank_then_key_and_never_twice() -> None:
    agenda = Agenda()
    for at_us, due, key in [(5, Due.SILENCE, "b"), (5, Due.CLOSE, "z"), (5, Due.CLOSE, "a"), (1, Due.BOUND, "x")]:
        agenda.enter(at_us, due, key)
        agenda.enter(at_us, due, key)
    taken = []
    while (deadline := agenda.take(6)) is not None:
        taken.append(deadline)
    assert taken == [(1, Due.BOUND, "x"), (5, Due.CLOSE, "a"), (5, Due.CLOSE, "z"), (5, Due.SILENCE, "b")]


def test_a_deadline_at_the_instant_asked_for_stays() -> None:
    agenda = Agenda()
    agenda.enter(5, Due.CLOSE, "a")
    assert agenda.take(5) is None
    assert agenda.next_us == 5


def test_agenda_survives_a_round_trip() -> None:
    agenda = Agenda()
    agenda.enter(7, Due.CLOSE, "a")
    agenda.enter(3, Due.SILENCE, "b")
    again = Agenda.from_state(agenda.to_state())
    again.enter(3, Due.SILENCE, "b")
    assert again.to_state() == agenda.to_state()


@given(st.lists(st.integers(0, 60), max_size=200))
def test_ranges_answer_like_a_set(numbers: list[int]) -> None:
    ranges, model = Ranges(), set[int]()
    for number in numbers:
        assert ranges.add(number) is (number not in model)
        model.add(number)
        assert number in ranges
        assert all((n in ranges) == (n in model) for n in range(-1, 62))
    # Separate ranges: as few as there are runs.
    assert len(ranges.lows) == sum(1 for n in model if n - 1 not in model)
    if model:
        assert ranges.missing == max(model) - min(model) + 1 - len(model)
