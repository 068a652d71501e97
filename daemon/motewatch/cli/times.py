"""Times as a person gives them on the command line."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from motewatch.wire.messages import instant
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, SECOND_US

_AGO = re.compile(r"-?(\d+(?:\.\d+)?)\s*(s|m|min|h|d|w)")
_UNITS = {"s": SECOND_US, "m": MINUTE_US, "min": MINUTE_US, "h": HOUR_US, "d": DAY_US, "w": 7 * DAY_US}
_EPOCH = instant(0)


class TimeTextError(ValueError):
    """The text is no time that we understand."""


def parse_time(text: str, now_us: int, zone: ZoneInfo) -> int:
    """The instant that the text means: ISO 8601 (without an offset in the site's zone), or an age such as `-2h`.

    Raises `TimeTextError`.
    """
    bare = text.strip()
    if bare == "now":
        return now_us
    ago = _AGO.fullmatch(bare)
    if ago is not None:
        return now_us - round(float(ago[1]) * _UNITS[ago[2]])
    try:
        at = datetime.fromisoformat(bare)
    except ValueError:
        raise TimeTextError(
            f"'{text}' is no time: give 2026-03-02T08:00, 2026-03-02T08:00Z, 2026-03-02, or an age such as -2h or -30m"
        ) from None
    if at.tzinfo is None:
        at = at.replace(tzinfo=zone)
    return (at - _EPOCH) // timedelta(microseconds=1)


def local_text(us: int, zone: ZoneInfo) -> str:
    """`2026-03-02 09:14:00` in the site's zone; fractions only where there are any."""
    at = instant(us).astimezone(zone)
    return f"{at:%Y-%m-%d %H:%M:%S}" + (f".{at.microsecond // 1000:03d}" if at.microsecond else "")
