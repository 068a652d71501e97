"""Plants of one or several rooms for tests of the simulator's physics, as clean and as bare as a worked example."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from motewatch.site.models import Site
from motewatch_simulator.plant import Plant
from support.simulated import a_scenario, a_site

BARE: dict[str, Any] = {
    "fresh_air": 1.0,
    "fine_filter_efficiency": 1.0,
    "penetration_floor": 0.0,
    "floor_m2": 0.0,
}
"""Clean supply, nothing recirculated, nothing deposited."""


def site_of(*volumes_m3: float) -> Site:
    """Rooms `room-0`, `room-1`, ... with a location `bench-0`, `bench-1`, ... and a counter each."""
    site = a_site().model_dump(mode="json", exclude_defaults=True)
    numbers = range(len(volumes_m3))
    site["rooms"] = [
        {"id": f"room-{i}", "name": f"Room {i}", "area": "all", "volume_m3": volume}
        for i, volume in enumerate(volumes_m3)
    ]
    site["locations"] = [
        {"id": f"bench-{i}", "name": f"Bench {i}", "room": f"room-{i}", "programme": "minute"} for i in numbers
    ]
    site["sensors"] = [
        {**site["sensors"][0], "id": f"pc-{i}", "serial": str(i), "location": f"bench-{i}"} for i in numbers
    ]
    return Site.model_validate(site)


def plant_of(
    rooms: Sequence[tuple[float, dict[str, Any]]], sizes_um: Sequence[float] = (0.5, 5.0), **changes: Any
) -> Plant:
    """The plant of rooms given as volume in m3 and keys; `changes` are tables of the scenario."""
    scenario = a_scenario(
        rooms=[{"id": f"room-{i}", **keys} for i, (_, keys) in enumerate(rooms)],
        **{"connections": [], "people": [], **changes},
    )
    return Plant(site_of(*(volume for volume, _ in rooms)), scenario, sizes_um)


def bare_room(volume_m3: float, air_changes_per_h: float, sizes_um: Sequence[float] = (0.5, 5.0), **keys: Any) -> Plant:
    """One room with clean supply in which nothing is deposited."""
    return plant_of([(volume_m3, {**BARE, "air_changes_per_h": air_changes_per_h, **keys})], sizes_um)
