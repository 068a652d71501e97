"""A wrong command that names itself can be answered; nothing else can."""

from __future__ import annotations

import pytest

from motewatch.wire.decode import decode
from motewatch.wire.records import Refusal
from motewatch.wire.topics import Topics

TOPICS = Topics("motewatch/v1", "testing")


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        (b'{"v":1,"id":"c-1","command":"acknowledge","by":"ada"}', "c-1"),
        (b'{"v":1,"id":"c-1","command":"dance","by":"ada"}', "c-1"),
        (b'{"v":1,"id":"../x","command":"acknowledge","by":"ada"}', None),
        (b'{"v":1,"id":7,"command":"acknowledge","by":"ada"}', None),
        (b'["c-1"]', None),
        (b'{"id":"c-1"', None),
        (b"[" * 60_000, None),
    ],
)
def test_the_id_of_a_wrong_command(payload: bytes, expected: str | None) -> None:
    refusal = decode(TOPICS, TOPICS.command, payload)
    assert isinstance(refusal, Refusal)
    assert refusal.command_id == expected


def test_a_wrong_reading_is_not_answered() -> None:
    refusal = decode(TOPICS, TOPICS.counts("pc-1"), b'{"v":1,"id":"c-1","sensor":"pc-1"}')
    assert isinstance(refusal, Refusal)
    assert refusal.command_id is None
