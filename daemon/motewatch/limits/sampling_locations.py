"""How many sampling locations a clean zone of a given area needs.

ISO 14644-1:2015 has a table of areas and numbers (Table A.1); above its last row the number grows with the area. The
table rests on a sampling plan: with so many of the 4 m2 squares of the floor sampled and none found bad, one is 95 %
confident that at least 90 % of the area complies. The same plan is offered for other confidences and shares. The
1999 edition's square root rule is kept under its own name, for reading old reports: it is widely and wrongly quoted
for the 2015 edition.

Areas are square metres, above 0 and finite; else `OutOfRangeError`. Exact arithmetic throughout. Must not know rooms
or samples.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from math import ceil, comb, sqrt

from motewatch.limits.errors import OutOfRangeError

TABLE_A1 = (
    (2, 1), (4, 2), (6, 3), (8, 4), (10, 5), (24, 6), (28, 7), (32, 8), (36, 9), (52, 10), (56, 11), (64, 12),
    (68, 13), (72, 14), (76, 15), (104, 16), (108, 17), (116, 18), (148, 19), (156, 20), (192, 21), (232, 22),
    (276, 23), (352, 24), (436, 25), (636, 26), (1000, 27),
)  # fmt: skip
"""Area in m2 up to which so many locations do. ISO 14644-1:2015, Table A.1: rows from memory; one row found in a forum
thread; every row is reproduced by `locations_by_plan`."""

CONFIDENCE, SHARE = 0.95, 0.90
"""What Table A.1 rests on (found: papers and slides on the hypergeometric sampling plan of the 2015 edition)."""

SQUARE_M2 = 4
_SMALL_M2 = 10
"""Up to here the table has one location for every 2 m2."""
_FIRST_BY_PLAN_M2 = 24
_TABLE_ENDS_M2 = 1000


def locations_2015(area_m2: float) -> int:
    """The least number of locations by ISO 14644-1:2015, Table A.1 and, above 1 000 m2, 27 x area / 1 000 rounded up.

    An area between two rows takes the greater number. Source: rows from memory, formula found in secondary pages.
    """
    area = _area(area_m2)
    if area > _TABLE_ENDS_M2:
        return ceil(TABLE_A1[-1][1] * area / _TABLE_ENDS_M2)
    return next(locations for up_to, locations in TABLE_A1 if area <= up_to)


def locations_1999(area_m2: float) -> int:
    """Legacy: the square root of the area, rounded up. ISO 14644-1:1999 only (found in secondary pages)."""
    return ceil(sqrt(_area(area_m2)))


def locations_by_plan(area_m2: float, confidence: float = CONFIDENCE, share: float = SHARE) -> int:
    """The least number of locations for another confidence that another share of the area complies; each in (0, 1).

    With the standard's own values this is Table A.1, exactly (recomputed). Where the table departs from the plan, so
    does this: rooms up to 10 m2 have one location for every 2 m2 (never more than a room of 24 m2 needs), rooms
    between 10 and 24 m2 count as 24 m2, and above 1 000 m2 the number grows with the area. Not a rule of the standard
    for any other confidence or share: our own use of its plan. Raises `OutOfRangeError`.
    """
    area = _area(area_m2)
    for name, value in (("confidence", confidence), ("share", share)):
        if not 0 < value < 1:
            raise OutOfRangeError(name, value, "a share between 0 and 1, such as 0.95")
    if area > _TABLE_ENDS_M2:
        return ceil(locations_by_plan(_TABLE_ENDS_M2, confidence, share) * area / _TABLE_ENDS_M2)
    by_plan = _greatest(ceil(max(area, Fraction(_FIRST_BY_PLAN_M2)) / SQUARE_M2), confidence, share)
    return min(ceil(area / 2), by_plan) if area <= _SMALL_M2 else by_plan


@lru_cache(maxsize=4096)
def squares_to_sample(squares: int, confidence: float = CONFIDENCE, share: float = SHARE) -> int:
    """The least number of `squares` to sample so that, were `1 - share` of them bad (rounded up), all the sampled ones
    would be good with a probability of `1 - confidence` at most (hypergeometric)."""
    if squares < 1:
        raise OutOfRangeError("squares", squares, "a whole number from 1")
    bad = ceil((1 - _exact(share)) * squares)
    allowed = 1 - _exact(confidence)
    for sampled in range(1, squares + 1):
        if comb(squares - bad, sampled) <= allowed * comb(squares, sampled):
            return sampled
    raise AssertionError("sampling every square finds the bad one")


@lru_cache(maxsize=256)
def _greatest(squares: int, confidence: float, share: float) -> int:
    """The plan's number falls back where the bad squares' number steps up; a larger room never needs fewer."""
    first = _FIRST_BY_PLAN_M2 // SQUARE_M2
    return max(squares_to_sample(number, confidence, share) for number in range(first, squares + 1))


def _area(area_m2: float) -> Fraction:
    if not 0 < area_m2 < float("inf"):
        raise OutOfRangeError("area_m2", area_m2, "an area above 0 in square metres")
    return _exact(area_m2)


def _exact(value: float) -> Fraction:
    """As written: 0.9 is nine tenths, not the float beside it."""
    return Fraction(Decimal(str(value)))
