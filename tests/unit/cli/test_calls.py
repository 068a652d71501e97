"""calls: who was told what, when, why and over which way, from a small real journal."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest

from motewatch.alarms.lifecycle import Event, State
from motewatch.callout.records import Cause, Delivered, Outcome
from motewatch.engine.codec import encode_internal
from motewatch.engine.records import AlarmChanged, Audited, Output, Priority
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, InputRow
from support.calls import ALARM, CALL, FACT, MINUTE_US, T0
from support.command_line import run, write_site
from support.reachable import reachable

OTHER = replace(FACT, alarm="location/prep-1/0.5um/alert", priority="low")
CLIMBED = replace(
    CALL, id="call-2", at_us=T0 + 5 * MINUTE_US, found_us=T0 + 6 * MINUTE_US, cause=Cause.CLIMBED, person="ben",
    facts=(FACT, OTHER), note="Told before, without acknowledgement: Ada.",
)  # fmt: skip
STRANGER = replace(
    CLIMBED, id="call-3", person="gone", cause=Cause.TEST, facts=(), note="This is a test call.", answer="test/k7m2qx4c"
)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = write_site(tmp_path, reachable())
    delivered = Delivered(CALL.id, Outcome.GIVEN_UP, T0 + 5 * MINUTE_US, 3, "no answer within 10 s")
    row = InputRow(0, "delivered", delivered.at_us, delivered.at_us, "", encode_internal(delivered))
    with Journal(tmp_path / "motewatch.db", site="testing") as journal:
        journal.commit(Batch(outputs=[(BY_TIME, CALL)], engine_us=T0))
        journal.commit(Batch([row], [(0, CLIMBED), (0, STRANGER)], engine_us=T0 + 6 * MINUTE_US))
        raised = AlarmChanged(
            OTHER.alarm, "count", Priority.LOW, Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED, T0, T0, "too many"
        )
        answers: list[Output] = [
            raised,
            Audited(T0 + 7 * MINUTE_US, "ben", "answer-by-link", CLIMBED.id, "acknowledge"),
            Audited(T0 + 8 * MINUTE_US, "ada", "answer-by-link", CLIMBED.id, "shelve"),
            Audited(T0 + 8 * MINUTE_US, "gone", "confirm-test", "k7m2qx4c", ""),
        ]
        journal.commit(Batch(outputs=[(BY_TIME, each) for each in answers], engine_us=T0 + 8 * MINUTE_US))
    return path


def test_the_table_says_who_when_why_over_which_way_and_what_became_of_it(site: Path) -> None:
    result = run("calls", site)
    assert result.exit_code == 0, result.output
    lines = [line.split("  ") for line in result.stdout.splitlines()]
    told = [[cell.strip() for cell in line if cell.strip()] for line in lines]
    assert told[0] == ["at", "person", "why", "over", "about", "outcome", "answered by"]
    assert told[2] == [
        "2026-05-28 20:27:00", "Ada", "raised", "sms", ALARM,
        "given-up 2026-05-28 20:32:00 after 3 tries: no answer within 10 s", "-",
    ]  # fmt: skip
    assert told[3] == [
        "2026-05-28 20:32:00",
        "Ben",
        "climbed",
        "sms",
        f"{ALARM} and 1 more",
        "waiting",
        "Ben 2026-05-28 20:34:00",
    ]
    assert told[4][1:] == ["gone", "test", "sms", "This is a test call.", "waiting", "gone 2026-05-28 20:35:00"]


def test_json_and_csv_keep_everything(site: Path) -> None:
    records = json.loads(run("calls", site, "--format", "json").stdout)
    assert records[0] == {
        "id": "call-1", "at": "2026-05-28T20:27:00Z", "found": "2026-05-28T20:27:00Z", "person": "ada", "name": "Ada",
        "cause": "raised", "channel": "sms", "address": "+00 1", "urgent": True, "alarms": [ALARM], "note": "",
        "outcome": "given-up", "outcome_at": "2026-05-28T20:32:00Z", "attempts": 3, "detail": "no answer within 10 s",
        "answered_by": None, "answered_at": None,
    }  # fmt: skip
    assert records[1]["alarms"] == [ALARM, OTHER.alarm]
    assert (records[1]["outcome"], records[1]["outcome_at"], records[1]["attempts"]) == ("waiting", None, None)
    assert records[1]["found"] == "2026-05-28T20:33:00Z"
    assert (records[1]["answered_by"], records[1]["answered_at"]) == ("ben", "2026-05-28T20:34:00Z")
    rows = list(csv.DictReader(io.StringIO(run("calls", site, "--format", "csv").stdout)))
    assert [row["alarms"] for row in rows] == [ALARM, f"{ALARM};{OTHER.alarm}", ""]
    assert rows[0]["detail"] == "no answer within 10 s"


def test_by_person_alarm_time_and_number(site: Path) -> None:
    def ids(*options: str) -> list[str]:
        return [record["id"] for record in json.loads(run("calls", site, *options, "--format", "json").stdout)]

    assert ids("--person", "ben") == ["call-2"]
    assert ids("--alarm", OTHER.alarm) == ["call-2"]
    assert ids("--until", "2026-05-28T20:30") == ["call-1"]
    assert ids("--since", "2026-05-28T20:30") == ["call-2", "call-3"]
    limited = run("calls", site, "--limit", "2")
    assert "the newest 2" in limited.stderr


def test_where_nobody_was_told(site: Path) -> None:
    assert run("calls", site, "--person", "ada", "--until", "2026-05-01").stdout == "No call on record for this.\n"


def test_persons_go_by_name_too_and_a_typo_is_told(site: Path) -> None:
    def ids(*options: str) -> list[str]:
        return [record["id"] for record in json.loads(run("calls", site, *options, "--format", "json").stdout)]

    assert ids("--person", "BEN") == ["call-2"]
    assert ids("--person", "gone") == ["call-3"], "somebody who is in the site file no more"
    for options, words in (
        (["--person", "bem"], "known: ada (Ada), ben (Ben), gone"),
        (["--alarm", OTHER.alarm.replace("alert", "alart")], f"did you mean {OTHER.alarm}?"),
        (["--alarm", "xyz"], "motewatch alarms --history"),
    ):
        result = run("calls", site, *options)
        assert result.exit_code == 2
        assert words in " ".join(result.output.replace("│", " ").split())
