"""alarm-figures on a small real journal: figures, targets, and what a short record does not allow to say."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from motewatch.alarms.lifecycle import Event, State, step
from motewatch.engine.records import AlarmChanged, Output, Priority
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, InputRow
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, SECOND_US
from support.command_line import run, write_site
from support.facility import T0, site_dict

COMMON: dict[str, Any] = {"kind": "count-alert", "priority": Priority.LOW, "text": "x"}


def story(days: int) -> list[AlarmChanged]:
    """One alarm a day at its start, acknowledged after 5 minutes, over after 10; on the first day also 12 at once."""
    found: list[AlarmChanged] = []
    for day in range(days):
        for n in range(13 if day == 0 else 1):
            state = State.NORMAL
            for event, after_us in (
                (Event.STARTS, n * SECOND_US),
                (Event.ACKNOWLEDGE, 5 * MINUTE_US + n * SECOND_US),
                (Event.RETURNS, 10 * MINUTE_US + n * SECOND_US),
            ):
                before, state = state, step(state, event)
                at_us = T0 + day * DAY_US + HOUR_US + after_us
                found.append(
                    AlarmChanged(
                        alarm=f"a{n}", event=event, before=before, after=state, at_us=at_us, found_us=at_us, **COMMON
                    )
                )
    return sorted(found, key=lambda one: one.found_us)


def site_with(folder: Path, days: int, **changes: Any) -> Path:
    first = InputRow(0, "link", T0, T0, "", b"{}", None, None, None)
    with Journal(folder / "motewatch.db", site="testing") as journal:
        outputs: list[tuple[int, Output]] = [(BY_TIME, one) for one in story(days)]
        journal.commit(Batch(inputs=[first], outputs=outputs, engine_us=T0 + days * DAY_US))
    return write_site(folder, site_dict(**changes))


def figures(site: Path, *more: str) -> dict[str, Any]:
    result = run("alarm-figures", site, "--since", "2026-01-01", *more, "--json")
    assert result.exit_code == 0, result.stderr
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def verdicts(found: dict[str, Any]) -> dict[str, str]:
    return {line["figure"]: line["verdict"] for line in found["targets"]}


def test_a_month_is_judged(tmp_path: Path) -> None:
    found = figures(site_with(tmp_path, 30))
    assert found["start"].startswith("2026-05-28T20:27:00"), "the record begins here, whatever was asked for"
    assert found["annunciated"] == 42
    assert found["floods"] == [
        {"start": "2026-05-28T21:27:10+00:00", "end": "2026-05-28T21:37:08+00:00", "alarms": 13},
    ]
    told = verdicts(found)
    assert told["per_operator_hour"] == "met"
    assert told["peak_10_min"] == "not met"
    assert told["frequent_share"] == "not met"
    assert told["priority_low"] == "met"
    assert (found["median_to_acknowledge_s"], found["never_acknowledged"]) == (300.0, 0)
    assert verdicts(figures(tmp_path / "site.toml", "--operators", "2"))["peak_10_min"] == "met"


def test_a_few_days_are_shown_and_not_judged(tmp_path: Path) -> None:
    site = site_with(tmp_path, 3, alarm_figures={"operators": 2})
    found = figures(site)
    assert set(verdicts(found).values()) == {"not judged: under 30 days"}
    assert found["operators"] == 2
    text = run("alarm-figures", site, "--since", "2026-01-01").stdout
    assert "alarms presented to them: 15" in text
    assert "Under 30 days on record" in text
    assert "time to acknowledge: median 5 min" in text
    assert "below 1 % *" in text
    assert max(map(len, text.splitlines())) <= 120


def test_a_part_of_the_record(tmp_path: Path) -> None:
    found = figures(site_with(tmp_path, 3), "--until", "2026-05-28T21:27:04Z")
    assert found["annunciated"] == 4


def test_nothing_on_record_is_said(tmp_path: Path) -> None:
    site = site_with(tmp_path, 3)
    result = run("alarm-figures", site, "--since", "2020-01-01", "--until", "2020-02-01")
    assert (result.exit_code, result.stderr) == (1, "The record holds nothing of this time.\n")


@pytest.mark.parametrize("number", ["0", "1001"])
def test_so_many_operators_there_are_not(tmp_path: Path, number: str) -> None:
    assert run("alarm-figures", site_with(tmp_path, 3), "--operators", number).exit_code == 2
