"""Counts in blocks are those of the stream, and what blocks cannot hold is refused by name."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from motewatch_simulator.bulk import BulkSimulation
from motewatch_simulator.errors import StreamError
from motewatch_simulator.scenario import Scenario
from motewatch_simulator.simulation import Simulation
from support.simulated import START_US, a_scenario, a_site, measured

LATE_US = START_US + 300_000
"""Between two marks: the air before the first whole interval goes uncounted."""


def lively(**changes: Any) -> Scenario:
    return a_scenario(
        people=[{"room": "clean", "count": 3}, {"room": "next", "count": 2, "garment": "smock"}],
        connections=[{"higher": "clean", "lower": "next", "leak_m3_h": 100.0, "door": {"passages_per_h": 120.0}}],
        incidents=[{"kind": "gowning-burst", "room": "next", "at_s": 60.5, "duration_s": 30}],
        **changes,
    )


def bulk(scenario: Scenario) -> BulkSimulation:
    return BulkSimulation(a_site(), scenario, rng=np.random.default_rng(4), start_us=LATE_US, physics_speed=20.0)


@pytest.mark.parametrize(("threads", "chunk"), [(1, 50), (3, 64), (2, 1_000)])
@pytest.mark.parametrize("response", [None, {"pulse_us": 6.3, "flow_spread_pct": 3}])
def test_blocks_hold_the_counts_of_the_stream(threads: int, chunk: int, response: dict[str, Any] | None) -> None:
    scenario = lively(response=response, sensors=[{"id": name, "counts": "differential"} for name in ("pc-1", "pc-2")])
    stream = Simulation(a_site(), scenario, rng=np.random.default_rng(4), start_us=LATE_US, physics_speed=20.0)
    simulation = bulk(scenario)
    blocks = list(simulation.blocks(LATE_US + 200_000_000, threads=threads, chunk=chunk))
    mine = [block for block in blocks if block.sensor == "pc-2"]
    assert mine[0].sizes_um == (0.3, 0.5, 5.0)
    sent = measured(stream, 200, "pc-2")
    assert np.concatenate([block.start_us for block in mine]).tolist() == [m.start_us for m in sent]
    assert [tuple(row) for block in mine for row in block.differential.tolist()] == [m.values for m in sent]
    assert {block.duration_us for block in blocks} == {1_000_000}
    assert simulation.truths() == [t for t in stream.truths() if t.start_us < simulation.now_us]


SHIFT = {"hours": ["Mon-Sun 08:00-20:00"], "arrival_spread_min": 0.0, "gowning_room": "next", "gowning_min": 1.0}
AT = {"at_s": 20, "duration_s": 120}


def test_whatever_happens_in_the_rooms_happens_in_blocks_as_in_the_stream() -> None:
    # 200 s of the clocks are 1 h 07 min in the rooms.
    scenario = a_scenario(
        outdoors={"wanders": True},
        rooms=[
            {"id": "clean", "air_changes_per_h": 60.0, "pressure_pa": 15.0, "setback_hours": ["Mon-Sun 08:01-08:02"]},
            {"id": "next", "air_changes_per_h": 30.0},
        ],
        locations=[{"id": "zone", "transfer": 1e-3}, {"id": "table", "near_m3": 3.0, "near_exchange_m3_h": 300.0}],
        connections=[{"higher": "clean", "lower": "next", "leak_m3_h": 100.0, "door": {"passages_per_h": 30.0}}],
        people=[
            {"room": "clean", "count": 3},
            {"room": "clean", "count": 2, "garment": "indoor", **SHIFT},
            {"room": "next", "count": 1, "activity": 0.3},
        ],
        machines=[
            {
                "room": "clean",
                "per_min_at_0_5_um": 1e5,
                "on_min": 5,
                "off_min": 3,
                "seen_by": [{"location": "zone", "chi_s_m3": 20}],
            },
            {"room": "next", "per_min_at_0_5_um": 1e4, "near": "table"},
        ],
        incidents=[
            {"kind": "gowning-burst", "room": "next", **AT},
            {
                "kind": "filter-leak",
                "room": "clean",
                "bypass_l_min": 2,
                "seen_by": [{"location": "zone", "chi_s_m3": 5}],
                **AT,
            },
            {"kind": "intervention", "location": "zone", "per_s_at_0_5_um": 1e4, "disturbed_transfer": 0.1, **AT},
            {"kind": "humidity-drift", "room": "clean", "change_pct": 5, "ramp_s": 60, **AT},
            {"kind": "fan-trip", "rooms": ["next"], "coast_s": 10, "restart_s": 10, "at_s": 60, "duration_s": 60},
            {"kind": "door-open", "higher": "clean", "lower": "next", "at_s": 100, "duration_s": 30},
        ],
        sensors=[{"id": name, "counts": "differential"} for name in ("pc-1", "pc-2")],
    )
    stream = Simulation(a_site(), scenario, rng=np.random.default_rng(4), start_us=LATE_US, physics_speed=20.0)
    simulation = bulk(scenario)
    blocks = list(simulation.blocks(LATE_US + 200_000_000))
    sent = measured(stream, 200, "pc-1")
    assert len(sent) == 199
    assert [tuple(row) for b in blocks if b.sensor == "pc-1" for row in b.differential.tolist()] == [
        m.values for m in sent
    ]
    assert {truth.what for truth in simulation.truths()} >= {"intervention", "fan-trip", "door-open"}


@pytest.mark.parametrize(
    "changes",
    [
        {"sensors": [{"id": "pc-2", "sample_s": 0.5}]},
        {"sensors": [{"id": "pc-2", "clock_ppm": 5}]},
        {"sensors": [{"id": "pc-2", "dispersion": {"kind": "negative-binomial"}}]},
        {"incidents": [{"kind": "stuck", "sensor": "pc-2", "at_s": 0, "duration_s": 5}]},
    ],
)
def test_what_blocks_cannot_hold_is_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(StreamError, match='"pc-2" pauses, moves, spreads, drifts or misbehaves'):
        next(bulk(a_scenario(**changes)).blocks(LATE_US + 10_000_000))


def test_one_interval_for_all() -> None:
    simulation = BulkSimulation(
        a_site(interval_s=2), a_scenario(), rng=np.random.default_rng(1), start_us=START_US, physics_speed=1.0
    )
    with pytest.raises(StreamError, match="intervals of 1, 2 s"):
        next(simulation.blocks(START_US + 10_000_000))
