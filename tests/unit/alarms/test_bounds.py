"""Deadband and delays of one bound, in the time of the measurements."""

from __future__ import annotations

import pytest

from motewatch.alarms.bounds import Bound, BoundWatch, Change, Side

S = 1_000_000


def watch(side: Side = Side.HIGH, value: int = 60_000, deadband: int = 0, on_s: int = 0, off_s: int = 0) -> BoundWatch:
    return BoundWatch(Bound(side, value, deadband, on_s * S, off_s * S))


def feed(made: BoundWatch, *values: tuple[int, int]) -> list[Change]:
    changes = []
    for second, value in values:
        changes += made.observe(second * S, value)
    return changes


def test_a_value_equal_to_the_bound_is_within_it() -> None:
    assert feed(watch(), (0, 60_000)) == []
    assert feed(watch(Side.LOW), (0, 60_000)) == []


def test_without_delays_a_change_is_dated_by_its_measurement() -> None:
    assert feed(watch(), (0, 60_001), (60, 60_000)) == [Change(True, 0, 60_001), Change(False, 60 * S, 60_000)]


@pytest.mark.parametrize(("side", "still", "back"), [(Side.HIGH, 58_000, 57_999), (Side.LOW, 62_000, 62_001)])
def test_the_deadband_holds_the_alarm(side: Side, still: int, back: int) -> None:
    out = 60_001 if side is Side.HIGH else 59_999
    made = watch(side, deadband=2_000)
    assert feed(made, (0, out), (10, still)) == [Change(True, 0, out)]
    assert feed(made, (20, back)) == [Change(False, 20 * S, back)]


def test_an_interruption_starts_the_on_delay_anew() -> None:
    made = watch(on_s=120)
    assert feed(made, (0, 61_000), (60, 61_000), (119, 60_000), (120, 61_000), (239, 61_000)) == []
    assert feed(made, (240, 61_000)) == [Change(True, 240 * S, 61_000)]


def test_a_measurement_at_the_very_end_of_the_on_delay_counts_before_the_timer() -> None:
    made = watch(on_s=120)
    assert feed(made, (0, 61_000), (120, 60_000)) == []
    assert made.due_us is None


def test_a_measurement_after_the_on_delay_cannot_undo_it() -> None:
    made = watch(on_s=120)
    assert feed(made, (0, 61_000), (121, 50_000)) == [Change(True, 120 * S, 61_000), Change(False, 121 * S, 50_000)]


def test_silence_starts_an_alarm_by_the_timer_but_never_ends_one() -> None:
    made = watch(on_s=120, off_s=60)
    feed(made, (0, 61_000))
    assert made.due_us == 120 * S
    assert made.expire(119 * S) == []
    assert made.expire(125 * S) == [Change(True, 120 * S, 61_000)]
    feed(made, (200, 50_000))
    assert made.due_us is None
    assert made.expire(9_999 * S) == []
    assert feed(made, (9_999, 50_000)) == [Change(False, 260 * S, 50_000)]


def test_state_survives_a_round_trip_in_the_middle_of_a_delay() -> None:
    made = watch(on_s=120)
    feed(made, (0, 61_000))
    again = BoundWatch.from_state(made.bound, made.to_state())
    assert feed(again, (120, 61_500)) == feed(made, (120, 61_500)) == [Change(True, 120 * S, 61_500)]
