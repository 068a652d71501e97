"""What a sampling tube lets through, by particle size: settling, turbulent deposition, diffusion, bends, multiplied.

Forms as in two open codes of aerosol transport (found there, recomputed here; their two misprints mended, as the
dimensions and a check against Gormley and Kennedy showed). Between laminar and turbulent flow (Re 2100 to 4000) the
lower of the two counts. An estimate: a short tube with a wide bend does better, a dirty one worse. Knows no counter:
sizes in micrometres, lengths in metres, flow in litres per minute.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from motewatch_simulator.deposition import (
    AIR_KINEMATIC_M2_S,
    GRAVITY_M_S2,
    diffusivity_m2_s,
    settling_velocity_m_s,
)

LAMINAR_BELOW = 2100.0
TURBULENT_FROM = 4000.0


@dataclass(frozen=True, slots=True)
class Tube:
    """A tube between the probe and the counter. `incline_deg` is measured from the horizontal."""

    length_m: float
    diameter_m: float
    bends: int = 0
    """Of 90 degrees, tight."""
    incline_deg: float = 0.0

    @property
    def volume_m3(self) -> float:
        """The air inside."""
        return math.pi / 4 * self.diameter_m**2 * self.length_m

    def velocity_m_s(self, flow_l_min: float) -> float:
        """Mean velocity of the air."""
        return flow_l_min / 60_000.0 / (math.pi / 4 * self.diameter_m**2)

    def reynolds(self, flow_l_min: float) -> float:
        """Reynolds number of the flow."""
        return self.velocity_m_s(flow_l_min) * self.diameter_m / AIR_KINEMATIC_M2_S


def penetration(size_um: float, tube: Tube, flow_l_min: float) -> float:
    """The share of particles of one size that arrives, 0 to 1."""
    reynolds = tube.reynolds(flow_l_min)
    if reynolds < LAMINAR_BELOW:
        return _laminar(size_um, tube, flow_l_min)
    if reynolds >= TURBULENT_FROM:
        return _turbulent(size_um, tube, flow_l_min)
    return min(_laminar(size_um, tube, flow_l_min), _turbulent(size_um, tube, flow_l_min))


def _laminar(size_um: float, tube: Tube, flow_l_min: float) -> float:
    stokes = _stokes(size_um, tube, flow_l_min)
    xi = _xi(size_um, tube, flow_l_min)
    sherwood = 3.66 + 0.2672 / (xi + 0.10079 * xi ** (1 / 3)) if xi > 0 else 0.0
    bend = max(0.0, 1.0 - stokes * math.pi / 2)
    settling = laminar_settling(_fall(size_um, tube, flow_l_min))
    return settling * math.exp(-xi * sherwood) * bend**tube.bends


def _turbulent(size_um: float, tube: Tube, flow_l_min: float) -> float:
    stokes = _stokes(size_um, tube, flow_l_min)
    xi = _xi(size_um, tube, flow_l_min)
    reynolds = tube.reynolds(flow_l_min)
    flow_m3_s = flow_l_min / 60_000.0
    relaxation = 0.0395 * stokes * reynolds**0.75
    deposition = min(0.1, 6e-4 * relaxation**2 + 2e-8 * reynolds)
    to_wall_m_s = deposition * tube.velocity_m_s(flow_l_min) * reynolds ** (-1 / 8) / 5.03
    inertial = math.exp(-math.pi * tube.diameter_m * tube.length_m * to_wall_m_s / flow_m3_s)
    schmidt = AIR_KINEMATIC_M2_S / diffusivity_m2_s(size_um)
    sherwood = 0.0118 * reynolds ** (7 / 8) * schmidt ** (1 / 3)
    settling = math.exp(-4.0 * _fall(size_um, tube, flow_l_min) / math.pi)
    bends = math.exp(-2.823 * stokes * math.pi / 2 * tube.bends)
    return settling * inertial * math.exp(-xi * sherwood) * bends


def laminar_settling(fall: float) -> float:
    """Settling in laminar flow, from how far a particle falls in the tube as a share of its diameter."""
    k = 0.75 * fall
    if k >= 1.0:
        return 0.0
    third = math.pow(k, 1 / 3)
    rest = math.sqrt(1.0 - third * third)
    return 1.0 - 2.0 / math.pi * (2.0 * k * rest - third * rest + math.asin(third))


def _fall(size_um: float, tube: Tube, flow_l_min: float) -> float:
    """How far a particle falls across the tube on its way, as a share of the diameter."""
    across_m_s = settling_velocity_m_s(size_um) * math.cos(math.radians(tube.incline_deg))
    return tube.length_m * across_m_s / (tube.diameter_m * tube.velocity_m_s(flow_l_min))


def _stokes(size_um: float, tube: Tube, flow_l_min: float) -> float:
    relaxation_s = settling_velocity_m_s(size_um) / GRAVITY_M_S2
    return relaxation_s * tube.velocity_m_s(flow_l_min) / tube.diameter_m


def _xi(size_um: float, tube: Tube, flow_l_min: float) -> float:
    return math.pi * diffusivity_m2_s(size_um) * tube.length_m / (flow_l_min / 60_000.0)
