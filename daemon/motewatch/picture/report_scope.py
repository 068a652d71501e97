"""What a report is about: its places, its time, its batch; and the shifts, days and months of a site.

Rules: a day is one of the site's local calendar, so on the nights on which the clocks change it has 23 or 25 hours, and
so has a shift. A local time that does not exist or comes twice is taken as `site.schedule` takes it. Pure; must not
know records or documents.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from itertools import pairwise
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.site.instants import instant, instant_us

LONGEST_US: Final = 366 * 86_400_000_000
"""The longest time of a report."""

TITLE_MAX: Final = 120


class Kind(StrEnum):
    """What the time of a report is."""

    SHIFT = "shift"
    DAY = "day"
    MONTH = "month"
    BATCH = "batch"


class ScopeError(ValueError):
    """No report can be about this; the text says why. `field`: which of at, start, end, batch, place is wrong."""

    def __init__(self, text: str, field: str = "") -> None:
        super().__init__(text)
        self.field = field


@dataclass(frozen=True, slots=True)
class Span:
    """`[start_us, end_us)`; samples belong to it by their end, which may be `end_us`."""

    kind: Kind
    start_us: int
    end_us: int

    def __post_init__(self) -> None:
        """Raises `ScopeError` for a time without length or too long."""
        if self.end_us <= self.start_us:
            raise ScopeError("the report's time must end after it starts", "end")
        if self.end_us - self.start_us > LONGEST_US:
            raise ScopeError("a report is about 366 days at most", "end")


@dataclass(frozen=True, slots=True)
class Scope:
    """All of it. `locations`: ids, in the site's order; empty: all that the site had in that time."""

    span: Span
    locations: tuple[str, ...] = ()
    batch: str = ""


def day_of(day: date, zone: ZoneInfo) -> Span:
    """A local day."""
    return Span(Kind.DAY, _local(day, time(), zone), _local(day + timedelta(days=1), time(), zone))


def month_of(year: int, month: int, zone: ZoneInfo) -> Span:
    """A local calendar month."""
    first = date(year, month, 1)
    following = date(year + month // 12, month % 12 + 1, 1)
    return Span(Kind.MONTH, _local(first, time(), zone), _local(following, time(), zone))


def shift_at(at_us: int, shifts: Sequence[str], zone: ZoneInfo) -> Span:
    """The shift that holds this instant. Raises `ScopeError` where the site names none."""
    if not shifts:
        raise ScopeError('the site file names no shifts: add shifts = ["06:00", "14:00", "22:00"] to [site]')
    today = instant(at_us).astimezone(zone).date()
    days = (today + timedelta(days=number) for number in (-1, 0, 1, 2))
    edges = sorted({_local(day, time.fromisoformat(each), zone) for day in days for each in shifts})
    for start_us, end_us in pairwise(edges):
        if start_us <= at_us < end_us:
            return Span(Kind.SHIFT, start_us, end_us)
    raise ScopeError("no shift holds this instant", "at")


def last_over(kind: Kind, now_us: int, shifts: Sequence[str], zone: ZoneInfo) -> Span:
    """The last shift, day or month that is over. Raises `ScopeError`."""
    if kind is Kind.SHIFT:
        return shift_at(shift_at(now_us, shifts, zone).start_us - 1, shifts, zone)
    today = instant(now_us).astimezone(zone).date()
    if kind is Kind.DAY:
        return day_of(today - timedelta(days=1), zone)
    if kind is Kind.MONTH:
        before = today.replace(day=1) - timedelta(days=1)
        return month_of(before.year, before.month, zone)
    raise ScopeError("a batch has a start and an end of its own")


def span_from(kind: Kind, text: str, shifts: Sequence[str], zone: ZoneInfo) -> Span:
    """The shift, day or month that a person names: `2026-03-02T14:00` or `2026-03-02 14:00`, `2026-03-02`, `2026-03`.

    A shift is the one that begins at or holds that local time. Raises `ScopeError`.
    """
    bare = text.strip()
    try:
        if kind is Kind.MONTH:
            found = re.fullmatch(r"(\d{4})-(\d{2})", bare)
            if found is None:
                raise ValueError
            return month_of(int(found[1]), int(found[2]), zone)
        if kind is Kind.DAY:
            return day_of(date.fromisoformat(bare), zone)
        if kind is Kind.SHIFT and len(bare) > len("2026-03-02"):
            at = datetime.fromisoformat(bare)
            return shift_at(instant_us(at if at.tzinfo else at.replace(tzinfo=zone)), shifts, zone)
    except (ValueError, OverflowError) as error:
        if isinstance(error, ScopeError):
            raise
    wanted = {Kind.MONTH: "2026-03", Kind.DAY: "2026-03-02", Kind.SHIFT: "2026-03-02T14:00 (a time in that shift)"}
    raise ScopeError(f"'{text}' is no {kind.value}: write {wanted.get(kind, 'a start and an end')}", "at")


def _local(day: date, at: time, zone: ZoneInfo) -> int:
    return instant_us(datetime.combine(day, at, tzinfo=zone))
