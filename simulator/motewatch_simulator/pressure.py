"""Pressure between rooms: what a leak passes, and what an open door leaves.

Volume flow in m3/s, areas in m2, pressure differences in Pa. The form `Q = Cd A sqrt(2 dP / rho)` was found in public,
the discharge coefficient is (M). With a fixed surplus of supply the pressure falls with the square of the opening
(recomputed). Knows nothing of rooms or time.
"""

from __future__ import annotations

import math

from motewatch_simulator.deposition import AIR_DENSITY_KG_M3

DISCHARGE = 0.65
"""Of a sharp-edged opening (M)."""


def leak_m3_s(area_m2: float, pressure_pa: float) -> float:
    """Flow through a leak: 0.02 m2 at 15 Pa passes 234 m3/h."""
    return DISCHARGE * area_m2 * math.sqrt(2.0 * pressure_pa / AIR_DENSITY_KG_M3)


def leak_area_m2(flow_m3_s: float, pressure_pa: float) -> float:
    """The opening that passes this flow at this (positive) pressure difference."""
    return flow_m3_s / (DISCHARGE * math.sqrt(2.0 * pressure_pa / AIR_DENSITY_KG_M3))


def share_left(leak_m2: float, opened_m2: float) -> float:
    """Share of the pressure that is left when so much more stands open and the surplus flow is the same."""
    whole = leak_m2 + opened_m2
    return 1.0 if whole <= 0 else (leak_m2 / whole) ** 2
