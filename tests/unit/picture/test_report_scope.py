"""The times of reports: local days, months and shifts, on ordinary days and when the clocks change."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from motewatch.picture.report_scope import Kind, ScopeError, Span, day_of, last_over, month_of, shift_at, span_from
from motewatch.site.instants import instant

BERLIN = ZoneInfo("Europe/Berlin")
SHIFTS = ("06:00", "14:00", "22:00")
HOUR = 3_600_000_000


def shown(span: Span) -> str:
    return f"{instant(span.start_us):%Y-%m-%dT%H:%M} {instant(span.end_us):%Y-%m-%dT%H:%M}"


@pytest.mark.parametrize(
    ("kind", "text", "wanted"),
    [
        (Kind.DAY, "2026-03-02", "2026-03-01T23:00 2026-03-02T23:00"),
        (Kind.DAY, "2026-03-29", "2026-03-28T23:00 2026-03-29T22:00"),
        (Kind.DAY, "2026-10-25", "2026-10-24T22:00 2026-10-25T23:00"),
        (Kind.MONTH, "2026-12", "2026-11-30T23:00 2026-12-31T23:00"),
        (Kind.SHIFT, "2026-03-02T14:00", "2026-03-02T13:00 2026-03-02T21:00"),
        (Kind.SHIFT, "2026-03-02T05:59", "2026-03-01T21:00 2026-03-02T05:00"),
        # The night shift of that weekend has seven hours.
        (Kind.SHIFT, "2026-03-28 22:00", "2026-03-28T21:00 2026-03-29T04:00"),
    ],
)
def test_the_time_that_a_person_names(kind: Kind, text: str, wanted: str) -> None:
    assert shown(span_from(kind, text, SHIFTS, BERLIN)) == wanted


@pytest.mark.parametrize(
    ("kind", "text"),
    [(Kind.DAY, "2026-02-30"), (Kind.DAY, "yesterday"), (Kind.MONTH, "2026-13"), (Kind.MONTH, "2026-03-02"),
     (Kind.SHIFT, "2026-03-02"), (Kind.BATCH, "2026-03-02")],
)  # fmt: skip
def test_what_is_no_time_is_refused_with_an_example(kind: Kind, text: str) -> None:
    with pytest.raises(ScopeError, match=r"is no .*: write"):
        span_from(kind, text, SHIFTS, BERLIN)


def test_a_site_without_shifts_says_how_to_name_them() -> None:
    with pytest.raises(ScopeError, match=r"shifts = "):
        shift_at(0, (), BERLIN)


def test_days_of_a_year_leave_no_gap() -> None:
    months = [month_of(2026, number, BERLIN) for number in range(1, 13)]
    assert [one.end_us for one in months[:-1]] == [one.start_us for one in months[1:]]
    assert months[9].end_us - months[9].start_us == (31 * 24 + 1) * HOUR


def test_the_last_that_is_over() -> None:
    now_us = shift_at(span_from(Kind.SHIFT, "2026-03-01T00:30", SHIFTS, BERLIN).start_us, SHIFTS, BERLIN).start_us + 9
    assert shown(last_over(Kind.SHIFT, now_us, SHIFTS, BERLIN)) == "2026-02-28T13:00 2026-02-28T21:00"
    assert shown(last_over(Kind.DAY, now_us, SHIFTS, BERLIN)) == "2026-02-26T23:00 2026-02-27T23:00"
    assert shown(last_over(Kind.MONTH, now_us, SHIFTS, BERLIN)) == "2025-12-31T23:00 2026-01-31T23:00"
    with pytest.raises(ScopeError):
        last_over(Kind.BATCH, now_us, SHIFTS, BERLIN)


@pytest.mark.parametrize(("start", "end"), [(5, 5), (5, 4), (0, 367 * 24 * HOUR)])
def test_a_time_without_length_or_too_long_is_none(start: int, end: int) -> None:
    with pytest.raises(ScopeError):
        Span(Kind.BATCH, start, end)


def test_a_day_of_a_named_zone_starts_at_its_midnight() -> None:
    assert (
        instant(day_of(instant(0).date(), ZoneInfo("Asia/Kolkata")).start_us).isoformat() == "1969-12-31T18:30:00+00:00"
    )
