"""Which trend is asked for: times in words and as written, and refusals that say how to mend."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from motewatch.links.publications import iso
from motewatch.web.console.trend_asked import Asked, UnclearTrendError, asked_of
from motewatch.wire.records import HOUR_US
from support.trend_journal import START_US

BERLIN = ZoneInfo("Europe/Berlin")
NOON_US = START_US + 12 * HOUR_US


def times(query: dict[str, str], now_us: int = NOON_US) -> tuple[str, str]:
    found = asked_of(query, now_us, BERLIN)
    return iso(found.from_us), iso(found.until_us)


def test_without_a_question_it_is_the_last_day() -> None:
    assert times({}) == ("2026-03-04T12:00:00Z", "2026-03-05T12:00:00Z")
    assert times({"span": "1h"}) == ("2026-03-05T11:00:00Z", "2026-03-05T12:00:00Z")


def test_last_night_is_the_site_s_own_and_in_the_evening_the_one_that_begins() -> None:
    assert times({"span": "night"}) == ("2026-03-04T17:00:00Z", "2026-03-05T05:00:00Z")
    assert times({"span": "night"}, START_US + 20 * HOUR_US) == ("2026-03-05T17:00:00Z", "2026-03-06T05:00:00Z")
    # The night to 29 March has an hour less.
    assert times({"span": "night"}, START_US + 24 * 24 * HOUR_US + 12 * HOUR_US) == (
        "2026-03-28T17:00:00Z",
        "2026-03-29T04:00:00Z",
    )


def test_times_are_the_site_s_unless_they_say_otherwise() -> None:
    asked = {"from": "2026-03-05T01:00", "until": "2026-03-05T01:00:30Z"}
    assert times(asked) == ("2026-03-05T00:00:00Z", "2026-03-05T01:00:30Z")


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ({"from": "2026-03-05"}, "give both"),
        ({"from": "yesterday", "until": "2026-03-05"}, "from: no time; write"),
        ({"from": "0001-01-01", "until": "9999-12-31"}, "from: no time"),
        ({"from": "2026-03-06", "until": "2026-03-05"}, "from is not before until"),
        ({"from": "2010-01-01", "until": "2026-03-05"}, "more than five years"),
        ({"from": "2026-03-05T00:00:00", "until": "2026-03-05T00:00:01"}, "less than 10 seconds"),
        ({"span": "1000y"}, "span: give one of"),
        ({"sizes": "0.5"}, "sizes: "),
        ({"with": "x" * 65}, "with: "),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(query: dict[str, str], said: str) -> None:
    with pytest.raises(UnclearTrendError, match=said):
        asked_of(query, NOON_US, BERLIN)


def test_a_question_leads_to_others() -> None:
    asked = Asked(START_US, START_US + HOUR_US, "", True, "sink")
    assert asked.query() == "from=2026-03-05T00%3A00%3A00Z&until=2026-03-05T01%3A00%3A00Z&sizes=all&with=sink"
    assert asked.query(span="7d", sizes="") == "with=sink&span=7d"
