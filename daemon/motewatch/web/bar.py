"""A value against its limit, as a bar with words beside it: what colour says alone is lost on many, and at night.

Pure. The bar is told in hundredths of its width; the sentence says the same, so the bar may be left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from motewatch.callout.words import against, with_unit


@dataclass(frozen=True, slots=True)
class Bar:
    """Positions from 0 to 100: the bar runs from `start` over `width`, the limit's mark stands at `mark`."""

    start: float
    width: float
    mark: float
    above: bool
    value: str
    limit: str
    words: str


def bar(value: float | None, limit: float | None, unit: str) -> Bar | None:
    """The bar of a value and its limit, or None where one of them is not known or no number."""
    if value is None or limit is None or not (isfinite(value) and isfinite(limit)):
        return None
    low, high = min(0.0, value, limit), max(0.0, value, limit)
    # A seventh of free space beyond the greater of the two, so that the mark never falls off the edge.
    span = (high - low) * 7 / 6 or 1.0
    if low < 0:
        low -= span / 14

    def place(of: float) -> float:
        return round(100 * (of - low) / span, 1)

    zero, end, mark = place(0.0), place(value), place(limit)
    return Bar(
        start=min(zero, end),
        width=max(0.5, round(abs(end - zero), 1)),
        mark=min(mark, 99.0),
        above=value > limit,
        value=with_unit(value, unit),
        limit=with_unit(limit, unit),
        words=against(value, limit),
    )
