"""Callout tables that hang together, and gaps that are found in advance."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from motewatch.links.site_rotas import check_rotas
from motewatch.site.crosscheck import crosscheck
from motewatch.site.instants import instant_us
from motewatch.site.models import Site
from motewatch.site.problems import Severity
from support.facility import site_dict
from support.reachable import CHANNELS, PERSONS

NOW_US = instant_us(datetime(2026, 11, 25, 12, 30, tzinfo=UTC))


def called(**changes: Any) -> Site:
    tables: dict[str, Any] = {
        "channels": CHANNELS,
        "persons": PERSONS,
        "rotas": [
            {
                "id": "duty",
                "name": "Duty",
                "time_zone": "Europe/Berlin",
                "rotation": {"members": ["ada", "ben"], "first": "2026-11-30"},
            }
        ],
        "escalations": [{"id": "all", "steps": [{"after_min": 0, "tell": ["rota:duty"]}]}],
    }
    return Site.model_validate(site_dict(**(tables | changes)))


def test_what_hangs_together_is_not_complained_of() -> None:
    assert not [problem for problem in crosscheck(called()) if problem.key.split("[")[0] in ("persons", "rotas")]


def test_a_gap_of_the_next_sixty_days_is_told_in_local_time() -> None:
    (gap,) = check_rotas(called(), now_us=NOW_US)
    assert gap.severity is Severity.WARNING
    assert gap.key == "rotas[0].id"
    # The first shift begins at 8 on the Monday; what is over already is not told.
    assert "from Wed 2026-11-25 13:30 CET to Mon 2026-11-30 08:00 CET" in gap.message


def test_a_gap_that_does_not_end_in_that_time_is_told_as_one() -> None:
    rota = {"id": "duty", "name": "Duty", "rotation": {"members": ["ada"], "first": "2027-06-01"}}
    (gap,) = check_rotas(called(rotas=[rota]), now_us=NOW_US)
    assert "from Wed 2026-11-25 12:30 UTC on, to the end of the 60 days looked at" in gap.message


def test_a_gap_that_is_covered_is_none() -> None:
    cover = [{"person": "ben", "start": "2026-11-24T00:00:00", "end": "2026-11-30T08:00:00", "reason": "start-up"}]
    rota: dict[str, Any] = {"id": "duty", "name": "Duty", "time_zone": "Europe/Berlin", "cover": cover}
    rota["rotation"] = {"members": ["ada"], "first": "2026-11-30"}
    assert check_rotas(called(rotas=[rota]), now_us=NOW_US) == []


def test_many_gaps_are_counted() -> None:
    rota = {"id": "duty", "name": "Duty", "calendar": calendar("FREQ=DAILY")}
    problems = check_rotas(called(rotas=[rota]), now_us=NOW_US)
    assert len(problems) == 3
    assert "and 57 more within 60 days" in problems[-1].message or "and 58 more" in problems[-1].message


def test_a_rota_that_no_escalation_names_may_have_gaps() -> None:
    escalations = [{"id": "all", "steps": [{"after_min": 0, "tell": ["person:ada"]}]}]
    assert check_rotas(called(escalations=escalations), now_us=NOW_US) == []


def test_a_site_without_callout_is_told_nothing_of_it() -> None:
    site = Site.model_validate(site_dict())
    assert not [problem for problem in crosscheck(site) if "call" in problem.message]
    assert check_rotas(site, now_us=NOW_US) == []


def test_cover_for_somebody_who_is_not_on_is_told() -> None:
    def told(person: str, start: str, end: str, *earlier: dict[str, str]) -> list[str]:
        cover = [*earlier, {"person": "cy", "instead_of": person, "start": start, "end": end}]
        rota = {
            "id": "duty",
            "name": "Duty",
            "cover": cover,
            "rotation": {"members": ["ada", "ben"], "first": "2026-11-30"},
        }
        persons = [*PERSONS, {"id": "cy", "name": "Cy", "reach": PERSONS[1]["reach"]}]
        return [problem.key for problem in check_rotas(called(rotas=[rota], persons=persons))]

    assert told("ada", "2026-11-30T08:00:00", "2026-12-07T08:00:00") == []
    assert told("ben", "2026-12-07T07:00:00", "2026-12-07T08:01:00") == [], "her turn begins within it"
    assert told("ben", "2026-11-30T08:00:00", "2026-12-07T08:00:00") == ["rotas[0].cover[0].instead_of"]
    swap = {"person": "ben", "instead_of": "ada", "start": "2026-11-30T08:00:00", "end": "2026-12-02T08:00:00"}
    assert told("ben", "2026-12-01T08:00:00", "2026-12-01T20:00:00", swap) == [], "on by cover that stands before"


def test_whom_a_calendar_puts_on_call_must_be_reachable() -> None:
    persons = [{"id": "ada", "name": "Ada"}, PERSONS[1]]
    rota = {"id": "duty", "name": "Duty", "calendar": calendar("FREQ=DAILY")}
    (problem,) = check_rotas(called(rotas=[rota], persons=persons))
    assert (problem.severity, problem.key) == (Severity.ERROR, "rotas[0].calendar")
    assert "puts 'ada' on call, but there is no way" in problem.message


def calendar(rule: str) -> str:
    lines = (
        *("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//motewatch//tests//EN", "BEGIN:VEVENT", "UID:1"),
        *("DTSTART;TZID=Europe/Berlin:20260105T080000", "DTEND;TZID=Europe/Berlin:20260105T200000"),
        *("SUMMARY:Ada", f"RRULE:{rule}", "END:VEVENT", "END:VCALENDAR"),
    )
    return "\r\n".join(lines) + "\r\n"
