"""Sample periods: half-open stretches `(start, end]` laid end to end from the Unix epoch.

Rule: a reading belongs to the period in which it ENDED, so one that ends on a boundary belongs to the period that
ends there. Periods are aligned to the epoch and not to local midnight: they are the same everywhere, also across a
clock change. Must not know readings, locations or what closes a period.
"""

from __future__ import annotations


def period_end_us(end_us: int, period_us: int) -> int:
    """End of the period that holds the instant `end_us`: the smallest multiple of `period_us` not before it."""
    if period_us <= 0:
        raise ValueError(f"a sample period of {period_us} us is impossible: give more than 0")
    return -(-end_us // period_us) * period_us


def period_us_of(end_us: int, period_us: int) -> tuple[int, int]:
    """Start and end of the period `(start, end]` that holds the instant `end_us`."""
    close_us = period_end_us(end_us, period_us)
    return close_us - period_us, close_us


def period_ends_us(after_us: int, until_us: int, period_us: int) -> range:
    """Ends of all periods that end after `after_us` and not after `until_us`, in order."""
    return range(period_end_us(after_us + 1, period_us), until_us + 1, period_us)
