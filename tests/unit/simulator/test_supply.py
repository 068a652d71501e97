"""What the fans move: trips with their run-down and restart, and night set-back with its ramps."""

from __future__ import annotations

from typing import Any

import pytest

from motewatch_simulator.scenario import Scenario
from motewatch_simulator.supply import Supply
from motewatch_simulator.timeline import Timeline
from support.simulated import START_US, a_scenario

MINUTE_US = 60_000_000
MONDAY_US = 1_780_272_000_000_000


def shares(scenario: Scenario, second: float) -> tuple[float, ...]:
    at_us = START_US + round(second * 1e6)
    active = Timeline(scenario.incidents, START_US, None).active(at_us)
    return Supply(scenario, "UTC").faults(active)


def tripped(**keys: Any) -> Scenario:
    trip = {"kind": "fan-trip", "at_s": 100, "duration_s": 500, "coast_s": 20, "restart_s": 100, "share": 0.0, **keys}
    return a_scenario(incidents=[trip])


@pytest.mark.parametrize(
    ("second", "share"),
    [(99.9, 1.0), (101.0, 0.95), (111.0, 0.45), (121.0, 0.0), (499.0, 0.0), (501.0, 0.05), (595.0, 0.95), (601.0, 1.0)],
)
def test_a_tripped_fan_runs_down_and_comes_back_slowly(second: float, share: float) -> None:
    assert shares(tripped(), second) == pytest.approx((share, share))


def test_a_trip_may_leave_something_and_spare_rooms() -> None:
    assert shares(tripped(rooms=["next"], share=0.2), 300.0) == pytest.approx((1.0, 0.2))


def test_every_change_of_a_trip_is_an_edge() -> None:
    scenario = tripped()
    timeline, supply = Timeline(scenario.incidents, START_US, None), Supply(scenario, "UTC")
    at_us, seen, edges = START_US + 100_000_000, [], 0
    while at_us < START_US + 600_000_000:
        active = timeline.active(at_us)
        seen.append(supply.faults(active)[0])
        edge_us = supply.next_edge_us(at_us, active)
        if edge_us is None:
            break
        # Nothing changes just before the edge.
        assert supply.faults(timeline.active(edge_us - 1))[0] == seen[-1]
        at_us, edges = edge_us, edges + 1
    assert edges == 20
    assert min(seen) == 0.0
    assert seen.index(0.0) == 10


def set_back() -> Supply:
    rooms = [
        {"id": "clean", "air_changes_per_h": 60.0, "setback_hours": ["Mon 20:00-24:00"], "setback_ramp_min": 10.0},
        {"id": "next", "air_changes_per_h": 30.0},
    ]
    return Supply(a_scenario(rooms=rooms), "UTC")


@pytest.mark.parametrize(
    ("minute", "depth"), [(1199, 0.0), (1200, 0.1), (1205, 0.6), (1209, 1.0), (1300, 1.0), (1440, 0.9), (1449, 0.0)]
)
def test_night_comes_and_goes_by_steps(minute: int, depth: float) -> None:
    supply = set_back()
    depths = supply.set_back(MONDAY_US + minute * MINUTE_US)
    assert depths == pytest.approx((depth, 0.0))
    assert supply.shares((1.0, 1.0), depths) == pytest.approx((1.0 - 0.5 * depth, 1.0))


def test_the_steps_of_the_night_are_edges() -> None:
    supply = set_back()
    at_us, edges = MONDAY_US + 1_000 * MINUTE_US, []
    while (edge_us := supply.next_edge_us(at_us, [])) is not None and edge_us < MONDAY_US + 1_500 * MINUTE_US:
        edges.append((edge_us - MONDAY_US) / MINUTE_US)
        at_us = edge_us
    assert edges == [*range(1200, 1210), *range(1440, 1450)]
