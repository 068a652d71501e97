"""Which trend is asked for: the time, the sizes, and what to compare with, from the query of a page.

Rules: whatever cannot be understood is refused with words that say how to write it; nothing is guessed. Times without
an offset are the site's. Must not know pages or the record.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from motewatch.journal.series import DAY_US, LONGEST_US, SHORTEST_US
from motewatch.links.publications import iso
from motewatch.site.instants import instant_us
from motewatch.web.words import local
from motewatch.wire.records import HOUR_US

SPANS: Final = {
    "1h": ("Last hour", HOUR_US),
    "8h": ("8 hours", 8 * HOUR_US),
    "night": ("Last night", 0),
    "24h": ("24 hours", DAY_US),
    "7d": ("7 days", 7 * DAY_US),
    "30d": ("30 days", 30 * DAY_US),
    "365d": ("A year", 365 * DAY_US),
}
"""Times to choose from; the night is from 18:00 to 06:00 of the site's clock."""

USUAL: Final = "24h"
WEEK: Final = "last-week"
EARLIEST_US: Final = 946_684_800_000_000
"""The year 2000: nothing was measured by this before."""


class UnclearTrendError(ValueError):
    """What is asked for makes no sense; the text says why, and how to mend it."""


class TrendLaterError(UnclearTrendError):
    """It can be answered later."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One question."""

    from_us: int
    until_us: int
    span: str
    """One of `SPANS`, or empty: a time of its own."""
    every_size: bool = False
    beside: str = ""
    """Another location, or `WEEK`; empty: nothing."""

    def query(self, **changes: str) -> str:
        """The query of the same with these keys changed; an empty one is left out."""
        time = {"span": self.span} if self.span else {"from": iso(self.from_us), "until": iso(self.until_us)}
        kept = time | ({"sizes": "all"} if self.every_size else {}) | {"with": self.beside} | changes
        if "from" in changes:
            kept.pop("span", None)
        if "span" in changes:
            kept = {key: value for key, value in kept.items() if key not in ("from", "until")}
        return urlencode({key: value for key, value in kept.items() if value})


def asked_of(query: Mapping[str, str], now_us: int, zone: ZoneInfo) -> Asked:
    """The question of a query. Raises `UnclearTrendError`."""
    begin, end, span = (query.get(name, "").strip() for name in ("from", "until", "span"))
    sizes, beside = query.get("sizes", ""), query.get("with", "").strip()
    if sizes not in ("", "all"):
        raise UnclearTrendError("sizes: leave it out for the sizes that have levels, or write all")
    if len(beside) > 64:
        raise UnclearTrendError("with: give the id of a location, or last-week")
    if begin or end:
        if not (begin and end):
            raise UnclearTrendError("from and until belong together: give both")
        from_us, until_us = _instant("from", begin, zone), _instant("until", end, zone)
        span = ""
    else:
        span = span or USUAL
        if span not in SPANS:
            raise UnclearTrendError(f"span: give one of {', '.join(SPANS)}, or from and until")
        from_us, until_us = _night(now_us, zone) if span == "night" else (now_us - SPANS[span][1], now_us)
    if from_us >= until_us:
        raise UnclearTrendError("from is not before until: give the earlier time as from")
    if until_us - from_us > LONGEST_US:
        raise UnclearTrendError("more than five years at once: ask for less")
    if until_us - from_us < SHORTEST_US:
        raise UnclearTrendError("less than 10 seconds: ask for more")
    return Asked(from_us, until_us, span, sizes == "all", beside)


def _instant(name: str, text: str, zone: ZoneInfo) -> int:
    try:
        moment = datetime.fromisoformat(text[:40])
        us = instant_us(moment if moment.tzinfo else moment.replace(tzinfo=zone))
    except (ValueError, OverflowError):
        us = 0
    if not EARLIEST_US <= us < 8 * EARLIEST_US:
        raise UnclearTrendError(f"{name}: no time; write 2026-03-05T14:30 (the site's clock) or 2026-03-05T13:30:00Z")
    return us


def _night(now_us: int, zone: ZoneInfo) -> tuple[int, int]:
    """The night that ended last, or the one that is."""
    now = local(now_us, zone)
    day = now.date() if now.time() < time(18) else now.date() + timedelta(days=1)
    begin = datetime.combine(day - timedelta(days=1), time(18), zone)
    return instant_us(begin), instant_us(datetime.combine(day, time(6), zone))
