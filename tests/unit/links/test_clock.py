"""The clock, and the watch that notices when it was set."""

from __future__ import annotations

import time

import pytest

from motewatch.links.clock import Clock, StepWatch
from support.links_fakes import FakeClock


def test_now_is_the_wall_clock_in_microseconds() -> None:
    before_us, now_us, after_us = time.time_ns() // 1000, Clock().now_us(), time.time_ns() // 1000
    assert before_us <= now_us <= after_us


def test_the_monotonic_clock_does_not_go_back() -> None:
    clock = Clock()
    seen = [clock.monotonic_s() for _ in range(100)]
    assert seen == sorted(seen)


def test_time_that_only_passes_is_no_step() -> None:
    clock = FakeClock()
    watch = StepWatch(clock, threshold_s=1.0)
    clock.go(3600.0)
    assert watch.step_us() is None


@pytest.mark.parametrize("step_us", [1_000_001, -1_000_001, 3_600_000_000, -86_400_000_000])
def test_a_step_is_told_once_with_its_sign(step_us: int) -> None:
    clock = FakeClock()
    watch = StepWatch(clock, threshold_s=1.0)
    clock.go(30.0)
    clock.wall_us += step_us
    assert watch.step_us() == step_us
    clock.go(30.0)
    assert watch.step_us() is None


def test_a_step_of_just_the_threshold_passes() -> None:
    clock = FakeClock()
    watch = StepWatch(clock, threshold_s=1.0)
    clock.wall_us += 1_000_000
    assert watch.step_us() is None


def test_slow_corrections_do_not_add_up_to_a_step() -> None:
    clock = FakeClock()
    watch = StepWatch(clock, threshold_s=1.0)
    for _ in range(100):
        clock.go(60.0)
        clock.wall_us += 30_000  # 500 ppm of a minute
        assert watch.step_us() is None
