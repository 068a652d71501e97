"""Times as a person gives them on the command line."""

from __future__ import annotations

import re
from collections.abc import Collection
from datetime import datetime
from zoneinfo import ZoneInfo

from motewatch.site.instants import instant, instant_us
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, SECOND_US

_LENGTH = re.compile(r"(\d+(?:\.\d+)?)\s*(s|m|min|h|d|w)")
_UNITS = {"s": SECOND_US, "m": MINUTE_US, "min": MINUTE_US, "h": HOUR_US, "d": DAY_US, "w": 7 * DAY_US}


class TimeTextError(ValueError):
    """The text is no time that we understand."""


def parse_time(text: str, now_us: int, zone: ZoneInfo) -> int:
    """The instant that the text means: ISO 8601 (without an offset in the site's zone), or an age such as `-2h`.

    Raises `TimeTextError`.
    """
    bare = text.strip()
    if bare == "now":
        return now_us
    age_us = parse_length(bare.removeprefix("-"))
    if age_us is not None:
        return now_us - age_us
    try:
        at = datetime.fromisoformat(bare)
    except ValueError:
        raise TimeTextError(
            f"'{text}' is no time: give 2026-03-02T08:00, 2026-03-02T08:00Z, 2026-03-02, or an age such as -2h or -30m"
        ) from None
    if at.tzinfo is None:
        at = at.replace(tzinfo=zone)
    return instant_us(at)


def parse_length(text: str, units: Collection[str] = _UNITS.keys()) -> int | None:
    """`30min`, `2h`, `1d` in microseconds; None for a text that is no length of time in one of these units."""
    found = _LENGTH.fullmatch(text)
    return None if found is None or found[2] not in units else round(float(found[1]) * _UNITS[found[2]])


def local_text(us: int, zone: ZoneInfo) -> str:
    """`2026-03-02 09:14:00` in the site's zone; fractions only where there are any."""
    at = instant(us).astimezone(zone)
    return f"{at:%Y-%m-%d %H:%M:%S}" + (f".{at.microsecond // 1000:03d}" if at.microsecond else "")
