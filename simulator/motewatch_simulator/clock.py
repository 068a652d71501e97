"""The only place in the simulator that reads a clock.

Everything else takes instants as arguments, so that a stream depends on its seed and its start, and on nothing else.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime


class Clock:
    """Wall clock for timestamps, monotonic clock for pacing (a step of the wall clock must not stop the stream)."""

    def now_us(self) -> int:
        """Now, in microseconds UTC since 1970."""
        return time.time_ns() // 1000

    def monotonic_s(self) -> float:
        """Seconds since some instant, never going back."""
        return time.monotonic()


def iso(us: int) -> str:
    """An instant as ISO 8601 UTC with `Z`, microseconds only where there are any."""
    seconds, fraction = divmod(us, 1_000_000)
    text = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{text}.{fraction:06d}Z" if fraction else f"{text}Z"


def micros(instant: datetime) -> int:
    """Microseconds UTC since 1970 of an aware instant, without a detour through floating point."""
    delta = instant.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    return (delta.days * 86_400 + delta.seconds) * 1_000_000 + delta.microseconds
