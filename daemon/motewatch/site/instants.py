"""Instants: microseconds since 1970 and aware datetimes, each from the other, exactly."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)


def instant(us: int) -> datetime:
    """The UTC datetime of an instant in microseconds since 1970."""
    return EPOCH + timedelta(microseconds=us)


def instant_us(moment: datetime) -> int:
    """Microseconds since 1970 of an aware datetime."""
    return (moment - EPOCH) // _MICROSECOND
