"""How much air a single sample of a classification must hold, and for how long a counter has to draw it.

ISO 14644-1: enough air that 20 particles would be counted if it were exactly at the limit of the largest considered
size, at least 2 litres, and at least 1 minute. Formula and minute found in secondary pages, the 2 litres from memory.
A limit is particles per m3, from 1 (a whole number or not); a flow is litres per minute, above 0; else
`OutOfRangeError`. Must not know standards' tables.
"""

from __future__ import annotations

from fractions import Fraction

from motewatch.limits.errors import OutOfRangeError
from motewatch.measure.samples import UL_PER_L, UL_PER_M3
from motewatch.wire.records import MINUTE_US

COUNTS_AT_LIMIT = 20
LEAST_UL = 2 * UL_PER_L
LEAST_US = MINUTE_US


def formula_volume_l(limit_per_m3: float) -> float:
    """Vs = (20 / C) x 1 000 litres, without the floors."""
    return COUNTS_AT_LIMIT / _limit(limit_per_m3) * 1000


def least_volume_l(limit_per_m3: float) -> float:
    """The volume to use: the formula's, and at least 2 litres."""
    return max(2.0, formula_volume_l(limit_per_m3))


def least_minutes(limit_per_m3: float, flow_l_min: float) -> float:
    """How long a counter of this flow samples for that: at least 1 minute."""
    if not 0 < flow_l_min < float("inf"):
        raise OutOfRangeError("flow_l_min", flow_l_min, "a flow above 0 in litres per minute")
    return max(1.0, least_volume_l(limit_per_m3) / flow_l_min)


def is_enough(volume_ul: int, limit_per_m3: float) -> bool:
    """Does the volume (microlitres) reach the least one? Exact: no float decides."""
    exact = Fraction(_limit(limit_per_m3))
    return volume_ul >= LEAST_UL and volume_ul * exact >= COUNTS_AT_LIMIT * UL_PER_M3


def _limit(limit_per_m3: float) -> float:
    if not 0 < limit_per_m3 < float("inf"):
        raise OutOfRangeError("limit_per_m3", limit_per_m3, "a limit above 0, in particles per m3")
    return limit_per_m3
