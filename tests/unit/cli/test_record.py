"""samples, alarms, dead-letters, audit and verify on a small real journal."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import AlarmChanged, Audited, Output, Priority, SampleTaken
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, DeadLetter
from motewatch.links.clock import Clock
from motewatch.measure.samples import Channel, Quality, Sample, Spread
from motewatch.wire.messages import SampleMessage
from motewatch.wire.records import HOUR_US, MINUTE_US
from support.command_line import run, write_site
from support.facility import T0, site_dict

ACTION = "location/fill-1/0.5um/action"


def taken(location: str, minute: int, count: int, revision: int = 1, quality: Quality = Quality.GOOD) -> SampleTaken:
    end_us = T0 + minute * MINUTE_US
    air = not quality & Quality.MISSING
    return SampleTaken(
        Sample(
            location=location,
            start_us=end_us - MINUTE_US,
            end_us=end_us,
            revision=revision,
            channels=(Channel(500, count, 28_300_000), Channel(5000, 0, 28_300_000)) if air else (),
            sampled_us=MINUTE_US if air else 0,
            readings=6 if air else 0,
            sensors=("pc-1",) if air else (),
            quality=quality,
            occupancy="operational",
            temperature=Spread(2, 41_000, 20_400, 20_600) if air else None,
        )
    )


def step(event: Event, before: State, after: State, minute: int, **more: Any) -> AlarmChanged:
    return AlarmChanged(
        alarm=ACTION, kind="count-action", priority=Priority.HIGH, event=event, before=before, after=after,
        at_us=T0 + minute * MINUTE_US, found_us=T0 + minute * MINUTE_US + 2_000_000,
        text="Needle side: 4 841 particles/m3 >= 0.5 um, above the action level of 3 520", value=4841.0, limit=3520.0,
        unit="/m3", location="fill-1", sensor="pc-1", room="fill", area="north", **more,
    )  # fmt: skip


OUTPUTS: list[Output] = [
    taken("fill-1", 1, 10),
    taken("fill-1", 2, 137),
    step(Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED, 2),
    taken("prep-2", 2, 0, quality=Quality.MISSING),
    step(Event.ACKNOWLEDGE, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, 3, by="M. Okafor", comment="Door."),
    Audited(T0 + 3 * MINUTE_US, "M. Okafor", "acknowledge", ACTION, "Door."),
    taken("fill-1", 1, 12, revision=2),
]
LETTERS = [
    DeadLetter(T0, "motewatch/v1/testing/counts/pc-1", b"{not json}", "not-json", "message: is no JSON", None),
    DeadLetter(T0 + 1, "motewatch/v1/testing/counts/pc-1", b"\xff\x00", "not-json", "message: is no UTF-8", None),
]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site file with a journal beside it."""
    with Journal(tmp_path / "motewatch.db", site="testing") as journal:
        outputs = [(BY_TIME, output) for output in OUTPUTS]
        journal.commit(Batch(outputs=outputs, dead_letters=LETTERS, engine_us=T0 + HOUR_US))
    return write_site(tmp_path, site_dict())


def test_samples_as_a_table_have_local_times_and_a_column_for_each_size(site: Path) -> None:
    result = run("samples", site)
    assert result.exit_code == 0
    assert result.stdout == (
        "end                  location  rev  state        coverage  >=0.5 um /m3  >=5 um /m3     C  quality\n"
        "-------------------  --------  ---  -----------  --------  ------------  ----------  ----  -------\n"
        "2026-05-28 20:28:00  fill-1      2  operational     100 %           424           0  20.5\n"
        "2026-05-28 20:29:00  fill-1      1  operational     100 %         4 841           0  20.5\n"
        "2026-05-28 20:29:00  prep-2      1  operational       0 %             -           -     -  missing\n"
    )


def test_samples_for_programs_are_the_published_messages(site: Path) -> None:
    found = json.loads(run("samples", site, "--format", "json").stdout)
    messages = [SampleMessage.model_validate_json(json.dumps(each)) for each in found]
    assert [(each.location, each.revision, each.room) for each in messages] == [
        ("fill-1", 2, "fill"), ("fill-1", 1, "fill"), ("prep-2", 1, "prep"),
    ]  # fmt: skip
    assert messages[1].channels[0].count == 137
    assert messages[1].channels[0].per_m3 == pytest.approx(137 / 0.0283, rel=1e-12)


def test_samples_for_spreadsheets_have_a_line_for_each_size_and_one_for_a_missing_sample(site: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(run("samples", site, "--format", "csv").stdout)))
    assert [(row["location"], row["revision"], row["size_um"], row["count"]) for row in rows] == [
        ("fill-1", "2", "0.5", "12"), ("fill-1", "2", "5.0", "0"),
        ("fill-1", "1", "0.5", "137"), ("fill-1", "1", "5.0", "0"),
        ("prep-2", "1", "", ""),
    ]  # fmt: skip
    assert rows[2]["end"] == "2026-05-28T20:29:00Z"
    assert rows[2]["temperature_c_mean"] == "20.5"
    assert rows[4]["quality"] == "missing"


def counts(result: object) -> list[int]:
    return [each["channels"][0]["count"] if each["channels"] else -1 for each in json.loads(result.stdout)]  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (["--location", "fill-1"], [12, 137]),
        (["--location", "fill-1", "--revisions"], [10, 12, 137]),
        (["--since", "2026-05-28T20:29"], [137, -1]),
        (["--until", "2026-05-28T20:29Z"], [12]),
        (["--since", "2026-05-28T22:28:30+02:00", "--until", "2026-05-28T20:30"], [137, -1]),
        (["--limit", "1", "--location", "fill-1"], [137]),
    ],
)
def test_samples_can_be_chosen(site: Path, options: list[str], expected: list[int]) -> None:
    assert counts(run("samples", site, "--format", "json", *options)) == expected


def test_an_age_is_counted_from_now(tmp_path: Path) -> None:
    now_us = Clock().now_us()
    minutes = [(now_us - T0) // MINUTE_US - back for back in (170, 70, 2)]
    with Journal(tmp_path / "motewatch.db", site="testing") as journal:
        outputs: list[tuple[int, Output]] = [
            (BY_TIME, taken("fill-1", minute, number)) for number, minute in enumerate(minutes)
        ]
        journal.commit(Batch(outputs=outputs, engine_us=now_us))
    site = write_site(tmp_path, site_dict())
    assert counts(run("samples", site, "--format", "json", "--since", "-2h")) == [1, 2]
    assert counts(run("samples", site, "--format", "json", "--since=-30m")) == [2]
    assert counts(run("samples", site, "--format", "json", "--until", "-1h")) == [0, 1]


def test_a_limit_that_was_reached_is_said_beside_the_listing(site: Path) -> None:
    result = run("samples", site, "--limit", "2", "--format", "csv")
    assert result.stderr == "These are the newest 2; there may be more: give a larger --limit.\n"
    assert "larger" not in result.stdout


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--location", "nowhere"], "no location 'nowhere' in this site; there are fill-1, prep-1, prep-2"),
        (["--since", "yesterday"], "'yesterday' is no time"),
        (["--since", "-1h", "--until", "-2h"], "--until must be later than --since"),
        (["--limit", "0"], "--limit"),
        (["--format", "xml"], "--format"),
    ],
)
def test_options_that_make_no_sense(site: Path, options: list[str], message: str) -> None:
    result = run("samples", site, *options)
    assert result.exit_code == 2
    assert message in result.stderr
    assert result.stdout == ""


def test_standing_alarms(site: Path) -> None:
    result = run("alarms", site)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[0].split() == ["since", "priority", "alarm", "state", "value", "limit", "by", "text"]
    assert lines[2].startswith(
        f"2026-05-28 20:30:00  high      {ACTION}  acknowledged  4 841/m3  3 520  M. Okafor  Needle"
    )
    assert lines[2].endswith('"Door."')
    assert len(lines) == 3


def test_hidden_alarms_are_listed_apart_with_until_when_by_whom_and_why(tmp_path: Path) -> None:
    shelved = replace(
        step(Event.SHELVE, State.NORMAL, State.SHELVED, 3),
        active=True,
        until_us=T0 + HOUR_US,
        hidden_because="Pump is being changed",
        hidden_by="ada",
    )
    away = replace(
        step(Event.REMOVE_FROM_SERVICE, State.NORMAL, State.OUT_OF_SERVICE, 4),
        alarm="sensor/pc-1/silent",
        active=False,
        hidden_by="ben",
        permit="WP-114",
    )
    with Journal(tmp_path / "motewatch.db") as journal:
        journal.commit(Batch(outputs=[(BY_TIME, shelved), (BY_TIME, away)], engine_us=T0 + HOUR_US))
    site = write_site(tmp_path, site_dict())
    lines = run("alarms", site).stdout.splitlines()
    assert lines[:3] == ["No alarm stands.", "", "Not annunciated, and evaluated all the same:"]
    assert lines[3].split() == ["state", "alarm", "priority", "condition", "until", "by", "permit", "why"]
    assert lines[5].split()[:7] == ["shelved", ACTION, "high", "active", "2026-05-28", "21:27:00", "ada"]
    assert lines[5].endswith("Pump is being changed")
    assert lines[6].split() == ["out-of-service", "sensor/pc-1/silent", "high", "normal", "ben", "WP-114"]
    records = json.loads(run("alarms", site, "--format", "json").stdout)
    assert [(one["state"], one["until"], one["permit"]) for one in records] == [
        ("shelved", "2026-05-28T21:27:00Z", ""),
        ("out-of-service", None, "WP-114"),
    ]


def test_the_history_has_every_step(site: Path) -> None:
    for options in (["--history"], ["--alarm", ACTION], ["--since", "2026-05-28"]):
        found = json.loads(run("alarms", site, "--format", "json", *options).stdout)
        assert [(each["event"], each["before"], each["state"]) for each in found] == [
            ("starts", "normal", "unacknowledged"),
            ("acknowledge", "unacknowledged", "acknowledged"),
        ]
        assert found[1]["since"] == "2026-05-28T20:30:00Z"
        assert (found[1]["by"], found[1]["comment"]) == ("M. Okafor", "Door.")
    rows = list(csv.DictReader(io.StringIO(run("alarms", site, "--history", "--format", "csv").stdout)))
    assert [row["event"] for row in rows] == ["starts", "acknowledge"]
    assert run("alarms", site, "--alarm", "other").stdout == "No alarm on record for this.\n"


def test_dead_letters_keep_their_bytes(site: Path) -> None:
    found = json.loads(run("dead-letters", site, "--format", "json").stdout)
    assert [(each["payload"], each["payload_base64"]) for each in found] == [("{not json}", None), (None, "/wA=")]
    lines = run("dead-letters", site).stdout.splitlines()
    assert lines[2].split() == [
        "2026-05-28", "20:27:00", "motewatch/v1/testing/counts/pc-1", "10", "not-json", "message:", "is", "no", "JSON",
    ]  # fmt: skip


def test_the_audit_trail(site: Path) -> None:
    found = json.loads(run("audit", site, "--format", "json").stdout)
    assert [(each["by"], each["action"], each["subject"]) for each in found] == [("M. Okafor", "acknowledge", ACTION)]
    assert len(found[0]["hash"]) == 64
    assert "M. Okafor  acknowledge" in run("audit", site).stdout


def test_verify_of_a_sound_and_of_a_changed_record(site: Path) -> None:
    result = run("verify", site)
    assert (result.exit_code, result.stdout.splitlines()) == (
        0,
        [
            "The record is in order: 0 inputs and 7 outputs.",
            "The chain of 1 seals covers all of it.",
            "Not compared with anchors kept elsewhere (--anchors).",
        ],
    )
    with closing(sqlite3.connect(site.parent / "motewatch.db")) as connection, connection:
        triggers = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]
        for name in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("UPDATE audit SET who = 'somebody else'")
    result = run("verify", site)
    assert result.exit_code == 1
    assert "audit" in result.stdout
    assert "in the record." in result.stdout.splitlines()[-1]


@pytest.mark.parametrize("command", ["samples", "alarms", "dead-letters", "audit", "verify"])
def test_without_a_journal(tmp_path: Path, command: str) -> None:
    site = write_site(tmp_path, site_dict())
    result = run(command, site)
    assert result.exit_code == 1
    assert result.stderr.startswith(f"motewatch: {tmp_path / 'motewatch.db'}: no journal here.")
    assert not (tmp_path / "motewatch.db").exists()


def test_the_journal_of_another_site_is_refused(site: Path) -> None:
    changed = site_dict(site={"id": "other", "name": "Other", "time_zone": "UTC"})
    result = run("samples", write_site(site.parent, changed))
    assert result.exit_code == 1
    assert "this is the journal of site 'testing', not of 'other'" in result.stderr
