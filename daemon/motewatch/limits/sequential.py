"""Sequential sampling: a test that may end as soon as the counts have spoken, clean air after a fifth of the time.

ISO 14644-1 (2015, Annex D; 1999, Annex F), for limits so low that a full sample takes long. With E the count to
expect so far were the air exactly at the limit, the test fails when the count reaches 3.96 + 1.03 E, passes when it is
not above -3.96 + 1.03 E, and goes on between, until E = 20 (formulas from memory; that the plan exists and saves
about 80 % of the time for very clean air and 35 % at the limit: found). Our reading of the end, as in the 1999 table:
a full sample holds 20 counts at the limit, so the 21st count fails at once, and at the full sample the concentration
itself decides.

E is limit x volume: particles per m3 times microlitres, exact in fractions. Must not know classes, sensors or clocks.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from math import ceil, floor

from motewatch.limits.errors import OutOfRangeError
from motewatch.measure.samples import UL_PER_M3
from motewatch.wire.records import MINUTE_US

FULL_SAMPLE = 20
"""E of a full sample."""
TRUNCATED_AT = FULL_SAMPLE + 1
"""More than 20 counts exceed the limit whatever comes after."""

_INTERCEPT, _SLOPE = Fraction("3.96"), Fraction("1.03")


class Decision(StrEnum):
    """What to do now."""

    GO_ON = "go on"
    PASSES = "passes"
    FAILS = "fails"


@dataclass(frozen=True, slots=True)
class Progress:
    """Where the test stands. `fails_at`: the count at which it would fail now; `passes_at`: the highest count that
    would pass now, None where none would."""

    decision: Decision
    count: int
    expected: float
    fails_at: int
    passes_at: int | None
    share: float
    """Of the full sample, 0 to 1."""


def fail_boundary(expected: float) -> float:
    """C_f = 3.96 + 1.03 E: a count at or above it fails. E from 0."""
    return float(_INTERCEPT + _SLOPE * _expected(expected))


def pass_boundary(expected: float) -> float:
    """C_p = -3.96 + 1.03 E: a count at or below it passes. E from 0; negative until E = 3.845."""
    return float(-_INTERCEPT + _SLOPE * _expected(expected))


def fails_at(expected: float | Fraction, *, truncated: bool = True) -> int:
    """The smallest count that fails at E; `truncated`: never more than 21."""
    count = ceil(_INTERCEPT + _SLOPE * _expected(expected))
    return min(count, TRUNCATED_AT) if truncated else count


def passes_at(expected: float | Fraction) -> int | None:
    """The highest count that passes at E; None where none does."""
    count = floor(-_INTERCEPT + _SLOPE * _expected(expected))
    return count if count >= 0 else None


def fail_share(count: int) -> float:
    """Time form: the test fails if this count (from 4) arrives before this share of the full time."""
    if count < 4:
        raise OutOfRangeError("count", count, "a whole number from 4: fewer never fail before the end")
    return float((count - _INTERCEPT) / (_SLOPE * FULL_SAMPLE))


def pass_share(count: int) -> float:
    """Time form: the test passes if this count (from 0) has not been exceeded by this share of the full time."""
    if count < 0:
        raise OutOfRangeError("count", count, "a whole number from 0")
    return float((count + _INTERCEPT) / (_SLOPE * FULL_SAMPLE))


def full_time_min(limit_per_m3: float, flow_l_min: float) -> float:
    """Minutes of a full sample (E = 20) at this flow."""
    for name, value in (("limit_per_m3", limit_per_m3), ("flow_l_min", flow_l_min)):
        if not 0 < value < float("inf"):
            raise OutOfRangeError(name, value, "a finite number above 0")
    return FULL_SAMPLE * 1000 / (limit_per_m3 * flow_l_min)


def zero_count_pass_min(limit_per_m3: float, flow_l_min: float) -> float:
    """Minutes after which no count at all passes: 19.2 % of the full time."""
    return pass_share(0) * full_time_min(limit_per_m3, flow_l_min)


def decide(limit_per_m3: int, volume_ul: int, count: int) -> Progress:
    """Where the test stands after `count` particles in `volume_ul` microlitres; exact.

    The limit is from 1, the volume and the count from 0; else `OutOfRangeError`. A test that has passed or failed is
    over: what comes after is not to be asked (`follow` stops there).
    """
    if limit_per_m3 < 1:
        raise OutOfRangeError("limit_per_m3", limit_per_m3, "a whole number from 1")
    if volume_ul < 0:
        raise OutOfRangeError("volume_ul", volume_ul, "a volume from 0")
    return _decide(Fraction(limit_per_m3 * volume_ul, UL_PER_M3), count)


def decide_by_time(limit_per_m3: int, flow_ul_min: int, elapsed_us: int, count: int) -> Progress:
    """The same for a flow (microlitres per minute) kept for a time (microseconds)."""
    if limit_per_m3 < 1:
        raise OutOfRangeError("limit_per_m3", limit_per_m3, "a whole number from 1")
    if flow_ul_min <= 0:
        raise OutOfRangeError("flow_ul_min", flow_ul_min, "a flow above 0")
    if elapsed_us < 0:
        raise OutOfRangeError("elapsed_us", elapsed_us, "a time from 0")
    return _decide(Fraction(limit_per_m3 * flow_ul_min * elapsed_us, UL_PER_M3 * MINUTE_US), count)


def follow(limit_per_m3: int, readings: Iterable[tuple[int, int]]) -> Iterator[Progress]:
    """Where the test stands after each reading (count, microlitres), up to the decision."""
    count = volume_ul = 0
    for more, air_ul in readings:
        count += more
        volume_ul += air_ul
        progress = decide(limit_per_m3, volume_ul, count)
        yield progress
        if progress.decision is not Decision.GO_ON:
            return


def _decide(expected: Fraction, count: int) -> Progress:
    if count < 0:
        raise OutOfRangeError("count", count, "a whole number from 0")
    if expected >= FULL_SAMPLE:
        # The single sample is complete (or more than that): it is above the limit if the count is above E.
        least, most = floor(expected) + 1, floor(expected)
        decision = Decision.FAILS if count > expected else Decision.PASSES
        return Progress(decision, count, float(expected), least, most, 1.0)
    least, highest = fails_at(expected), passes_at(expected)
    decision = Decision.GO_ON
    if count >= least:
        decision = Decision.FAILS
    elif highest is not None and count <= highest:
        decision = Decision.PASSES
    return Progress(decision, count, float(expected), least, highest, float(expected / FULL_SAMPLE))


def _expected(expected: float | Fraction) -> Fraction:
    if not 0 <= expected < float("inf"):
        raise OutOfRangeError("expected count", expected, "a finite number from 0")
    return Fraction(expected)
