"""A simple rotation as shifts: members in turn, so many days each, handing over at a local time of day.

Rules for local times, after RFC 5545, 3.3.5, as everywhere: a time that happens twice means the first, one that does
not exist uses the offset before the gap. A weekly shift therefore lasts 167 or 169 hours over a change of clocks.
Pure. Before the first day of the rotation nobody is on call.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from motewatch.callout.spans import Span
from motewatch.site.instants import instant, instant_us
from motewatch.site.people import Rotation


def rotation_spans(rotation: Rotation, zone: ZoneInfo, from_us: int, to_us: int) -> Iterator[Span]:
    """The shifts that touch `[from_us, to_us)`, in order."""
    # A day on either side: local dates differ from UTC dates by up to one.
    first_day = instant(from_us).astimezone(zone).date() - timedelta(days=1)
    number = max(0, (first_day - rotation.first).days // rotation.shift_days)
    while True:
        begin_us, end_us = hand_over_us(rotation, zone, number), hand_over_us(rotation, zone, number + 1)
        if begin_us >= to_us:
            return
        if end_us > from_us:
            yield Span(begin_us, end_us, rotation.members[number % len(rotation.members)])
        number += 1


def hand_over_us(rotation: Rotation, zone: ZoneInfo, number: int) -> int:
    """The instant at which the shift of that number begins."""
    day = rotation.first + timedelta(days=number * rotation.shift_days)
    # `fold` is 0: the first of two, and the offset before a gap.
    return instant_us(datetime.combine(day, time.fromisoformat(rotation.hand_over), tzinfo=zone))
