"""A rehearsal: which alarms another configuration would have raised, not raised, or raised at another time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from motewatch.engine.records import Input
from motewatch.engine.rehearsal import SAMPLES_KEPT, Change, Raised, Rehearsal, ShortMemory, compare
from motewatch.wire.records import SECOND_US
from support.facility import T0, configured, heard, reading, site_dict
from support.journal_records import sample

MINUTE_US = 60 * SECOND_US


def outcome(
    before: dict[str, Any], other: dict[str, Any], counts: list[int], since_us: int = T0
) -> list[tuple[str, str]]:
    """Minutes of the bench (ISO 7, each reading a sample) with these counts."""
    rehearsal = Rehearsal(configured(before), configured(other), T0)
    for number, count in enumerate(counts):
        rehearsal.take(heard(reading("pc-2", number, T0 + (number + 1) * MINUTE_US, (count, 0), 60.0)))
    rehearsal.end(T0 + (len(counts) + 1) * MINUTE_US)
    return [(one.change.value, one.alarm) for one in rehearsal.outcome(since_us).differing if "0.5um" in one.alarm]


def bench_level(action: int, **changes: Any) -> dict[str, Any]:
    return site_dict(levels=[{"room": "prep", "size_um": 0.5, "action_per_m3": action}], **changes)


ACTION = "location/prep-1/0.5um/action"
STEADY = [10, 10, 100, 10, 10, 500, 10, 10]
"""In a minute's air 100 are 3 534 and 500 are 17 668 particles per m3."""


def test_the_same_configuration_changes_nothing() -> None:
    assert outcome(bench_level(3000), bench_level(3000), STEADY) == []


def test_a_looser_level_raises_fewer_and_a_tighter_one_more() -> None:
    assert outcome(bench_level(3000), bench_level(10_000), STEADY) == [("not-raised", ACTION)]
    assert outcome(bench_level(10_000), bench_level(3000), STEADY) == [("raised", ACTION)]
    # What came before the stretch only warms the engines up.
    assert outcome(bench_level(3000), bench_level(10_000), STEADY, T0 + 4 * MINUTE_US) == []


def test_an_alarm_comes_at_another_time() -> None:
    assert outcome(bench_level(3000), bench_level(1000), [10, 50, 100, 10]) == [("otherwise", ACTION)]


def test_a_configuration_on_record_is_for_what_was_alone() -> None:
    tight, loose = configured(bench_level(3000)), configured(bench_level(10_000))
    rehearsal = Rehearsal(tight, loose, T0)
    rehearsal.take(Input(T0 + 1, T0 + 1, loose))
    for number, count in enumerate(STEADY, 1):
        rehearsal.take(heard(reading("pc-2", number, T0 + number * MINUTE_US, (count, 0), 60.0)))
    rehearsal.end(T0 + 9 * MINUTE_US)
    assert rehearsal.outcome(T0).differing == ()


def raised(at_us: int, until_us: int | None, alarm: str = "a") -> Raised:
    return Raised(alarm, "kind", "high", "text", at_us, until_us)


def test_raisings_that_overlap_are_one() -> None:
    was, would = [raised(10, 20), raised(40, None), raised(90, 95)], [raised(15, 30), raised(40, None), raised(60, 70)]
    found = [(one.change, one.was and one.was.at_us, one.would and one.would.at_us) for one in compare(was, would)]
    assert found == [(Change.OTHERWISE, 10, 15), (Change.RAISED, None, 60), (Change.NOT_RAISED, 90, None)]
    assert [one.change for one in compare([raised(1, 2)], [replace(raised(1, 2), priority="low")])] == ["otherwise"]
    assert [one.change for one in compare([raised(1, 2, "a")], [raised(1, 2, "b")])] == ["not-raised", "raised"]


SPANS = st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 30), st.integers(0, 9)), max_size=12)


@given(SPANS, SPANS)
def test_each_raising_is_told_of_once_at_most(
    was: list[tuple[str, int, int]], would: list[tuple[str, int, int]]
) -> None:
    ours = [raised(at_us, at_us + length, alarm) for alarm, at_us, length in was]
    theirs = [raised(at_us, at_us + length, alarm) for alarm, at_us, length in would]
    found = compare(ours, theirs)
    gone = sum(one.change is Change.NOT_RAISED for one in found)
    new = sum(one.change is Change.RAISED for one in found)
    assert len(ours) - gone == len(theirs) - new
    assert compare(ours, ours) == []
    assert [one.at_us for one in found] == sorted(one.at_us for one in found)


def test_the_memory_forgets_the_oldest() -> None:
    memory = ShortMemory()
    for number in range(SAMPLES_KEPT + 1):
        memory.taken(sample(60 * (number + 1)))
    memory.taken(sample(120, 2))
    assert [each.revision for each in memory.samples("l1", 0, 240)] == [2, 1, 1]
    assert memory.samples("l2", 0, 100) == []
