"""How fast the simulator makes counts: a month of one-minute readings of 200 sensors with six channels.

    python tests/benchmarks/simulated_month.py [--days 30] [--restless] [--stream]

As blocks (`BulkSimulation`), with people who work steadily; `--restless`: people who change what they do at random,
so that the rooms need about ten steps a minute; `--stream`: as single messages. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from typing import Any

import numpy as np

from motewatch.site.models import Site
from motewatch_simulator.bulk import BulkSimulation
from motewatch_simulator.scenario import Scenario
from motewatch_simulator.simulation import Counted, Simulation

SENSORS, ROOMS = 200, 20
START_US = 1_780_300_800_000_000
DAY_US = 86_400_000_000
SIZES_UM = [0.3, 0.5, 1.0, 3.0, 5.0, 10.0]


def a_site() -> Site:
    return Site.model_validate(
        {
            "format": 1,
            "site": {"id": "bench", "name": "Bench", "time_zone": "UTC"},
            "areas": [{"id": "all", "name": "All"}],
            "rooms": [
                {"id": f"room-{i}", "name": f"Room {i}", "area": "all", "volume_m3": 60, "grade": "C"}
                for i in range(ROOMS)
            ],
            "programmes": [{"id": "minute"}],
            "locations": [
                {"id": f"place-{i}", "name": f"Place {i}", "room": f"room-{i % ROOMS}", "programme": "minute"}
                for i in range(SENSORS)
            ],
            "sensors": [
                {
                    "id": f"pc-{i}",
                    "serial": str(i),
                    "location": f"place-{i}",
                    "sizes_um": SIZES_UM,
                    "flow_l_min": 28.3,
                    "interval_s": 60,
                }
                for i in range(SENSORS)
            ],
        }
    )


def a_scenario(*, restless: bool) -> Scenario:
    people: dict[str, Any] = {} if restless else {"activity": 0.3}
    return Scenario.model_validate(
        {
            "format": 1,
            "scenario": {"name": "Bench"},
            "rooms": [{"id": f"room-{i}", "air_changes_per_h": 40} for i in range(ROOMS)],
            "people": [{"room": f"room-{i}", "count": 2, **people} for i in range(ROOMS)],
        }
    )


def in_blocks(scenario: Scenario, end_us: int) -> Iterator[tuple[int, int]]:
    """Readings and particles, block by block."""
    simulation = BulkSimulation(a_site(), scenario, rng=np.random.default_rng(1), start_us=START_US)
    for block in simulation.blocks(end_us):
        yield len(block.start_us), int(block.differential.sum())


def one_by_one(scenario: Scenario, end_us: int) -> Iterator[tuple[int, int]]:
    """Readings and particles, reading by reading."""
    for emission in Simulation(a_site(), scenario, rng=np.random.default_rng(1), start_us=START_US).emissions():
        if emission.due_us > end_us:
            break
        if isinstance(emission, Counted):
            yield 1, emission.measurement.values[0]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--restless", action="store_true")
    parser.add_argument("--stream", action="store_true")
    options = parser.parse_args()
    end_us = START_US + round(options.days * DAY_US)
    source = (one_by_one if options.stream else in_blocks)(a_scenario(restless=options.restless), end_us)
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    readings = particles = 0
    for more, counted in source:
        readings += more
        particles += counted
    wall_s, cpu_s = time.perf_counter() - wall_s, time.process_time() - cpu_s
    print(f"{readings} readings, {particles} particles in {wall_s:.1f} s ({cpu_s:.1f} s of CPU)")
    print(f"{readings / wall_s:,.0f} readings/s")


if __name__ == "__main__":
    main()
