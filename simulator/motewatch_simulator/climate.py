"""Temperature, humidity and pressure difference of one room.

Temperature and humidity come from one moisture balance: the state is temperature and vapour pressure, and relative
humidity follows from both (Magnus), so that a warmer room reads drier at the same moisture. First-order dynamics, a
slow loop ripple and filtered noise. The pressure difference falls within a second when a door opens and comes back
slowly. Every default here is (M) from memory or (own choice). Times are physical seconds. Knows nothing of sensors or
particles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

RIPPLE_C = 0.15
RIPPLE_PERIOD_S = 1_200.0
TEMPERATURE_NOISE_C = 0.05
TEMPERATURE_NOISE_TAU_S = 180.0
MOISTURE_NOISE = 0.004
MOISTURE_NOISE_TAU_S = 300.0
PRESSURE_NOISE_PA = 0.4
PRESSURE_NOISE_TAU_S = 5.0
WIND_TAU_S = 300.0
PRESSURE_FALL_TAU_S = 0.3

AIR_HEAT_J_M3_K = 1.20 * 1005.0
"""Heat capacity of air by volume (M)."""
VAPOUR_PA_M3_G = 135.4
"""Vapour pressure of one gram of water in one cubic metre of air at 20 C: R T / M."""
_LEAST_SUPPLY_M3_S = 0.02
_MOST_WARMER_C = 8.0
"""With hardly any supply walls and neighbours take up the heat (own choice)."""


def saturation_pa(temperature_c: float) -> float:
    """Saturation vapour pressure over water, Magnus form with the usual constants (M)."""
    return 611.2 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))


@dataclass(frozen=True, slots=True)
class ClimateSettings:
    """What the room's plant holds, and how fast the room follows."""

    temperature_c: float
    humidity_pct: float
    pressure_pa: float | None
    temperature_tau_s: float
    humidity_tau_s: float
    pressure_tau_s: float
    pressure_overshoot: float = 0.0
    pressure_noise_pa: float = PRESSURE_NOISE_PA
    wind_pa: float = 0.0


@dataclass(frozen=True, slots=True)
class Gains:
    """How far people and machines shift the balance of a room."""

    warmer_c: float
    moister_pa: float

    @classmethod
    def in_room(cls, heat_w: float, moisture_g_h: float, supply_m3_s: float) -> Gains:
        """What heat and moisture come to in so much supply air, beyond those that the set-points are held with."""
        supply = max(supply_m3_s, _LEAST_SUPPLY_M3_S)
        warmer = heat_w / (AIR_HEAT_J_M3_K * supply)
        moister = moisture_g_h / 3600.0 / supply * VAPOUR_PA_M3_G
        return cls(max(-_MOST_WARMER_C, min(_MOST_WARMER_C, warmer)), moister)


class RoomClimate:
    """The climate of one room; `advance` moves it on, the properties read it."""

    def __init__(self, settings: ClimateSettings, rng: np.random.Generator) -> None:
        self._settings = settings
        self._rng = rng
        self._temperature = settings.temperature_c
        self._vapour_pa = saturation_pa(settings.temperature_c) * settings.humidity_pct / 100.0
        self._pressure = settings.pressure_pa or 0.0
        self._pressure_rate = 0.0
        self._age_s = float(rng.uniform(0.0, RIPPLE_PERIOD_S))
        self._wander_c = TEMPERATURE_NOISE_C * float(rng.standard_normal())
        self._wander_moisture = MOISTURE_NOISE * float(rng.standard_normal())
        self._wander_pa = settings.pressure_noise_pa * float(rng.standard_normal())
        self._wind_pa = settings.wind_pa * float(rng.standard_normal())

    def advance(
        self, dt_s: float, *, warmer_c: float, wetter_pct: float, pressure_share: float, moister_pa: float = 0.0
    ) -> None:
        """Let `dt_s` physical seconds pass.

        `warmer_c` and `wetter_pct` shift what the plant holds, `moister_pa` is vapour that people add;
        `pressure_share` is the share of the pressure set-point that doors and fans leave.
        """
        s = self._settings
        self._age_s += dt_s
        self._temperature = _towards(self._temperature, s.temperature_c + warmer_c, dt_s, s.temperature_tau_s)
        # A shift of humidity is a shift of moisture at the set temperature, not of the reading.
        wanted_pa = saturation_pa(s.temperature_c) * min(100.0, max(1.0, s.humidity_pct + wetter_pct)) / 100.0
        wanted_pa = max(0.0, wanted_pa + moister_pa)
        self._vapour_pa = _towards(self._vapour_pa, wanted_pa, dt_s, s.humidity_tau_s)
        if s.pressure_pa is not None:
            self._move_pressure(s.pressure_pa * pressure_share, dt_s, closed=pressure_share >= 1.0)
        self._wander_c = self._noise(self._wander_c, dt_s, TEMPERATURE_NOISE_C, TEMPERATURE_NOISE_TAU_S)
        self._wander_moisture = self._noise(self._wander_moisture, dt_s, MOISTURE_NOISE, MOISTURE_NOISE_TAU_S)
        self._wander_pa = self._noise(self._wander_pa, dt_s, s.pressure_noise_pa, PRESSURE_NOISE_TAU_S)
        self._wind_pa = self._noise(self._wind_pa, dt_s, s.wind_pa, WIND_TAU_S)

    @property
    def temperature_c(self) -> float:
        """Air temperature now."""
        ripple = RIPPLE_C * math.sin(2.0 * math.pi * self._age_s / RIPPLE_PERIOD_S)
        return self._temperature + ripple + self._wander_c

    @property
    def humidity_pct(self) -> float:
        """Relative humidity now, from the moisture and the temperature of the same moment."""
        vapour = self._vapour_pa * (1.0 + self._wander_moisture)
        return min(100.0, max(0.0, 100.0 * vapour / saturation_pa(self.temperature_c)))

    @property
    def pressure_pa(self) -> float | None:
        """Pressure difference to the neighbour now; None where the room holds none."""
        return None if self._settings.pressure_pa is None else self._pressure + self._wander_pa + self._wind_pa

    def _move_pressure(self, goal: float, dt_s: float, *, closed: bool) -> None:
        """Down at once when something opens; back by first order, or swinging over where a controller does it."""
        s = self._settings
        if not closed or s.pressure_overshoot <= 0:
            tau = PRESSURE_FALL_TAU_S if abs(goal) < abs(self._pressure) else s.pressure_tau_s
            self._pressure = _towards(self._pressure, goal, dt_s, tau)
            self._pressure_rate = 0.0
            return
        # Second order, exactly: x'' = -2 d w x' - w^2 x about the goal, with the damping that overshoots so far.
        log = math.log(s.pressure_overshoot)
        damping = -log / math.hypot(math.pi, log)
        decay = 1.0 / s.pressure_tau_s
        swing = decay / damping * math.sqrt(1.0 - damping**2)
        x, rate = self._pressure - goal, self._pressure_rate
        kept, c, b = math.exp(-decay * dt_s), math.cos(swing * dt_s), math.sin(swing * dt_s)
        slope = (rate + decay * x) / swing
        self._pressure = goal + kept * (x * c + slope * b)
        self._pressure_rate = kept * ((slope * swing - decay * x) * c - (x * swing + decay * slope) * b)

    def _noise(self, value: float, dt_s: float, sd: float, tau_s: float) -> float:
        kept = math.exp(-dt_s / tau_s)
        return value * kept + sd * math.sqrt(1.0 - kept * kept) * float(self._rng.standard_normal())


def _towards(value: float, goal: float, dt_s: float, tau_s: float) -> float:
    return goal + (value - goal) * math.exp(-dt_s / tau_s)
