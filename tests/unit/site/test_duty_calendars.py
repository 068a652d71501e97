"""A rota's calendar: from its file into the configuration on record, and every way to get the file wrong."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from motewatch.callout.roster import DAY_US, Roster
from motewatch.links.duty_calendars import MAX_BYTES
from motewatch.links.site_file import SiteFileError, canonical_text, check_site, digest, load_site, site_from_text
from motewatch.site.instants import instant_us
from motewatch.site.problems import Severity, errors
from support.command_line import write_site
from support.facility import site_dict
from support.reachable import CHANNELS, PERSONS

BERLIN = ZoneInfo("Europe/Berlin")
CALENDAR = "\r\n".join(
    (
        *("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//motewatch//tests//EN"),
        *("BEGIN:VEVENT", "UID:1", "SUMMARY:Ada", "RRULE:FREQ=WEEKLY;INTERVAL=2"),
        *("DTSTART;TZID=Europe/Berlin:20260105T080000", "DTEND;TZID=Europe/Berlin:20260112T080000", "END:VEVENT"),
        *("BEGIN:VEVENT", "UID:2", "SUMMARY:ben", "RRULE:FREQ=WEEKLY;INTERVAL=2"),
        *("DTSTART;TZID=Europe/Berlin:20260112T080000", "DTEND;TZID=Europe/Berlin:20260119T080000", "END:VEVENT"),
        *("END:VCALENDAR", ""),
    )
)


def at(text: str) -> int:
    return instant_us(datetime.fromisoformat(text).replace(tzinfo=BERLIN))


def site(**changes: Any) -> dict[str, Any]:
    rota = {"id": "duty", "name": "Duty", "time_zone": "Europe/Berlin", "calendar_file": "duty.ics"}
    escalations = [{"id": "all", "steps": [{"after_min": 0, "tell": ["rota:duty"]}]}]
    return site_dict(channels=CHANNELS, persons=PERSONS, rotas=[rota | changes], escalations=escalations)


def written(folder: Path, content: str | bytes | None = CALENDAR, **changes: Any) -> Path:
    if content is not None:
        (folder / "duty.ics").write_bytes(content.encode() if isinstance(content, str) else content)
    return write_site(folder, site(**changes))


def wrong(path: Path) -> list[tuple[str, str]]:
    found = [(problem.key, problem.message) for problem in errors(check_site(path))]
    with pytest.raises(SiteFileError):
        load_site(path)
    return found


def test_the_configuration_on_record_holds_the_calendar_itself(tmp_path: Path) -> None:
    """A replay reads the journal alone, and must call the same persons: the file may have changed or gone."""
    path = written(tmp_path)
    text = canonical_text(load_site(path))
    (tmp_path / "duty.ics").unlink()
    restored = site_from_text(text)
    assert canonical_text(restored) == text
    assert restored.rotas[0].calendar == CALENDAR.strip()
    roster = Roster.of(restored)
    assert roster.on_call("duty", at("2026-03-30T07:59")) == ("ben",)
    assert roster.on_call("duty", at("2026-03-30T08:00")) == ("ada",)
    assert roster.gaps("duty", at("2026-01-05T08:00"), at("2026-01-05T08:00") + 400 * DAY_US) == []


def test_a_changed_shift_is_another_configuration(tmp_path: Path) -> None:
    before = digest(canonical_text(load_site(written(tmp_path))))
    assert (
        digest(canonical_text(load_site(written(tmp_path, CALENDAR.replace("SUMMARY:ben", "SUMMARY:ada"))))) != before
    )


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    assert load_site(written(tmp_path, b"\xef\xbb\xbf" + CALENDAR.encode())).rotas[0].calendar == CALENDAR.strip()


def test_gaps_of_a_calendar_are_told_from_now_on(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        CALENDAR.replace(
            "INTERVAL=2\r\nDTSTART;TZID=Europe/Berlin:20260112", "COUNT=1\r\nDTSTART;TZID=Europe/Berlin:20260112"
        ),
    )
    assert [p for p in check_site(path) if "on call" in p.message] == []
    gaps = [p for p in check_site(path, at("2026-01-20T12:00")) if "on call" in p.message]
    assert {p.severity for p in gaps} == {Severity.WARNING}
    assert [p.message.partition(" from ")[2] for p in gaps] == [
        "Mon 2026-01-26 08:00 CET to Mon 2026-02-02 08:00 CET",
        "Mon 2026-02-09 08:00 CET to Mon 2026-02-16 08:00 CET",
        "Mon 2026-02-23 08:00 CET to Mon 2026-03-02 08:00 CET, and 1 more within 60 days",
    ]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "there is no such file"),
        (b"BEGIN:VCALENDAR\xff", "not UTF-8"),
        (b"x" * (MAX_BYTES + 1), "more than"),
        (b"", "it is no calendar"),
        (CALENDAR[:-40], "it is no calendar"),
        (CALENDAR.replace("Ada", "Zoe"), "called 'Zoe'"),
    ],
)
def test_files_that_are_no_calendar_of_this_rota(tmp_path: Path, content: str | bytes | None, said: str) -> None:
    [(key, message)] = wrong(written(tmp_path, content))
    assert key == "rotas[0].calendar_file"
    assert said in message


def test_other_rotas_are_looked_at_when_one_has_no_file(tmp_path: Path) -> None:
    both = site()
    both["rotas"].append({"id": "second", "name": "Second", "calendar": CALENDAR.replace("Ada", "Zoe")})
    assert [key for key, _ in wrong(write_site(tmp_path, both))] == ["rotas[0].calendar_file", "rotas[1].calendar"]


def test_a_folder_is_no_calendar(tmp_path: Path) -> None:
    (tmp_path / "duty.ics").mkdir()
    [(key, message)] = wrong(written(tmp_path, None))
    assert (key, "cannot be read" in message) == ("rotas[0].calendar_file", True)


def test_two_calendars_for_one_rota_are_refused(tmp_path: Path) -> None:
    [(key, message)] = wrong(written(tmp_path, calendar=CALENDAR))
    assert (key, "two calendars" in message) == ("rotas[0].calendar_file", True)


def test_callout_tables_are_looked_at_when_others_are_broken(tmp_path: Path) -> None:
    """And a broken person is no unknown one."""
    broken = site()
    broken["rooms"][0]["grade"] = "E"
    broken["persons"] = [PERSONS[0], PERSONS[1] | {"quiet": "at night"}]
    broken["teams"] = [{"id": "all", "name": "All", "members": ["ada", "ben", "zoe"]}]
    (tmp_path / "duty.ics").write_text(CALENDAR)
    told = [(p.key, p.message) for p in errors(check_site(write_site(tmp_path, broken)))]
    assert [key for key, _ in told] == ["persons[1].quiet", "rooms[0].grade", "teams[0].members"]
