"""The engine's time: still while held, never back, and half as fast while the host's clock catches up."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from motewatch.service.engine_clock import EngineClock
from motewatch.wire.records import HOUR_US, SECOND_US
from support.facility import T0
from support.links_fakes import FakeClock

S = SECOND_US


def running(passed_us: int = T0) -> tuple[FakeClock, EngineClock]:
    clock = FakeClock(T0)
    engine_clock = EngineClock(clock, passed_us)
    engine_clock.held = False
    return clock, engine_clock


def test_it_is_the_wall_clock() -> None:
    clock, engine_clock = running()
    clock.go(12.5)
    assert engine_clock.advance_us(T0) == T0 + 12_500_000
    assert engine_clock.input_us(T0, T0) == T0 + 12_500_000


def test_it_begins_held_and_then_stands_still() -> None:
    clock = FakeClock(T0)
    engine_clock = EngineClock(clock, T0 - 100 * S)
    assert engine_clock.held
    for _ in range(3):
        clock.go(60)
        assert engine_clock.advance_us(T0 - 100 * S) == T0 - 100 * S
        assert engine_clock.input_us(T0 - 100 * S, T0 - 100 * S) == T0 - 100 * S + 1


def test_a_new_engine_has_nothing_to_hold() -> None:
    clock = FakeClock(T0)
    assert EngineClock(clock, -1).input_us(-1, 0) == T0


def test_held_inputs_stand_at_the_last_one_when_that_lies_ahead() -> None:
    engine_clock = EngineClock(FakeClock(T0), T0)
    assert engine_clock.input_us(T0, T0 + 40) == T0 + 40
    assert engine_clock.input_us(T0, T0) == T0 + 1


def test_inputs_lie_after_what_is_passed_even_within_one_microsecond() -> None:
    _, engine_clock = running()
    assert engine_clock.advance_us(T0) == T0
    assert engine_clock.input_us(T0, T0) == T0 + 1


def test_after_a_step_back_time_goes_on_at_half_speed_until_the_wall_clock_has_caught_up() -> None:
    clock, engine_clock = running()
    assert engine_clock.advance_us(T0) == T0
    clock.wall_us -= 60 * S
    seen = []
    for _ in range(7):
        clock.go(30)
        seen.append((engine_clock.advance_us(T0) - T0) / S)
    # The wall clock shows T0 - 30, 0, 30, 60, 90 ...; half speed gives 15, 30, 45, and at 60 both meet.
    assert seen == [15, 30, 45, 60, 90, 120, 150]


def test_a_record_that_is_ahead_of_the_clock_is_waited_for_at_half_speed() -> None:
    clock, engine_clock = running(passed_us=T0 + 100 * S)
    clock.go(50)
    assert engine_clock.advance_us(T0 + 100 * S) == T0 + 125 * S
    clock.go(50)
    assert engine_clock.advance_us(T0 + 125 * S) == T0 + 150 * S
    clock.go(100)
    assert engine_clock.advance_us(T0 + 150 * S) == T0 + 200 * S
    clock.go(1)
    assert engine_clock.advance_us(T0 + 200 * S) == T0 + 201 * S


def test_a_step_forward_is_followed_at_once() -> None:
    clock, engine_clock = running()
    clock.wall_us += HOUR_US
    assert engine_clock.advance_us(T0) == T0 + HOUR_US


@given(
    st.lists(
        st.tuples(
            st.floats(0, 100, allow_nan=False),
            st.integers(-200 * S, 200 * S),
            st.booleans(),
            st.booleans(),
        ),
        max_size=40,
    )
)
def test_it_never_goes_back_whatever_the_clock_does(
    moves: list[tuple[float, int, bool, bool]],
) -> None:
    clock, engine_clock = running()
    passed_us = time_us = T0
    for seconds, step_us, held, is_input in moves:
        clock.go(seconds)
        clock.wall_us += step_us
        engine_clock.held = held
        if is_input:
            at_us = engine_clock.input_us(passed_us, time_us)
            assert at_us > passed_us
            assert at_us >= time_us
            time_us = at_us
        else:
            to_us = engine_clock.advance_us(passed_us)
            assert to_us >= passed_us
            if held:
                assert to_us == passed_us
            passed_us = to_us
            time_us = max(time_us, to_us)
