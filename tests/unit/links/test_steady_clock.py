"""A host clock that jumps by an hour or by years, forth and back: followed only when the sensors agree with it."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from motewatch.links.steady_clock import DOUBT_US, PATIENCE_S, SteadyClock, elapsed_s
from support.links_fakes import FakeClock

S = 1_000_000
HOUR = 3_600 * S
DAY = 24 * HOUR
YEARS = 3_650 * DAY
JUMPS = [HOUR, -HOUR, YEARS, -YEARS]


@dataclass
class Night:
    """A host clock that others set, the true time, and the clock that is tried."""

    host: FakeClock = field(default_factory=FakeClock)
    true_us: int = 0
    clock: SteadyClock = field(init=False)

    def __post_init__(self) -> None:
        self.true_us = self.host.now_us()
        self.clock = SteadyClock(self.host, self.host.monotonic_s)

    def go(self, seconds: float) -> None:
        self.host.go(seconds)
        self.true_us += round(seconds * S)
        self.clock.now_us()

    def off_us(self) -> int:
        """How far the clock is from the true time."""
        return self.clock.now_us() - self.true_us


@pytest.mark.parametrize("jump_us", JUMPS)
def test_a_jump_forth_and_back_is_not_followed_and_told_twice(jump_us: int) -> None:
    night = Night()
    night.go(100)
    night.host.wall_us += jump_us
    assert night.off_us() == 0
    assert night.clock.doubted
    assert night.clock.step_us() == jump_us
    assert night.clock.step_us() is None
    for second in range(2 * round(PATIENCE_S)):
        night.go(1)
        night.clock.heard(f"pc-{second % 7}", night.true_us - S)
        assert night.off_us() == 0
    night.host.wall_us -= jump_us
    assert night.off_us() == 0
    assert not night.clock.doubted
    assert night.clock.step_us() == -jump_us


@pytest.mark.parametrize("jump_us", JUMPS)
def test_a_clock_that_is_set_right_is_followed_once_the_sensors_say_so(jump_us: int) -> None:
    night = Night()
    night.true_us += jump_us  # the host's clock was wrong from the beginning
    assert night.off_us() == -jump_us
    night.host.wall_us += jump_us
    assert night.off_us() == -jump_us
    for sensor in ("pc-1", "pc-2", "pc-1", "pc-1"):
        night.go(0.1)
        night.clock.heard(sensor, night.true_us - 2 * S)
        assert night.off_us() == -jump_us, "two sensors are no quorum yet"
    night.clock.heard("pc-3", night.true_us - 2 * S)
    assert night.off_us() == 0
    assert not night.clock.doubted
    assert night.clock.step_us() == jump_us, "told once, also where it is followed later"
    assert night.clock.step_us() is None


def test_a_single_sensor_is_enough_after_a_while() -> None:
    night = Night()
    night.true_us += HOUR
    night.host.wall_us += HOUR
    for _ in range(9):
        night.go(1)
        night.clock.heard("pc-1", night.true_us - S)
        assert night.clock.doubted
    night.go(2)
    night.clock.heard("pc-1", night.true_us - S)
    assert night.off_us() == 0


def test_a_third_of_the_sensors_cannot_turn_the_time() -> None:
    night = Night()
    night.host.wall_us += HOUR
    night.clock.now_us()
    for number in range(60):
        night.go(1)
        wrong = number % 3 == 0  # each third sensor hangs on the same wrong time source as the host
        night.clock.heard(f"pc-{number % 30}", night.true_us + (HOUR if wrong else 0) - S)
    assert night.off_us() == 0
    assert night.clock.doubted


def test_old_buffers_and_clocks_of_their_own_are_no_votes() -> None:
    night = Night()
    night.host.wall_us += DAY
    night.clock.now_us()
    for number in range(20):
        night.go(1)
        night.clock.heard(f"pc-{number}", night.true_us + DAY // 2)
        night.clock.heard(f"old-{number}", night.true_us - 3 * HOUR)
    night.go(PATIENCE_S)
    assert night.off_us() == DAY, "nobody said anything against it"


def test_without_any_sensor_a_day_is_followed_in_the_end_and_years_never() -> None:
    for jump_us, followed in ((HOUR, True), (-DAY, True), (DAY + S, False), (YEARS, False), (-YEARS, False)):
        night = Night()
        night.host.wall_us += jump_us
        assert night.off_us() == 0
        night.go(PATIENCE_S - 1)
        assert night.off_us() == 0
        night.go(2)
        assert night.off_us() == (jump_us if followed else 0), jump_us


def test_small_jumps_and_slow_corrections_are_followed_at_once() -> None:
    night = Night()
    for jump_us, told in ((DOUBT_US, DOUBT_US), (-DOUBT_US, -DOUBT_US), (S // 2, None), (2 * S, 2 * S)):
        night.host.wall_us += jump_us
        night.true_us += jump_us
        assert night.off_us() == 0
        assert night.clock.step_us() == told
    for _ in range(4_000):  # 500 ppm, for longer than the doubt reaches
        night.host.go(60)
        night.host.wall_us += 30_000
        night.true_us += 60 * S + 30_000
        assert night.off_us() == 0
    assert night.clock.step_us() is None


def test_a_jump_that_comes_back_in_pieces_ends_where_the_clock_is() -> None:
    night = Night()
    night.host.wall_us += HOUR
    assert night.off_us() == 0
    night.host.wall_us -= HOUR // 2
    assert night.off_us() == 0
    night.host.wall_us -= HOUR // 2 - 5 * S  # the rest of it is followed
    assert night.off_us() == 5 * S
    assert not night.clock.doubted


def test_a_program_that_is_held_up_between_two_looks_at_clocks_sees_no_jump() -> None:
    host = FakeClock()
    hold = iter([0.0, 3_600.0, 0.0])

    def elapsed() -> float:
        """Time passes between a look at this clock and the next one at the other."""
        now_s = host.monotonic_s()
        host.go(next(hold, 0.0))
        return now_s

    clock = SteadyClock(host, elapsed)
    for _ in range(5):
        host.go(1)
        assert clock.now_us() == host.now_us()
    assert clock.step_us() is None


def test_the_hosts_own_elapsed_time_goes_on() -> None:
    first = elapsed_s()
    assert elapsed_s() >= first
