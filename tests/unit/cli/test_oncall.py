"""oncall: who is on call from when to when and why, gaps included, over a change of clocks."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from support.command_line import run, write_site
from support.facility import site_dict
from support.reachable import CHANNELS, PERSONS

SPRING = "2026-03-28T12:00"
"""Noon before the clocks of Berlin go forward."""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    rotas: list[dict[str, Any]] = [
        {
            "id": "duty",
            "name": "Technician",
            "time_zone": "Europe/Berlin",
            "rotation": {"members": ["ada", "ben"], "first": "2026-03-23", "hand_over": "08:00"},
            "cover": [
                {"person": "ben", "start": "2026-03-29T00:00:00", "end": "2026-03-29T06:00:00", "reason": "a wedding"}
            ],
        },
        {
            "id": "leads",
            "name": "Lead",
            "time_zone": "America/New_York",
            "rotation": {"members": ["ada"], "first": "2026-03-30"},
        },
    ]
    return write_site(tmp_path, site_dict(channels=CHANNELS, persons=PERSONS, rotas=rotas))


def test_the_table_has_local_times_turns_cover_and_gaps(site: Path) -> None:
    result = run("oncall", site, "--at", f"{SPRING}:00+01:00", "--days", "2")
    assert result.exit_code == 0, result.output
    lines = [line.split("  ") for line in result.stdout.splitlines()]
    found = [[cell.strip() for cell in line if cell.strip()] for line in lines]
    assert found[0] == ["rota", "from", "to", "on call", "why"]
    assert found[2:] == [
        ["Technician", "Sat 2026-03-28 12:00 CET", "Sun 2026-03-29 00:00 CET", "Ada", "turn"],
        ["Technician", "Sun 2026-03-29 00:00 CET", "Sun 2026-03-29 06:00 CEST", "Ben", "cover: a wedding"],
        ["Technician", "Sun 2026-03-29 06:00 CEST", "Mon 2026-03-30 08:00 CEST", "Ada", "turn"],
        ["Technician", "Mon 2026-03-30 08:00 CEST", "Mon 2026-03-30 13:00 CEST", "Ben", "turn"],
        ["Lead", "Sat 2026-03-28 07:00 EDT", "Mon 2026-03-30 07:00 EDT", "NOBODY", "gap in cover"],
    ]


def test_programs_get_utc_and_ids(site: Path) -> None:
    records = json.loads(run("oncall", site, "--at", "2026-03-29T00:00Z", "--days", "1", "--format", "json").stdout)
    assert records == [
        {
            "rota": "duty",
            "start": "2026-03-29T00:00:00Z",
            "end": "2026-03-29T04:00:00Z",
            "persons": ["ben"],
            "why": "cover",
            "reason": "a wedding",
        },
        {
            "rota": "duty",
            "start": "2026-03-29T04:00:00Z",
            "end": "2026-03-30T00:00:00Z",
            "persons": ["ada"],
            "why": "turn",
            "reason": "",
        },
        {
            "rota": "leads",
            "start": "2026-03-29T00:00:00Z",
            "end": "2026-03-30T00:00:00Z",
            "persons": [],
            "why": "gap",
            "reason": "",
        },
    ]
    lines = run("oncall", site, "--at", "2026-03-29T00:00Z", "--days", "1", "--rota", "duty", "--format", "csv").stdout
    assert lines.splitlines() == [
        "rota,start,end,persons,why,reason",
        "duty,2026-03-29T00:00:00Z,2026-03-29T04:00:00Z,ben,cover,a wedding",
        "duty,2026-03-29T04:00:00Z,2026-03-30T00:00:00Z,ada,turn,",
    ]


def test_days_are_days_of_the_sites_calendar(tmp_path: Path) -> None:
    rota = {"id": "duty", "name": "Duty", "rotation": {"members": ["ada"], "first": "2026-01-01"}}
    site = site_dict(persons=PERSONS, channels=CHANNELS, rotas=[rota])
    site["site"]["time_zone"] = "Europe/Berlin"
    path = write_site(tmp_path, site)
    for begin, end in (("2026-03-28T12:00", "2026-03-29 12:00 CEST"), ("2026-10-24T12:00", "2026-10-25 12:00 CET")):
        assert end in run("oncall", path, "--at", begin, "--days", "1").stdout


def test_without_a_time_it_begins_now(site: Path) -> None:
    result = run("oncall", site, "--rota", "duty")
    assert result.exit_code == 0
    assert "turn" in result.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--rota", "night"), "no rota 'night' in this site; there are duty, leads"),
        (("--at", "tomorrow"), "'tomorrow' is no time"),
        (("--at", "9999-12-31"), "is not between 1990 and 2199"),
        (("--at", "0001-01-01"), "is not between 1990 and 2199"),
        (("--days", "0"), "--days"),
    ],
)
def test_what_cannot_be_asked(site: Path, arguments: tuple[str, ...], said: str) -> None:
    result = run("oncall", site, *arguments)
    assert result.exit_code == 2
    assert said in " ".join(result.output.split())


def test_a_site_without_rotas_says_so(tmp_path: Path) -> None:
    result = run("oncall", write_site(tmp_path, site_dict()))
    assert (result.exit_code, result.stdout) == (0, "This site has no rota ([[rotas]] in the site file).\n")
