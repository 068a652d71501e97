"""The channels of one counter held against each other: order, slope, and what the sizes hint at.

Counts are cumulative (at or above a size), so they never rise with size: a message where they do is wrong. Between two
channels concentrations follow a power law C(>=d) ~ d^-n roughly; n is 2.08 for the reference curve of ISO 14644-1.
The ratio of >= 5 um to >= 0.5 um hints at the source:

| source | ratio | known from |
| --- | --- | --- |
| outdoor air, filter leak | below 0.001 | estimate from slopes 3.2 to 4.0 measured in open outdoor data |
| reference curve of ISO 14644-1 | 0.0083 | found, recomputed |
| person in cleanroom garments | 0.037 | recomputed from a paper of 2007 on dispersion from people (abstract seen) |
| person in indoor clothing | 0.156 | the same |

Bands end at the geometric means between neighbours (our choice). A hint is given only when the ratio's 95 % interval
lies in one band; it is a hint for a person who looks for a cause, never a verdict. Sizes in nanometres. One sample or,
in the `_array` functions, many; tested equal. Must not know limits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import Enum
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from motewatch.measure.errors import BadInputError
from motewatch.measure.statistics import Interval, poisson_interval
from motewatch.site.basics import size_text

ISO_SLOPE: Final = 2.08
PLAUSIBLE_SLOPES: Final = (0.3, 6.0)
"""Slopes outside this band fit no known aerosol: people's 0.81 and outdoor air's 4.0 with a margin (our choice)."""

ENOUGH_COUNTS: Final = 20
"""Counts that a channel needs before its slope is judged: the 20 of ISO 14644-1, a spread of 22 %."""

RATIO_SIZES_NM: Final = (500, 5000)


def checked_counts(sizes_nm: Sequence[int], counts: Sequence[int]) -> tuple[int, ...]:
    """Cumulative counts by size, when they can be. Raises `BadInputError` naming what is wrong.

    Sizes rise and are above 0, counts are whole numbers from 0, one for each size, and never rise with size.
    """
    if len(sizes_nm) != len(counts):
        raise BadInputError("counts", list(counts), f"one count for each of the {len(sizes_nm)} sizes")
    for size, count in zip(sizes_nm, counts, strict=True):
        if size <= 0:
            raise BadInputError("size_nm", size, "a size above 0")
        if isinstance(count, float) or count < 0:
            raise BadInputError(f"count at {size_text(size)}", count, "a whole number from 0")
    for (small, more), (large, fewer) in pairwise(zip(sizes_nm, counts, strict=True)):
        if large <= small:
            raise BadInputError("size_nm", large, f"a size above {small}, the one before it")
        if fewer > more:
            raise BadInputError(
                f"count at {size_text(large)}", fewer, f"at most {more}, the cumulative count at {size_text(small)}"
            )
    return tuple(counts)


class SlopeMark(Enum):
    """What a slope between two channels says."""

    PLAUSIBLE = "the sizes are spread as those of known aerosols"
    TOO_FLAT = "more large particles than any known aerosol has: noise in the large channel, or a burst from a tube"
    TOO_STEEP = "too few large particles: loss in tubes, noise in the small channel, or a wrong threshold"
    TOO_FEW = "too few counts to tell"


class Slope(NamedTuple):
    """The exponent n between two neighbouring channels; None where the larger has no counts."""

    from_nm: int
    to_nm: int
    exponent: float | None
    mark: SlopeMark


def slopes(sizes_nm: Sequence[int], counts: Sequence[int]) -> list[Slope]:
    """ln(C1/C2) / ln(d2/d1) for each pair of neighbouring channels, with its mark.

    Judged only where both channels have `ENOUGH_COUNTS`; an empty larger channel below many counts in the smaller is
    too steep where even its upper 95 % bound is. Raises `BadInputError` like `checked_counts`.
    """
    pairs = pairwise(zip(sizes_nm, checked_counts(sizes_nm, counts), strict=True))
    found = []
    for (small, more), (large, fewer) in pairs:
        width = math.log(large / small)
        exponent = math.log(more / fewer) / width if fewer > 0 else None
        # Where counts are few the steepest case still in doubt is that of the upper bound.
        least = math.log(more / poisson_interval(fewer).upper) / width if more else 0.0
        found.append(Slope(small, large, exponent, _slope_mark(more, fewer, exponent, least)))
    return found


def _slope_mark(more: int, fewer: int, exponent: float | None, least: float) -> SlopeMark:
    low, high = PLAUSIBLE_SLOPES
    if least > high:
        return SlopeMark.TOO_STEEP
    if exponent is None or min(more, fewer) < ENOUGH_COUNTS:
        return SlopeMark.TOO_FEW
    if exponent > high:
        return SlopeMark.TOO_STEEP
    return SlopeMark.TOO_FLAT if exponent < low else SlopeMark.PLAUSIBLE


def slope_array(sizes_nm: Sequence[int], counts: ArrayLike) -> NDArray[np.float64]:
    """The exponents of many samples (rows) between neighbouring sizes; NaN where the larger channel has no counts.

    Raises `BadInputError` for negative or rising counts, naming the first.
    """
    table = _checked_table(sizes_nm, counts)
    widths = np.log(np.asarray(sizes_nm[1:]) / np.asarray(sizes_nm[:-1]))
    with np.errstate(divide="ignore", invalid="ignore"):
        found = np.log(table[:, :-1] / table[:, 1:]) / widths
    found[table[:, 1:] == 0] = np.nan
    return np.asarray(found)


# The hint


class Source(Enum):
    """What a ratio of >= 5 um to >= 0.5 um hints at, by rising ratio."""

    OUTDOOR_OR_FILTER = "outdoor air or a filter leak: next to nothing above 5 um"
    BACKGROUND = "an ordinary clean background: near the reference curve of ISO 14644-1"
    GOWNED = "people in cleanroom garments"
    UNGOWNED = "people in ordinary clothing, skin or powder"
    UNDECIDED = "too few counts to tell the sources apart"


BAND_ENDS: Final = (0.001, math.sqrt(0.0083 * 0.037), math.sqrt(0.037 * 0.156))
"""Ratios at which the bands end. The first is where outdoor air ends by its source; the others are our choice."""

_BANDS: Final = (Source.OUTDOOR_OR_FILTER, Source.BACKGROUND, Source.GOWNED, Source.UNGOWNED)


class Hint(NamedTuple):
    """A source, the ratio behind it (None without counts at 0.5 um) and its 95 % interval."""

    source: Source
    ratio: float | None
    interval: Interval | None


def source_hint(count_500: int, count_5000: int) -> Hint:
    """What the counts at 0.5 and at 5 um, from the same air, hint at.

    The interval takes the larger count as Poisson given the smaller; it is at most too wide. Raises `BadInputError`.
    """
    checked_counts(RATIO_SIZES_NM, (count_500, count_5000))
    if count_500 == 0:
        return Hint(Source.UNDECIDED, None, None)
    lower, upper = poisson_interval(count_5000)
    interval = Interval(lower / count_500, upper / count_500)
    low, high = _band(interval.lower), _band(interval.upper)
    return Hint(_BANDS[low] if low == high else Source.UNDECIDED, count_5000 / count_500, interval)


def _band(ratio: float) -> int:
    return sum(ratio >= end for end in BAND_ENDS)


def source_hint_array(counts_500: ArrayLike, counts_5000: ArrayLike) -> NDArray[np.int64]:
    """The hints of many samples as places in `Source` (`list(Source)[place]`). Raises `BadInputError`."""
    table = _checked_table(RATIO_SIZES_NM, np.column_stack((np.asarray(counts_500), np.asarray(counts_5000))))
    large, place = np.unique(table[:, 1], return_inverse=True)
    bounds = np.array([poisson_interval(int(count)) for count in large]).reshape(-1, 2)[place]
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = (np.searchsorted(BAND_ENDS, bounds[:, side] / table[:, 0], side="right") for side in (0, 1))
    decided = (low == high) & (table[:, 0] > 0)
    return np.where(decided, low, len(_BANDS))


def _checked_table(sizes_nm: Sequence[int], counts: ArrayLike) -> NDArray[np.int64]:
    table = np.asarray(counts)
    if table.ndim != 2 or table.shape[1] != len(sizes_nm):
        raise BadInputError("counts", f"an array of shape {table.shape}", f"rows of {len(sizes_nm)} counts")
    if not np.issubdtype(table.dtype, np.integer):
        raise BadInputError("counts", f"numbers of type {table.dtype}", "whole numbers")
    wrong = np.flatnonzero((table < 0).any(axis=1) | (np.diff(table, axis=1) > 0).any(axis=1))
    if wrong.size or any(large <= small for small, large in pairwise(sizes_nm)):
        # Says which value it is, in the words of the scalar function.
        checked_counts(sizes_nm, table[wrong[0]].tolist() if wrong.size else [0] * len(sizes_nm))
    return table.astype(np.int64)
