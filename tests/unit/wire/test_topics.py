"""Every topic, made and read."""

from __future__ import annotations

import pytest

from motewatch.wire.topics import Heading, Topics

TOPICS = Topics("motewatch/v1", "demo")


def test_each_topic_has_its_place() -> None:
    assert TOPICS.counts("counter-01") == "motewatch/v1/demo/counts/counter-01"
    assert TOPICS.presence("counter-01") == "motewatch/v1/demo/presence/counter-01"
    assert TOPICS.command == "motewatch/v1/demo/command"
    assert TOPICS.reply("c1") == "motewatch/v1/demo/reply/c1"
    assert TOPICS.sample("line-1") == "motewatch/v1/demo/sample/line-1"
    assert TOPICS.alarm("location/line-1/0.5um/action") == "motewatch/v1/demo/alarm/location/line-1/0.5um/action"
    assert TOPICS.call("ada") == "motewatch/v1/demo/call/ada"
    assert TOPICS.event == "motewatch/v1/demo/event"
    assert TOPICS.service == "motewatch/v1/demo/service"
    assert TOPICS.marker("motewatch-demo") == "motewatch/v1/demo/marker/motewatch-demo"


def test_the_daemon_listens_to_three_filters() -> None:
    assert TOPICS.subscriptions() == [
        "motewatch/v1/demo/counts/+",
        "motewatch/v1/demo/presence/+",
        "motewatch/v1/demo/command",
    ]


def test_topics_of_one_site_are_equal() -> None:
    assert Topics("motewatch/v1", "demo") == TOPICS
    assert Topics("motewatch/v1", "other") != TOPICS
    assert repr(TOPICS) == "Topics(root='motewatch/v1', site='demo')"


def test_what_is_made_is_read() -> None:
    assert TOPICS.read(TOPICS.counts("counter-01")) == (Heading.COUNTS, "counter-01")
    assert TOPICS.read(TOPICS.presence("a_b")) == (Heading.PRESENCE, "a_b")
    assert TOPICS.read(TOPICS.command) == (Heading.COMMAND, "")


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "motewatch/v1/demo",
        "motewatch/v1/demo/counts",
        "motewatch/v1/demo/counts/",
        "motewatch/v1/demo/counts/a/b",
        "motewatch/v1/demo/counts/Counter",
        "motewatch/v1/demo/counts/counter\n",
        "motewatch/v1/demo/counts/-counter",
        "motewatch/v1/demo/counts/" + "a" * 65,
        "motewatch/v1/demo/counts/\ud800",
        "motewatch/v1/demo/command/x",
        "motewatch/v1/demo/sample/line-1",
        "motewatch/v1/other/counts/counter-01",
        "/motewatch/v1/demo/counts/counter-01",
    ],
)
def test_any_other_topic_is_not_ours(topic: str) -> None:
    assert TOPICS.read(topic) is None
