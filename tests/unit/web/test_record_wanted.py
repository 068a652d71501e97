"""What somebody searches for: local times, unknown things, and what nobody should be able to ask."""

from __future__ import annotations

import pytest

from motewatch.journal.search import USUAL, Kind
from motewatch.site.models import Site
from motewatch.web.console.note_subjects import instant_of
from motewatch.web.console.record_wanted import TEXT_MAX, Asked, UnclearError, wanted_of
from support.live import live_site

HOUR_US = 3_600_000_000


def site(zone: str = "Europe/Berlin") -> Site:
    made = live_site({"port": 1883})
    made["site"]["time_zone"] = zone
    return Site.model_validate(made)


def test_nothing_said_is_everything_usual() -> None:
    wanted = wanted_of(Asked(), site())
    assert wanted.kinds == USUAL
    assert (wanted.since_us, wanted.until_us, wanted.location, wanted.room, wanted.text) == (None,) * 5


def test_times_are_the_sites() -> None:
    def since(text: str, zone: str = "Europe/Berlin") -> int:
        found = wanted_of(Asked(since=text), site(zone)).since_us
        assert found is not None
        return found

    assert since("2026-07-01T12:00") == since("2026-07-01T10:00Z") == since("2026-07-01T12:00", "UTC") - 2 * HOUR_US
    assert since("2026-01-01") == since("2025-12-31T23:00:00+00:00")
    # The hour that comes twice is the first one.
    assert since("2026-10-25T02:30") == since("2026-10-25T00:30Z")
    assert since("1900-01-01") == 0


def test_a_room_brings_its_locations() -> None:
    wanted = wanted_of(Asked(room="prep", kinds=["note", "sample"], person=" ada\n"), site())
    assert set(wanted.room_locations) == {"bench-1", "cart"}
    assert wanted.kinds == {Kind.NOTE, Kind.SAMPLE}
    assert wanted.person == "ada"


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        (Asked(since="yesterday"), "from: 'yesterday' is no time"),
        (Asked(until="2026-02-30"), "until: "),
        (Asked(since="2026-01-02", until="2026-01-02"), "not before"),
        (Asked(kinds=["alarm", "<b>"]), "there is no kind '<b>'"),
        (Asked(room="attic"), "there is no room 'attic'"),
    ],
)
def test_what_is_unclear_is_said(asked: Asked, says: str) -> None:
    with pytest.raises(UnclearError, match=says):
        wanted_of(asked, site())


def test_texts_are_short_lines() -> None:
    wanted = wanted_of(Asked(text="a\0b\u202e" + "x" * 500, location="\n"), site())
    assert wanted.text is not None
    assert len(wanted.text) == TEXT_MAX
    assert wanted.text.isprintable()
    assert wanted.location is None


@pytest.mark.parametrize("text", ["", "x", "1969-12-31", "99999-01-01", "2026-13-01", "0001-01-01T00:00:00+14:00"])
def test_what_is_no_instant_is_none(text: str) -> None:
    assert instant_of(text) is None
