"""Sites and scenarios for tests of the simulator: two rooms with a counter each, changed where a test needs it."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from itertools import takewhile
from typing import Any

import numpy as np

from motewatch.site.models import Site
from motewatch_simulator.air import Air
from motewatch_simulator.scenario import Scenario
from motewatch_simulator.simulation import Counted, Emission, Measurement, Simulation
from motewatch_simulator.spectra import Array
from motewatch_simulator.timeline import Timeline

START_US = 1_780_300_800_000_000
"""A whole minute in June 2026."""


def a_site(**sensor: Any) -> Site:
    """Rooms `clean` (67.5 m3) and `next` (100 m3), a counter of 28.3 L/min in each; changes go to the first one."""
    first = {
        "id": "pc-1",
        "serial": "1",
        "location": "bench",
        "sizes_um": [0.5, 5.0],
        "flow_l_min": 28.3,
        "interval_s": 1,
        **sensor,
    }
    return Site.model_validate(
        {
            "format": 1,
            "site": {"id": "testing", "name": "Testing", "time_zone": "UTC"},
            "areas": [{"id": "all", "name": "All"}],
            "rooms": [
                {"id": "clean", "name": "Clean room", "area": "all", "volume_m3": 67.5},
                {"id": "next", "name": "Next room", "area": "all", "volume_m3": 100},
            ],
            "programmes": [{"id": "minute"}],
            "locations": [
                {"id": "bench", "name": "Bench", "room": "clean", "programme": "minute"},
                {"id": "zone", "name": "Zone", "room": "clean", "programme": "minute"},
                {"id": "table", "name": "Table", "room": "next", "programme": "minute"},
            ],
            "sensors": [
                first,
                {
                    "id": "pc-2",
                    "serial": "2",
                    "location": "table",
                    "sizes_um": [0.3, 0.5, 5.0],
                    "flow_l_min": 28.3,
                    "interval_s": 1,
                },
            ],
        }
    )


def scenario_dict(**changes: Any) -> dict[str, Any]:
    """60 and 30 air changes, two gowned people in `clean`, one in `next`, a door between; nothing happens."""
    scenario: dict[str, Any] = {
        "format": 1,
        "scenario": {"name": "Test", "person_spread": 0.0},
        "rooms": [
            {"id": "clean", "air_changes_per_h": 60.0, "pressure_pa": 15.0},
            {"id": "next", "air_changes_per_h": 30.0},
        ],
        "connections": [{"higher": "clean", "lower": "next", "leak_m3_h": 100.0, "door": {}}],
        "people": [
            {"room": "clean", "count": 2, "activity": 0.3},
            {"room": "next", "count": 1, "activity": 0.3},
        ],
    }
    return copy.deepcopy({**scenario, **changes})


def a_scenario(**changes: Any) -> Scenario:
    """The same as a model."""
    return Scenario.model_validate(scenario_dict(**changes))


def a_simulation(
    scenario: Scenario | None = None, site: Site | None = None, *, seed: int = 1, speed: float | None = None
) -> Simulation:
    """A simulation that starts at `START_US`."""
    return Simulation(
        site or a_site(),
        scenario or a_scenario(),
        rng=np.random.default_rng(seed),
        start_us=START_US,
        physics_speed=speed,
    )


def until(simulation: Simulation, seconds: float) -> Iterator[Emission]:
    """The emissions of the first so many seconds."""
    end_us = START_US + round(seconds * 1_000_000)
    return takewhile(lambda emission: emission.due_us <= end_us, simulation.emissions())


def measured(simulation: Simulation, seconds: float, sensor: str = "pc-1") -> list[Measurement]:
    """The measurements of one sensor in the first so many seconds, in the order sent."""
    return [e.measurement for e in until(simulation, seconds) if isinstance(e, Counted) and e.sensor == sensor]


def second_of(measurement: Measurement) -> float:
    """When the measurement ended, in seconds since the start."""
    return (measurement.start_us + measurement.duration_us - START_US) / 1_000_000


def an_air(
    scenario: Scenario | None = None,
    site: Site | None = None,
    *,
    sizes_um: tuple[float, ...] = (0.5, 5.0),
    seed: int = 1,
    speed: float = 1.0,
    start_us: int = START_US,
) -> Air:
    """The rooms alone, on a grid of a second."""
    scenario = scenario or a_scenario()
    timeline = Timeline(scenario.incidents, start_us, scenario.scenario.repeat_s)
    return Air(
        site or a_site(),
        scenario,
        sizes_um,
        timeline,
        rng=np.random.default_rng(seed),
        start_us=start_us,
        physics_speed=speed,
        grid_us=1_000_000,
    )


def watch(air: Air, seconds: float) -> dict[str, Array]:
    """Let the rooms live for so many seconds; returns the mean concentration that each location saw, by bin."""
    begin_us = air.now_us
    end_us = begin_us + round(seconds * 1_000_000)
    seen = np.zeros((len(air.sizes_um), len(air.locations)))
    while air.now_us < end_us:
        edge_us = air.next_edge_us()
        seen += air.advance(end_us if edge_us is None else min(edge_us, end_us))
    return {location: seen[:, i] / seconds for i, location in enumerate(air.locations)}
