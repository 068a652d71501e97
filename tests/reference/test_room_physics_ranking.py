"""Which inputs of a room matter: supply and dispersion first, deposition less, filters hardly once they are fitted.

So Whyte, Lenegan and Eaton, EJPPS 21(3), 2016 (abstract) rank them. The response is the change of the settled
concentration for one per cent more of an input, by central differences through the whole plant.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from motewatch_simulator.balance import steady
from motewatch_simulator.spectra import GARMENTS
from support.rooms import plant_of

ROOM = {
    "air_changes_per_h": 25.0,
    "fresh_air": 0.2,
    "pre_filter_efficiency": 0.35,
    "fine_filter_efficiency": 0.8,
    "terminal_class": "H14",
    "floor_m2": 37.0,
}
PEOPLE = 3.0
WORSE_FILTERS: dict[str, dict[str, Any]] = {
    "pre-filter taken out": {"pre_filter_efficiency": 0.0},
    "fine filter at 60 %": {"fine_filter_efficiency": 0.6},
    "terminal filter H13": {"terminal_class": "H13"},
}


def settled(people: float = PEOPLE, outdoors: float = 3.5e7, **keys: Any) -> Any:
    """Concentration at or above 0.5 um and at or above 5 um."""
    plant = plant_of([(100.0, {**ROOM, **keys})], (0.5, 1.0, 5.0, 10.0), outdoors={"per_m3_at_0_5_um": outdoors})
    sources = people * GARMENTS["cleanroom"].bins((0.5, 1.0, 5.0, 10.0))[:, None]
    bins = steady(plant.matrix(plant.normal), plant.inputs(plant.normal, sources))[:, 0]
    return np.array([bins.sum(), bins[2:].sum()])


def response(**inputs: tuple[float, float]) -> Any:
    """Relative change for a relative change of one input, given as (low, high)."""
    ((name, (low, high)),) = inputs.items()
    change = np.log(settled(**{name: high}) / settled(**{name: low}))
    return np.abs(change / np.log(high / low))


def test_supply_and_dispersion_lead_and_filters_hardly_matter() -> None:
    supply = response(air_changes_per_h=(24.75, 25.25))
    dispersion = response(people=(2.97, 3.03))
    deposition = response(floor_m2=(36.6, 37.4))
    outdoors = response(outdoors=(3.45e7, 3.55e7))
    filters = {name: np.abs(np.log(settled(**worse) / settled())) for name, worse in WORSE_FILTERS.items()}
    assert supply[0] > 0.98
    assert supply[1] > 0.9
    assert dispersion[0] > 0.98
    assert dispersion[1] > 0.98
    # Deposition counts for large particles, and little even there.
    assert deposition[0] < 0.02
    assert 0.01 < deposition[1] < 0.1
    assert outdoors.max() < 0.01
    for name, change in filters.items():
        assert change.max() < 0.01, name


def test_without_its_terminal_filter_the_room_is_another() -> None:
    bare = settled(terminal_class=None, terminal_penetration=1.0)
    assert bare[0] > 5 * settled()[0], "so the small responses above are not for want of outdoor particles"
