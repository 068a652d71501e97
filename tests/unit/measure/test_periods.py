"""A reading belongs to the period in which it ended: `(start, end]`, aligned to the epoch."""

from __future__ import annotations

import pytest

from motewatch.measure.periods import period_end_us, period_ends_us, period_us_of

MINUTE = 60_000_000


@pytest.mark.parametrize(
    ("end_us", "expected"),
    [
        (0, 0),
        (1, MINUTE),
        (MINUTE - 1, MINUTE),
        (MINUTE, MINUTE),
        (MINUTE + 1, 2 * MINUTE),
        (-1, 0),
        (-MINUTE, -MINUTE),
    ],
)
def test_period_end(end_us: int, expected: int) -> None:
    assert period_end_us(end_us, MINUTE) == expected


def test_no_float_in_it() -> None:
    """Two instants one microsecond apart, late enough that a float of seconds could not keep them apart."""
    boundary = 9_000_000_000 * 1_000_000
    assert period_end_us(boundary, 1_000_000) == boundary
    assert period_end_us(boundary + 1, 1_000_000) == boundary + 1_000_000


def test_period_of() -> None:
    assert period_us_of(MINUTE, MINUTE) == (0, MINUTE)
    assert period_us_of(MINUTE + 1, MINUTE) == (MINUTE, 2 * MINUTE)


def test_period_ends() -> None:
    assert list(period_ends_us(0, 3 * MINUTE, MINUTE)) == [MINUTE, 2 * MINUTE, 3 * MINUTE]
    assert list(period_ends_us(1, 3 * MINUTE - 1, MINUTE)) == [MINUTE, 2 * MINUTE]
    assert list(period_ends_us(MINUTE, MINUTE, MINUTE)) == []


def test_no_period_without_length() -> None:
    with pytest.raises(ValueError, match="give more than 0"):
        period_end_us(1, 0)
