"""When people are at work: by the hours, with a scatter, through the gowning room, and away in breaks."""

from __future__ import annotations

from itertools import pairwise, takewhile

import numpy as np

from motewatch.site.schedule import WeeklyWindows
from motewatch_simulator.shifts import Doing, Hours, itinerary

MINUTE_US = 60_000_000
MONDAY_US = 1_780_272_000_000_000
"""Midnight UTC of a Monday in June 2026."""


def hours(*, spread_min: float = 0.0, gowning_min: int = 10) -> Hours:
    return Hours(
        WeeklyWindows.parse(("Mon-Fri 06:00-14:00",), "UTC"),
        WeeklyWindows.parse(("Mon-Fri 09:00-09:15",), "UTC"),
        round(spread_min * MINUTE_US),
        gowning_min * MINUTE_US,
    )


def days(of: Hours, count: int = 1, seed: int = 1) -> list[tuple[float, Doing]]:
    """Minutes since Monday's midnight."""
    end_us = MONDAY_US + count * 1440 * MINUTE_US
    steps = takewhile(lambda step: step[0] < end_us, itinerary(of, MONDAY_US, np.random.default_rng(seed)))
    return [((at_us - MONDAY_US) / MINUTE_US, doing) for at_us, doing in steps]


def test_a_punctual_person_keeps_the_hours() -> None:
    assert days(hours()) == [
        (0, Doing.AWAY),
        (350, Doing.GOWNING),
        (360, Doing.WORKING),
        (540, Doing.GOWNING),
        (545, Doing.AWAY),
        (545, Doing.GOWNING),
        (555, Doing.WORKING),
        (840, Doing.GOWNING),
        (845, Doing.AWAY),
    ]


def test_without_a_gowning_room_people_appear_and_vanish() -> None:
    doings = {doing for _, doing in days(hours(gowning_min=0))}
    assert doings == {Doing.AWAY, Doing.WORKING}


def test_people_scatter_about_the_hours_and_never_go_back_in_time() -> None:
    arrivals = []
    for seed in range(200):
        steps = days(hours(spread_min=5.0), 5, seed)
        assert all(a <= b for (a, _), (b, _) in pairwise(steps))
        arrivals.append(next(at for at, doing in steps if doing is Doing.WORKING))
    assert abs(float(np.mean(arrivals)) - 360.0) < 1.5
    assert 4.0 < float(np.std(arrivals)) < 6.0


def test_whoever_is_within_the_hours_at_the_start_is_at_work_without_changing() -> None:
    start_us = MONDAY_US + 400 * MINUTE_US
    first = next(itinerary(hours(), start_us, np.random.default_rng(1)))
    assert first == (start_us, Doing.WORKING)


def test_nobody_works_at_the_weekend() -> None:
    week = days(hours(), 7)
    assert max(at for at, doing in week if doing is Doing.WORKING) < 5 * 1440
