"""Unidirectional zones: what a probe sees of a source upstream. Not a well-mixed volume, so not the balance.

A point source in uniform flow with eddy diffusion, the standard solution of advection and diffusion (M, values
recomputed): `chi = exp(-U r^2 / (4 D x)) / (4 pi D x)`, concentration at the probe per source strength. Upstream of the
source there is nothing. Knows nothing of rooms.
"""

from __future__ import annotations

import math

VELOCITY_M_S = 0.45
"""Of the air in a unidirectional zone (M: EU GMP Annex 1 gives 0.36 to 0.54)."""

DIFFUSIVITY_M2_S = 1e-3
"""Eddy diffusivity; 1e-4 calm to 3e-3 disturbed (M)."""


def chi_s_m3(
    downstream_m: float,
    off_axis_m: float,
    velocity_m_s: float = VELOCITY_M_S,
    diffusivity_m2_s: float = DIFFUSIVITY_M2_S,
) -> float:
    """Transfer from a source to a probe, s/m3: 159 at 0.5 m downstream on the axis, nothing upstream."""
    if downstream_m <= 0:
        return 0.0
    spread = 4.0 * diffusivity_m2_s * downstream_m
    return math.exp(-velocity_m_s * off_axis_m**2 / spread) / (math.pi * spread)


def transit_s(height_m: float, velocity_m_s: float = VELOCITY_M_S) -> float:
    """How long the air takes from the filter down: 5.3 s for 2.4 m. Recovery takes one to three of these."""
    return height_m / velocity_m_s
