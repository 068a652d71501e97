"""A concentration held against one cell: within, exceeds, or not applicable.

Rules: a value equal to the limit passes. A blank cell is neither passed nor failed, whatever was measured. More
particles never make the answer better. Exact: integers and fractions are compared as such. Must not know samples,
quality of air or judging rules (`limits.judging` has those).
"""

from __future__ import annotations

from enum import StrEnum
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from motewatch.limits.errors import OutOfRangeError
from motewatch.limits.standards.model import Blank, Cell


class CellVerdict(StrEnum):
    """What a concentration says of one cell. Three answers: a blank cell is no limit that could be met."""

    WITHIN = "within"
    EXCEEDS = "exceeds"
    NOT_APPLICABLE = "not-applicable"


def verdict(cell: Cell, concentration: float | Fraction) -> CellVerdict:
    """Is the concentration within the cell's limit? Both in one unit, particles per m3 or per ft3, from 0.

    Raises `OutOfRangeError` for a concentration that is negative, infinite or no number, for blank cells too. Source:
    ISO 14644-1:2015 ("maximum allowed", so equal passes; blank cells by the notes of Table 1).
    """
    if not 0 <= concentration < float("inf"):
        raise OutOfRangeError("concentration", concentration, "a finite number from 0")
    if isinstance(cell, Blank):
        return CellVerdict.NOT_APPLICABLE
    return CellVerdict.EXCEEDS if concentration > cell else CellVerdict.WITHIN


def verdict_of_counts(cell: Cell, count: int, volume_ul: int) -> CellVerdict:
    """The same for a count in a volume of air (microlitres) and a cell per m3, without any rounding.

    Raises `OutOfRangeError` for negative counts and for a volume of 0 or less.
    """
    if count < 0:
        raise OutOfRangeError("count", count, "a whole number from 0")
    if volume_ul <= 0:
        raise OutOfRangeError("volume_ul", volume_ul, "a volume above 0")
    return verdict(cell, Fraction(count * 10**9, volume_ul))


def exceeding(cell: Cell, concentrations: NDArray[Any]) -> NDArray[np.bool_] | None:
    """For each concentration whether it exceeds; None for a blank cell, which gives no verdicts.

    Range and errors as `verdict`, whose answers these are.
    """
    wrong = concentrations[~(np.isfinite(concentrations) & (concentrations >= 0))]
    if wrong.size:
        raise OutOfRangeError("concentration", wrong.flat[0], "finite numbers from 0")
    if isinstance(cell, Blank):
        return None
    return np.asarray(concentrations > cell)
