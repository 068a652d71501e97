"""A worked case of deadband, on-delay and off-delay.

Constructed, not from a publication; the rules it applies are those of OPC 10000-9 (OPC UA Part 9) for the attributes
that ISA-18.2 / IEC 62682 name: high limit 60.0 % RH, deadband 2.0, on-delay 120 s, off-delay 60 s, a sample each 60 s.
"""

from __future__ import annotations

from motewatch.alarms.bounds import Bound, BoundWatch, Side

S = 1_000_000
BOUND = Bound(Side.HIGH, 60_000, 2_000, 120 * S, 60 * S)


def changes(values: list[float]) -> list[tuple[bool, int]]:
    watch = BoundWatch(BOUND)
    found = []
    for index, value in enumerate(values):
        found += [(c.active, c.at_us // S) for c in watch.observe(index * 60 * S, round(value * 1000))]
    return found


def test_on_at_180_s_and_off_at_360_s() -> None:
    assert changes([59.0, 60.5, 60.4, 60.2, 59.0, 57.9, 57.8]) == [(True, 180), (False, 360)]


def test_inside_the_deadband_the_alarm_stays_on() -> None:
    assert changes([59.0, 60.5, 60.4, 60.2, 59.0]) == [(True, 180)]


def test_a_single_return_followed_by_a_value_in_the_deadband_does_not_clear() -> None:
    assert changes([59.0, 60.5, 60.4, 60.2, 59.0, 57.9, 58.5]) == [(True, 180)]
