"""The climates of all rooms, moved on only when what acts on them changes or somebody looks.

The steps of a room's climate are exact over any time in which nothing acts anew, so they need not be gone through one
by one. Times are physical seconds since the start of the stream. Knows nothing of particles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from motewatch_simulator import scenario as s
from motewatch_simulator.climate import ClimateSettings, RoomClimate


@dataclass(frozen=True, slots=True)
class Acting:
    """What acts on a room: shifts of what its plant holds, vapour that people add, the share of its pressure left."""

    warmer_c: float
    wetter_pct: float
    moister_pa: float
    pressure_share: float


AT_REST = Acting(0.0, 0.0, 0.0, 1.0)


class Climates:
    """The climate of each room of a scenario, by number."""

    def __init__(self, plants: Sequence[s.Plant], rng: np.random.Generator) -> None:
        self._rooms = [
            RoomClimate(_settings(plant), one) for plant, one in zip(plants, rng.spawn(len(plants)), strict=True)
        ]
        self._acting = [AT_REST] * len(plants)
        self._since_s = [0.0] * len(plants)

    def act(self, room: int, acting: Acting, now_s: float) -> None:
        """From now on this acts on a room."""
        if acting != self._acting[room]:
            self.at(room, now_s)
            self._acting[room] = acting

    def at(self, room: int, now_s: float) -> RoomClimate:
        """A room's climate now."""
        climate, acting = self._rooms[room], self._acting[room]
        passed_s = now_s - self._since_s[room]
        if passed_s > 0:
            self._since_s[room] = now_s
            climate.advance(
                passed_s,
                warmer_c=acting.warmer_c,
                wetter_pct=acting.wetter_pct,
                moister_pa=acting.moister_pa,
                pressure_share=acting.pressure_share,
            )
        return climate


def _settings(plant: s.Plant) -> ClimateSettings:
    return ClimateSettings(
        plant.temperature_c,
        plant.humidity_pct,
        plant.pressure_pa,
        plant.temperature_tau_min * 60.0,
        plant.humidity_tau_min * 60.0,
        plant.pressure_tau_s,
        plant.pressure_overshoot,
        plant.pressure_noise_pa,
        plant.wind_pa,
    )
