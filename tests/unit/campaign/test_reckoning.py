"""What the campaign's reckoning makes of readings that were refused at first and came again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from campaign.reckoning import refused_readings, too_early
from campaign.stream import TOPICS, CampaignStream
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch, DeadLetter, InputRow
from motewatch.wire.records import HOUR_US, SECOND_US
from support.crash_stream import PERIOD_US, Message

START_US = 1_800_000_000_000_000 // PERIOD_US * PERIOD_US


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.db", site="crash") as opened:
        yield opened


def from_a_clock_an_hour_ahead() -> Message:
    """One of the stream."""
    stream = CampaignStream(7, TOPICS, START_US)
    while True:
        for message in stream.next_period():
            if message.reading.end_us - message.send_us > HOUR_US - SECOND_US:
                return message


def refused(message: Message) -> DeadLetter:
    return DeadLetter(message.send_us, message.topic, message.payload, "in-the-future", "an hour", message.key[0])


def taken(message: Message, received_us: int) -> InputRow:
    sensor, boot, seq = message.key
    return InputRow(
        0,
        "message",
        received_us,
        received_us,
        message.topic,
        message.payload,
        sensor,
        boot,
        seq,
        message.reading.start_us,
    )


def test_a_refused_reading_counts_as_refused(journal: Journal) -> None:
    message = from_a_clock_an_hour_ahead()
    journal.commit(Batch(dead_letters=[refused(message)], engine_us=message.send_us))
    assert refused_readings(journal, [message]) == ({message.key}, {})


def test_one_that_came_again_when_its_time_had_come_counts_as_taken(journal: Journal) -> None:
    message = from_a_clock_an_hour_ahead()
    later_us = message.reading.end_us + SECOND_US
    journal.commit(Batch(dead_letters=[refused(message)], engine_us=message.send_us))
    journal.commit(Batch([taken(message, later_us)], engine_us=later_us))
    again = replace(message, send_us=later_us)
    still, at_last = refused_readings(journal, [message, again])
    assert (still, set(at_last)) == (set(), {message.key})
    assert too_early(at_last, [message, again]) == []


def test_one_that_was_taken_before_its_time_is_wrong(journal: Journal) -> None:
    message = from_a_clock_an_hour_ahead()
    early_us = message.send_us + 60 * SECOND_US
    journal.commit(Batch([taken(message, early_us)], dead_letters=[refused(message)], engine_us=early_us))
    _, at_last = refused_readings(journal, [message])
    (said,) = too_early(at_last, [message])
    assert "was refused at first, and taken" in said
