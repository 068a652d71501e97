"""test-calls: the last test of each way, on a small real journal."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import Audited, Output
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch
from support.answering import MINUTE_US, T0, TEST_CALL, step
from support.command_line import run, write_site
from support.reachable import reachable

WEEK_US = 7 * 24 * 60 * MINUTE_US


def call(week: int, person: str, channel: str, address: str) -> Output:
    word = f"{person}{channel}{week}"
    return replace(
        TEST_CALL,
        id=f"test-{week}-{word}",
        at_us=T0 + week * WEEK_US,
        person=person,
        channel=channel,
        address=address,
        answer=f"test/{word}",
    )


OUTPUTS: list[Output] = [
    call(0, "ada", "sms", "+00 1"),
    Audited(T0 + MINUTE_US, "ada", "confirm-test", "adasms0"),
    call(1, "ada", "sms", "+00 1"),
    call(1, "ada", "mail", "ada@example.org"),
    Audited(T0 + WEEK_US + 2 * MINUTE_US, "Ada", "confirm-test", "adamail1"),
    call(1, "ben", "sms", "+00 2"),
    step(
        Event.STARTS,
        State.NORMAL,
        State.UNACKNOWLEDGED,
        alarm="callout/test/ben/sms",
        at_us=T0 + WEEK_US + 60 * MINUTE_US,
    ),
]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = write_site(tmp_path, reachable())
    with Journal(tmp_path / "motewatch.db") as journal:
        journal.commit(Batch(outputs=[(BY_TIME, output) for output in OUTPUTS], engine_us=T0))
    return path


def test_the_last_test_of_each_way_and_what_became_of_it(site: Path) -> None:
    result = run("test-calls", site)
    assert (result.exit_code, result.stderr) == (0, "")
    lines = [line.split() for line in result.stdout.splitlines() if line.startswith(("Ada", "Ben"))]
    assert [(line[0], line[1], line[5]) for line in lines] == [
        ("Ada", "mail", "confirmed"),
        ("Ada", "sms", "waiting"),
        ("Ben", "sms", "failed"),
    ]
    assert {line[3] for line in lines} == {"2026-06-04"}


def test_as_json_it_names_test_and_person(site: Path) -> None:
    found = json.loads(run("test-calls", site, "--format", "json").stdout)
    assert found[0] == {
        "person": "ada",
        "name": "Ada",
        "channel": "mail",
        "test": "adamail1",
        "called": "2026-06-04T20:27:00+00:00",
        "confirmed": "2026-06-04T20:29:00+00:00",
        "outcome": "confirmed",
    }
    assert [(one["test"], one["outcome"]) for one in found[1:]] == [("adasms1", "waiting"), ("bensms1", "failed")]


def test_without_any_it_says_so(tmp_path: Path) -> None:
    path = write_site(tmp_path, reachable())
    Journal(tmp_path / "motewatch.db").close()
    assert run("test-calls", path).stdout == "No test call is on record.\n"
