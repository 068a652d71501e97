"""How fast particles settle and stick: settling with slip and drag, diffusion, and the walls of a well-mixed room.

Sizes in micrometres, everything else in SI. Settling is Stokes' law with the slip of Allen and Raabe (found in a public
excerpt) and the drag of Schiller and Naumann (M), which matters above 10 um. What sticks to floor, ceiling and walls
follows Lai and Nazaroff, 2000 (M; their closed form was recomputed and agrees with quadrature to 0.1 %). Measured
losses of submicron particles in furnished rooms are 20 to 50 times this theory (found, abstracts), still little beside
20 air changes an hour: the model is the lower bound. Knows nothing of air flows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

AIR_DENSITY_KG_M3 = 1.20
AIR_VISCOSITY_PA_S = 1.81e-5
AIR_KINEMATIC_M2_S = 1.5e-5
MEAN_FREE_PATH_UM = 0.066
PARTICLE_DENSITY_KG_M3 = 1000.0
GRAVITY_M_S2 = 9.807
THERMAL_J = 1.381e-23 * 293.15
"""Air at 20 C and 101.3 kPa, spheres of unit density."""

FRICTION_VELOCITY_M_S = 0.01
"""Of the air along the surfaces of a room (M)."""

_DRAG_ROUNDS = 30
_FLAT = 1e-9
_STEEP = 500.0


def slip(size_um: float) -> float:
    """Correction for the gap between air molecules, Allen and Raabe: 1.155 at 1 um."""
    ratio = MEAN_FREE_PATH_UM / size_um
    return 1.0 + ratio * (2.34 + 1.05 * math.exp(-0.39 / ratio))


def settling_velocity_m_s(size_um: float) -> float:
    """Settling velocity in still air: 3.48e-5 at 1 um, 7.76e-4 at 5 um, 1.87e-2 at 25 um."""
    metres = size_um * 1e-6
    stokes = PARTICLE_DENSITY_KG_M3 * metres**2 * GRAVITY_M_S2 * slip(size_um) / (18.0 * AIR_VISCOSITY_PA_S)
    velocity = stokes
    # The drag depends on the velocity it slows; below 100 um this converges in a few rounds.
    for _ in range(_DRAG_ROUNDS):
        reynolds = AIR_DENSITY_KG_M3 * velocity * metres / AIR_VISCOSITY_PA_S
        velocity = stokes / (1.0 + 0.15 * math.pow(reynolds, 0.687))
    return velocity


def diffusivity_m2_s(size_um: float) -> float:
    """Brownian diffusion coefficient, Stokes and Einstein with slip (M): 2.7e-11 at 1 um."""
    return THERMAL_J * slip(size_um) / (3.0 * math.pi * AIR_VISCOSITY_PA_S * size_um * 1e-6)


@dataclass(frozen=True, slots=True)
class Surfaces:
    """What a room offers to stick to, in m2. A ceiling as large as the floor."""

    floor_m2: float
    walls_m2: float

    @classmethod
    def of_room(cls, volume_m3: float, floor_m2: float) -> Surfaces:
        """A square room of this volume and floor; no floor, no surfaces."""
        if floor_m2 <= 0:
            return cls(0.0, 0.0)
        return cls(floor_m2, 4.0 * math.sqrt(floor_m2) * volume_m3 / floor_m2)


def loss_m3_s(size_um: float, surfaces: Surfaces, friction_m_s: float = FRICTION_VELOCITY_M_S) -> float:
    """Air cleaned of this size per second by its surfaces, Lai and Nazaroff; without friction the floor term alone."""
    settling = settling_velocity_m_s(size_um)
    if friction_m_s <= 0:
        return settling * surfaces.floor_m2
    integral = _boundary_integral(size_um, friction_m_s)
    x = settling * integral / friction_m_s
    if x < _FLAT:
        up = down = friction_m_s / integral
    else:
        up = settling / -math.expm1(-x)
        down = settling / math.expm1(x) if x < _STEEP else 0.0
    return up * surfaces.floor_m2 + down * surfaces.floor_m2 + friction_m_s / integral * surfaces.walls_m2


def _boundary_integral(size_um: float, friction_m_s: float) -> float:
    """Resistance of the boundary layer, without unit; closed form of Lai and Nazaroff's integral."""
    schmidt = AIR_KINEMATIC_M2_S / diffusivity_m2_s(size_um)
    radius = size_um * 1e-6 * friction_m_s / (2.0 * AIR_KINEMATIC_M2_S)
    c = 10.92 * math.pow(schmidt, -1.0 / 3.0)
    root = math.sqrt(3.0)
    outer = 0.5 * math.log((c + 4.3) ** 3 / (1.0 / schmidt + 0.0609)) + root * math.atan((8.6 - c) / (root * c))
    inner = 0.5 * math.log((c + radius) ** 3 / (1.0 / schmidt + 7.669e-4 * radius**3))
    inner += root * math.atan((2.0 * radius - c) / (root * c))
    return 3.64 * math.pow(schmidt, 2.0 / 3.0) * (outer - inner) + 39.0
