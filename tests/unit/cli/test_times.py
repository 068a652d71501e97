"""Times as people give them."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from motewatch.cli.times import TimeTextError, local_text, parse_time

BERLIN = ZoneInfo("Europe/Berlin")
NOW_US = round(datetime(2026, 3, 2, 12, 0, tzinfo=UTC).timestamp()) * 1_000_000


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1_000_000)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("-2h", "2026-03-02T10:00"),
        ("2h", "2026-03-02T10:00"),
        ("-30m", "2026-03-02T11:30"),
        ("-30min", "2026-03-02T11:30"),
        ("-90s", "2026-03-02T11:58:30"),
        ("-1.5h", "2026-03-02T10:30"),
        ("-7d", "2026-02-23T12:00"),
        ("-1w", "2026-02-23T12:00"),
        ("now", "2026-03-02T12:00"),
        ("2026-03-02T08:00Z", "2026-03-02T08:00"),
        ("2026-03-02T08:00+05:30", "2026-03-02T02:30"),
        ("2026-03-02T08:00", "2026-03-02T07:00"),
        ("2026-03-02 08:00:00.250", "2026-03-02T07:00:00.250"),
        ("2026-07-02", "2026-07-01T22:00"),
    ],
)
def test_times_are_understood(text: str, expected: str) -> None:
    assert parse_time(text, NOW_US, BERLIN) == utc(expected)


@pytest.mark.parametrize("text", ["", "yesterday", "-2", "2x", "25:00", "2026-13-01", "-h", "--2h"])
def test_what_is_no_time_is_told_with_examples(text: str) -> None:
    with pytest.raises(TimeTextError, match=r"2026-03-02T08:00Z.*-2h"):
        parse_time(text, NOW_US, BERLIN)


def test_local_text_is_the_sites_time() -> None:
    assert local_text(utc("2026-03-02T08:14:00"), BERLIN) == "2026-03-02 09:14:00"
    assert local_text(utc("2026-07-02T08:14:00.250"), BERLIN) == "2026-07-02 10:14:00.250"
