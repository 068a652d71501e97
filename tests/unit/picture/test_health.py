"""Is the service well: each question answered from what was found, and nothing that cannot be told is ever well."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from motewatch.picture.health import Answer, BackupFacts, Facts, Sign, Waiting, findings
from motewatch.wire.records import HOUR_US, MINUTE_US, SECOND_US

NOW = 1_780_000_020_000_000
WELL = Facts(
    now_us=NOW,
    process="812",
    sign=Sign(NOW - SECOND_US, NOW - SECOND_US, NOW - SECOND_US, connected=True),
    last_reading_us=NOW - SECOND_US,
    engine_us=NOW - SECOND_US,
    journal_bytes=12_300_000,
    free_bytes=80_000_000_000,
    fixed_sensors=3,
    callout=True,
    on_call=("Ada", "Ben"),
    calls=4,
)


def sign(
    ago_us: int = SECOND_US, behind_us: int = 0, *, off_us: int = 0, connected: bool = True, trouble: str = ""
) -> Sign:
    """A sign of life from so long ago."""
    at_us = NOW - ago_us
    return Sign(at_us + off_us, at_us, at_us - behind_us, connected, trouble)


UNSEEN = "journal.db.lock may not be looked at"
OLD = NOW - 5 * MINUTE_US
HELD = {"engine_us": OLD}
"""The record has not been written for five minutes."""

DRAINS = {"sign": sign(0, 5 * MINUTE_US), **HELD}
"""It is connected, and what was sent meanwhile still comes."""


def answers(**changes: Any) -> dict[str, tuple[Answer, str]]:
    """Question to answer and text."""
    found = findings(replace(WELL, **changes), ZoneInfo("UTC"))
    return {each.question: (each.answer, each.text) for each in found}


def test_parts_that_are_out_of_use_are_said_and_without_any_channel_nobody_is_reached() -> None:
    one = answers(channels=2, channels_out=("mail",), parts_out=("console", "time-series"))
    assert one["Does the service run?"] == (Answer.SEE_TO, "yes, as process 812, but without: console, time-series")
    answer, text = one["Can people be reached?"]
    assert (answer, text.partition(";")[0]) == (Answer.SEE_TO, "channels out of use: mail")
    assert answers(channels=1, channels_out=("mail",))["Can people be reached?"][0] is Answer.NOT_WELL


def test_all_is_well() -> None:
    assert {question: text for question, (_, text) in answers().items()} == {
        "Does the service run?": "yes, as process 812",
        "Do readings come in?": "3 of 3 fixed sensors are heard; newest 1 s ago",
        "Are they kept?": "up to 20:26:59; journal 12.3 MB, 80.0 GB free",
        "Do they go on?": "nothing waits",
        "Can people be reached?": "on call: Ada, Ben; 4 calls in the last day, 0 failed",
        "Are alarms waiting?": "none unacknowledged; 0 standing",
    }
    assert {answer for answer, _ in answers().values()} == {Answer.WELL}


def test_archives_are_told_and_how_long_the_disk_lasts() -> None:
    began_us = WELL.now_us - 100 * 86_400_000_000
    sizes = {"journal_bytes": 2 * 10**9, "archive_bytes": 8 * 10**9, "free_bytes": 30 * 10**9}
    _, text = answers(**sizes, first_input_us=began_us)["Are they kept?"]
    assert text.endswith("archives 8.0 GB, 30.0 GB free (grew 100.0 MB a day so far: enough for 300 days)")
    _, text = answers(**sizes, first_input_us=WELL.now_us - 86_400_000_000)["Are they kept?"]
    assert text.endswith("30.0 GB free"), "one day tells nothing"


@pytest.mark.parametrize(
    ("changes", "question", "answer", "says"),
    [
        ({"process": None}, "Does the service run?", Answer.NOT_WELL, "start it"),
        ({"process": None}, "Do readings come in?", Answer.CANNOT_TELL, "newest 1 s ago"),
        ({"process": None, "sign": None, **HELD}, "Are they kept?", Answer.WELL, "up to 20:22:00"),
        ({"process": None}, "Can people be reached?", Answer.NOT_WELL, "nobody is called: "),
        ({"process": None, "unseen": UNSEEN}, "Does the service run?", Answer.CANNOT_TELL, UNSEEN),
        ({"process": None, "unseen": UNSEEN}, "Do readings come in?", Answer.CANNOT_TELL, "nobody can say whether"),
        ({"process": None, "unseen": UNSEEN}, "Are they kept?", Answer.CANNOT_TELL, "nobody can say whether"),
        ({"process": None, "unseen": UNSEEN}, "Do they go on?", Answer.CANNOT_TELL, "nobody can say whether"),
        ({"process": None, "unseen": UNSEEN}, "Can people be reached?", Answer.CANNOT_TELL, "nobody can say whether"),
        ({"process": None, "unseen": UNSEEN}, "Are alarms waiting?", Answer.CANNOT_TELL, "nobody can say whether"),
        ({"last_reading_us": None}, "Do readings come in?", Answer.CANNOT_TELL, "nothing has ever come"),
        ({"last_reading_us": None, "archive_bytes": 9}, "Do readings come in?", Answer.CANNOT_TELL, "are in archives"),
        ({"sign": sign(connected=False)}, "Do readings come in?", Answer.NOT_WELL, "the broker is not reached"),
        ({"sign": None, "broker_down": True}, "Do readings come in?", Answer.NOT_WELL, "the broker is not reached"),
        ({"broker_down": True}, "Do readings come in?", Answer.WELL, "3 of 3"),
        # It hangs: whatever the record says is from before.
        ({"sign": sign(69 * SECOND_US)}, "Does the service run?", Answer.NOT_WELL, "no sign of life for 69 s"),
        (
            {"sign": sign(69 * SECOND_US)},
            "Do readings come in?",
            Answer.CANNOT_TELL,
            "the service hangs; newest 1 s ago",
        ),
        ({"sign": sign(69 * SECOND_US)}, "Are they kept?", Answer.NOT_WELL, "behind: the service hangs"),
        ({"sign": sign(69 * SECOND_US)}, "Can people be reached?", Answer.NOT_WELL, "nobody is called: "),
        ({"sign": sign(-3600 * SECOND_US)}, "Does the service run?", Answer.NOT_WELL, "no sign of life"),
        ({"sign": sign(29 * SECOND_US)}, "Does the service run?", Answer.WELL, "yes"),
        ({"sign": sign(69 * SECOND_US)}, "Do they go on?", Answer.CANNOT_TELL, "nothing new goes on: "),
        ({"sign": sign(69 * SECOND_US)}, "Are alarms waiting?", Answer.CANNOT_TELL, "on record, but the service hangs"),
        ({"process": None}, "Do they go on?", Answer.CANNOT_TELL, "nothing new goes on: "),
        ({"process": None}, "Are alarms waiting?", Answer.CANNOT_TELL, "on record, but no service runs; 0 standing"),
        # It says itself what is wrong.
        (
            {"sign": sign(trouble="disk full")},
            "Can people be reached?",
            Answer.NOT_WELL,
            'only the call "Not on record',
        ),
        ({"sign": sign(trouble="disk full")}, "Do they go on?", Answer.CANNOT_TELL, "nothing new goes on: disk full"),
        ({"sign": sign(trouble="disk full")}, "Are alarms waiting?", Answer.CANNOT_TELL, "but disk full"),
        # Another command holds the journal, and has for five minutes.
        ({"sign": None, **HELD}, "Can people be reached?", Answer.NOT_WELL, "nobody is called: no service has written"),
        ({"sign": None, **HELD}, "Do they go on?", Answer.CANNOT_TELL, "nothing new goes on: no service has written"),
        # Time stands still until all is here that waited at the broker.
        (
            DRAINS,
            "Can people be reached?",
            Answer.NOT_WELL,
            "nobody is called: what waited at the broker is read first",
        ),
        (DRAINS, "Do they go on?", Answer.SEE_TO, "nothing new goes on: what waited"),
        (DRAINS, "Are alarms waiting?", Answer.CANNOT_TELL, "what waited at the broker is read first"),
        ({**DRAINS, "callout": False}, "Can people be reached?", Answer.NOT_SET_UP, "calls nobody"),
        ({"sign": sign(connected=False)}, "Can people be reached?", Answer.WELL, "on call: Ada"),
        ({"sign": sign(connected=False)}, "Do they go on?", Answer.SEE_TO, "the broker is not reached; nothing waits"),
        (
            {"sign": sign(connected=False), "waiting": {"mqtt": Waiting(64, NOW - 36 * SECOND_US)}},
            "Do they go on?",
            Answer.SEE_TO,
            "the broker is not reached; mqtt: 64 waiting, the oldest for 36 s",
        ),
        ({"sign": sign(trouble="disk full")}, "Do readings come in?", Answer.CANNOT_TELL, "disk full; newest 1 s ago"),
        ({"sign": sign(trouble="disk full"), **HELD}, "Are they kept?", Answer.NOT_WELL, "5 min behind: disk full"),
        (
            {"sign": sign(0, 5 * MINUTE_US), **HELD},
            "Are they kept?",
            Answer.SEE_TO,
            "what waited at the broker is read first",
        ),
        (
            {"sign": sign(0, 5 * MINUTE_US, connected=False), **HELD},
            "Are they kept?",
            Answer.SEE_TO,
            "waits for the broker",
        ),
        # It lives and had nothing to write.
        (HELD, "Are they kept?", Answer.WELL, "up to 20:26:59"),
        # It is starting, or something else holds the journal.
        ({"sign": None}, "Does the service run?", Answer.CANNOT_TELL, "still starting"),
        (
            {"sign": None, **HELD},
            "Do readings come in?",
            Answer.CANNOT_TELL,
            "no service has written the record lately",
        ),
        ({"sign": None, **HELD}, "Are they kept?", Answer.NOT_WELL, "behind: no service has written"),
        (
            {"sign": sign(off_us=7200 * SECOND_US)},
            "Does the service run?",
            Answer.SEE_TO,
            "clock is 2 h 00 min ahead of",
        ),
        (
            {"sign": sign(off_us=-7200 * SECOND_US)},
            "Does the service run?",
            Answer.SEE_TO,
            "clock is 2 h 00 min behind the",
        ),
        (
            {"silent_sensors": ["pc-2"]},
            "Do readings come in?",
            Answer.SEE_TO,
            "2 of 3 fixed sensors are heard, silent: pc-2",
        ),
        ({"silent_sensors": ["a", "b", "c"]}, "Do readings come in?", Answer.NOT_WELL, "0 of 3"),
        ({"unusable": 7}, "Do readings come in?", Answer.SEE_TO, "7 messages of the last hour"),
        ({"engine_us": None}, "Are they kept?", Answer.CANNOT_TELL, "nothing is on record"),
        ({"free_bytes": 1_500_000_000}, "Are they kept?", Answer.SEE_TO, "room is getting scarce"),
        ({"free_bytes": 20_000_000}, "Are they kept?", Answer.NOT_WELL, "nearly full"),
        ({"waiting": {"mqtt": Waiting(3, NOW - SECOND_US)}}, "Do they go on?", Answer.WELL, "mqtt: 3 waiting"),
        ({"waiting": {"call/mail": Waiting(1, NOW - 9 * MINUTE_US)}}, "Do they go on?", Answer.SEE_TO, "call/mail: 1"),
        ({"time_series_down": True}, "Do they go on?", Answer.SEE_TO, "time-series database is not reached"),
        ({"callout": False}, "Can people be reached?", Answer.NOT_SET_UP, "calls nobody"),
        ({"nobody_on_call": ["night"]}, "Can people be reached?", Answer.NOT_WELL, "nobody on call in night"),
        ({"nobody_reached": True}, "Can people be reached?", Answer.NOT_WELL, "nobody was reached"),
        ({"failed_calls": 2}, "Can people be reached?", Answer.SEE_TO, "2 failed"),
        ({"failing_tests": ["callout/test/ada/sms"]}, "Can people be reached?", Answer.SEE_TO, "callout/test/ada/sms"),
        ({"backup": BackupFacts(NOW - 2 * HOUR_US)}, "Are backups made?", Answer.WELL, "the newest is 2 h 00 min old"),
        (
            {"backup": BackupFacts(NOW - 37 * HOUR_US)},
            "Are backups made?",
            Answer.SEE_TO,
            "the newest is 37 h 00 min old",
        ),
        ({"backup": BackupFacts(None)}, "Are backups made?", Answer.SEE_TO, "there is none"),
        (
            {"backup": BackupFacts(NOW, failed=True)},
            "Are backups made?",
            Answer.SEE_TO,
            "the last try failed; the newest is 0 s",
        ),
        (
            {"backup": BackupFacts(None, folder=False)},
            "Are backups made?",
            Answer.SEE_TO,
            "the backup folder is not there",
        ),
        (
            {"backup": BackupFacts(None, unread="may not be read")},
            "Are backups made?",
            Answer.CANNOT_TELL,
            "may not be read",
        ),
        (
            {"backup": BackupFacts(None, True, unread="may not be read")},
            "Are backups made?",
            Answer.SEE_TO,
            "the last try failed; may not be read",
        ),
        ({"archives_fail": True}, "Are they kept?", Answer.SEE_TO, "archives could not be made: journal 12.3 MB"),
        (
            {"open_alarms": {"high": 2, "medium": 0, "low": 1}, "standing_alarms": 5},
            "Are alarms waiting?",
            Answer.SEE_TO,
            "not acknowledged: 2 of high priority, 1 of low priority; 5 standing",
        ),
    ],
)
def test_what_is_wrong_is_said(changes: dict[str, Any], question: str, answer: Answer, says: str) -> None:
    found, text = answers(**changes)[question]
    assert found is answer
    assert says in text
    assert found.sign in "✖▲?✓–"
