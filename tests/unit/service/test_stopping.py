"""The time of a stop."""

from __future__ import annotations

import pytest

from motewatch.service.stopping import LEAST_S, StopTime
from support.links_fakes import FakeClock


def test_each_part_gets_its_share_while_there_is_time() -> None:
    clock = FakeClock()
    time = StopTime(clock, 4.0)
    time.begin()
    clock.go(1.0)
    assert [time.share_s(0.3), time.share_s(2.5)] == [0.3, 2.5]
    clock.go(2.8)
    time.begin()
    assert time.share_s(0.3) == pytest.approx(0.2), "the rest"
    clock.go(10.0)
    assert time.share_s(0.3) == LEAST_S
    assert time.share_s(2.5) == LEAST_S


def test_parts_that_all_hang_take_little_more_than_the_whole() -> None:
    clock = FakeClock()
    time = StopTime(clock, 4.5)
    began_s = clock.monotonic_s()
    for most_s in (0.8, 2.5, 0.4, *[0.3] * 9):
        clock.go(time.share_s(most_s))
    assert clock.monotonic_s() - began_s < 5.0
