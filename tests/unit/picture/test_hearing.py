"""From bytes to messages: the good ones, the newer ones, and the ones that make no sense."""

from __future__ import annotations

import json

import pytest

from motewatch.picture.hearing import MAX_BYTES, Cleared, Unreadable, filters, hear
from motewatch.wire import examples
from motewatch.wire.messages import AlarmEventMessage, AlarmMessage, Outgoing, SampleMessage, ServiceMessage
from motewatch.wire.topics import Topics

TOPICS = Topics("motewatch/v1", "demo")
ALARM = examples.ALARM[0]
CASES: list[tuple[str, dict[str, object], type[Outgoing]]] = [
    (TOPICS.sample("filling-line-1"), examples.SAMPLE[0], SampleMessage),
    (TOPICS.alarm(ALARM["alarm"]), ALARM, AlarmMessage),
    (TOPICS.event, examples.EVENT[0], AlarmEventMessage),
    (TOPICS.service, examples.SERVICE[0], ServiceMessage),
]


@pytest.mark.parametrize(("topic", "body", "model"), CASES)
def test_each_message_is_known_by_its_topic(topic: str, body: dict[str, object], model: type[Outgoing]) -> None:
    assert hear(TOPICS, topic, json.dumps(body).encode()) == model.model_validate_json(json.dumps(body))


@pytest.mark.parametrize(("topic", "body", "model"), CASES)
def test_keys_of_a_later_daemon_are_passed_over(topic: str, body: dict[str, object], model: type[Outgoing]) -> None:
    heard = hear(TOPICS, topic, json.dumps({**body, "invented-later": [1]}).encode())
    assert isinstance(heard, model)


def test_another_version_is_not_guessed_at() -> None:
    heard = hear(TOPICS, TOPICS.service, json.dumps({**examples.SERVICE[0], "v": 2}).encode())
    assert isinstance(heard, Unreadable)
    assert heard.why.startswith("v: ")


@pytest.mark.parametrize("payload", [b"not json", b"\xff\xfe", b"[]", b"{}", b"x" * (MAX_BYTES + 1)])
@pytest.mark.parametrize("topic", [case[0] for case in CASES])
def test_nonsense_is_told_and_never_raised(topic: str, payload: bytes) -> None:
    heard = hear(TOPICS, topic, payload)
    assert isinstance(heard, Unreadable)
    assert heard.topic == topic
    assert len(heard.why) < 300


def test_an_emptied_alarm_is_cleared_and_other_emptied_topics_say_nothing() -> None:
    assert hear(TOPICS, TOPICS.alarm("a/b"), b"") == Cleared("a/b")
    assert hear(TOPICS, TOPICS.service, b"") is None
    assert hear(TOPICS, TOPICS.sample("x"), b"") is None


def test_a_message_on_the_topic_of_another_is_not_believed() -> None:
    other = hear(TOPICS, TOPICS.sample("elsewhere"), json.dumps(examples.SAMPLE[0]).encode())
    assert other == Unreadable(TOPICS.sample("elsewhere"), "it speaks of another location: filling-line-1")
    other = hear(TOPICS, TOPICS.alarm("other"), json.dumps(ALARM).encode())
    assert isinstance(other, Unreadable)


def test_control_characters_of_a_topic_do_not_reach_the_screen() -> None:
    heard = hear(TOPICS, "motewatch/v1/demo/\x1b[2Jx", b"{}")
    assert isinstance(heard, Unreadable)
    assert "\x1b" not in heard.topic


def test_the_service_is_subscribed_to_last() -> None:
    # Its retained presence ends the time in which nobody can tell; the retained alarms must be there by then.
    assert filters(TOPICS)[-1] == TOPICS.service
    assert TOPICS.alarm("#") in filters(TOPICS)
