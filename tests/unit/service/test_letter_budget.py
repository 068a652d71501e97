"""How much of what cannot be used is kept, by source and by the hour."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from motewatch.service.letter_budget import ALL_SOURCES, MOST_SOURCES, Keep, LetterBudget, letter_budget
from motewatch.site.models import Service
from motewatch.wire.records import HOUR_US, MINUTE_US, SECOND_US, Refusal, RefusalReason

BEGAN = 500_000 * HOUR_US


def refusal(sensor: str | None = None) -> Refusal:
    return Refusal(RefusalReason.NOT_JSON, "no JSON", sensor)


def judged(budget: LetterBudget, at_us: int, sensor: str | None = "pc-1", topic: str = "t", size: int = 100) -> Keep:
    return budget.judge(topic, refusal(sensor), size, at_us)[0]


def test_the_first_of_each_hour_are_kept_whole_and_each_source_has_its_own() -> None:
    budget = LetterBudget(3, 1_000_000)
    for hour in range(2):
        at_us = BEGAN + hour * HOUR_US
        assert [judged(budget, at_us + number) for number in range(5)] == [Keep.WHOLE] * 3 + [Keep.COUNT] * 2
        assert judged(budget, at_us, "pc-2") is Keep.WHOLE
        assert judged(budget, at_us, None, "another") is Keep.WHOLE


def test_a_line_a_minute_stands_for_what_was_counted() -> None:
    budget = LetterBudget(1, 1_000_000)
    judged(budget, BEGAN)
    for second in range(1, 60):
        assert judged(budget, BEGAN + second * SECOND_US) is Keep.COUNT
    keep, untold = budget.judge("t", refusal("pc-1"), 1, BEGAN + MINUTE_US)
    assert keep is Keep.LINE
    assert untold is not None
    assert (untold.count, untold.since_us) == (59, BEGAN + SECOND_US)
    assert untold.words == "59 more like this were not kept; the last: no JSON"


def test_what_nothing_comes_after_is_told_by_itself() -> None:
    budget = LetterBudget(1, 1_000_000)
    judged(budget, BEGAN)
    judged(budget, BEGAN + 1)
    assert budget.due(BEGAN + SECOND_US) == []
    assert [each.count for each in budget.due(BEGAN + MINUTE_US)] == [1]
    assert budget.due(BEGAN + HOUR_US) == []
    judged(budget, BEGAN + MINUTE_US + 1)
    assert [each.count for each in budget.due(BEGAN + MINUTE_US + 2, everything=True)] == [1]


def test_what_was_counted_is_not_forgotten_when_the_hour_ends() -> None:
    budget = LetterBudget(1, 1_000_000)
    judged(budget, BEGAN + HOUR_US - 2)
    judged(budget, BEGAN + HOUR_US - 1)
    assert judged(budget, BEGAN + HOUR_US) is Keep.WHOLE
    assert [each.count for each in budget.due(BEGAN + HOUR_US + MINUTE_US)] == [1]


def test_all_sources_together_have_a_bound_in_number_and_in_bytes() -> None:
    budget = LetterBudget(5, 1_000_000)
    kept = [judged(budget, BEGAN, None, f"topic/{number}") for number in range(3 * MOST_SOURCES)]
    assert kept.count(Keep.WHOLE) == 5 * ALL_SOURCES
    assert len(budget._sources) <= MOST_SOURCES + 1
    heavy = LetterBudget(1_000, 1_000_000)
    assert [judged(heavy, BEGAN, size=65_536) for _ in range(20)].count(Keep.WHOLE) == 15


@given(
    st.lists(
        st.tuples(st.integers(0, 3 * HOUR_US), st.sampled_from(["a", "b", None]), st.integers(0, 70_000)), max_size=300
    )
)
def test_every_message_is_kept_or_counted_once_whatever_the_clock_does(
    steps: list[tuple[int, str | None, int]],
) -> None:
    budget = LetterBudget(4, 200_000)
    whole = lines = told = size_us = 0
    for at_us, sensor, size in steps:
        keep, untold = budget.judge("t", refusal(sensor), size, BEGAN + at_us)
        whole += keep is Keep.WHOLE
        lines += keep is Keep.LINE
        told += untold.count if untold else 0
        size_us += size
    told += sum(each.count for each in budget.due(BEGAN, everything=True))
    assert whole + lines + told == len(steps)


def test_a_line_comes_often_enough_that_the_alarm_stands_while_it_goes_on() -> None:
    assert letter_budget(Service()).line_every_us == MINUTE_US
    assert letter_budget(Service(dead_letters_window_s=20)).line_every_us == 10 * SECOND_US
