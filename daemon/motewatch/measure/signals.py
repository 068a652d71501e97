"""What the incremental charts say, and the refusals they share.

A chart object is fed one observation at a time with `observe`, answers with the signals of that very observation
(none is the usual answer), and gives its state as plain JSON values with `to_state`; `from_state` with the same
settings goes on as if it had never stopped. An observation that must not count (suspect air, too little of it) is
simply not fed; `restart` forgets what was, after a change of occupancy or a long gap.

A signal is a remark about chance, not a verdict: it knows neither limits nor alarms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from motewatch.measure.errors import BadInputError

Side = Literal[-1, 0, 1]
"""Which side of the centre a signal is about; 0 where a rule knows no side."""

LEAST_MEAN_FOR_SIGMA: Final = 5.0
"""Below this mean count limits in multiples of sigma, and run rules, are wrong for counts: their tails are not normal.

Common practice, no source: about 5 for c- and u-charts. Use exact limits or the Poisson CUSUM below it."""


@dataclass(frozen=True, slots=True)
class Signal:
    """One rule that an observation set off: `value` is what was compared, `limit` with what, in the rule's own unit."""

    rule: str
    side: Side
    value: float
    limit: float


def finite(name: str, value: float) -> float:
    """The value, or `BadInputError` naming it when it is NaN or infinite."""
    if not math.isfinite(value):
        raise BadInputError(name, value, "a finite number")
    return value


def above_zero(name: str, value: float) -> float:
    """The value, or `BadInputError` naming it when it is not finite and above 0."""
    if not (math.isfinite(value) and value > 0):
        raise BadInputError(name, value, "a finite number above 0")
    return value


def not_negative(name: str, value: float) -> float:
    """The value, or `BadInputError` naming it when it is not finite and 0 or more."""
    if not (math.isfinite(value) and value >= 0):
        raise BadInputError(name, value, "a finite number, 0 or more")
    return value


def counted(count: int, volume_ul: int) -> None:
    """Refuse what is no count in a volume of air: whole numbers, a count of 0 or more, a volume above 0."""
    if not _whole(count) or count < 0:
        raise BadInputError("count", count, "a whole number, 0 or more")
    if not _whole(volume_ul) or volume_ul <= 0:
        raise BadInputError("volume_ul", volume_ul, "a whole number of microlitres above 0")


def _whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)
