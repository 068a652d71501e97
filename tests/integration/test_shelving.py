"""Shelving over a real broker: the alarm is hidden, says until when and why, and comes back by itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from motewatch.links.publications import iso
from motewatch.service import Service
from motewatch.wire.records import SECOND_US
from support.live import ABOVE, ACTION, TOPICS, command, now_us, spot, steps, until_said
from support.mqtt_peer import Peer

pytestmark = pytest.mark.broker


def test_a_shelved_alarm_says_until_when_and_comes_back_by_itself(service: Service, peer: Peer, tmp_path: Path) -> None:
    peer.publish(*spot(0, ABOVE))
    until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "unacknowledged")
    until_us = now_us() + 3 * SECOND_US
    order = command("shelve-1", "shelve", alarm=ACTION, until=iso(until_us), comment="Being mended")
    peer.publish(TOPICS.command, order)
    reply = until_said(peer, TOPICS.reply("shelve-1"), lambda one: True)
    assert reply["accepted"], reply
    state = until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "shelved")
    assert (state["until"], state["hidden_because"], state["active"]) == (iso(until_us), "Being mended", True)
    back = until_said(peer, TOPICS.event, lambda one: one["event"] == "unshelve-active")
    assert (back["after"], back["since"]) == ("unacknowledged", iso(until_us))
    assert "until" not in back
    wanted = ["starts", "shelve", "unshelve-active"]
    assert [step.event.value for step in steps(tmp_path, ACTION)] == wanted


def test_a_shelving_that_is_too_long_is_refused_with_the_most_that_is_allowed(service: Service, peer: Peer) -> None:
    peer.publish(*spot(0, ABOVE))
    until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "unacknowledged")
    until = iso(now_us() + 24 * 3600 * SECOND_US)
    peer.publish(TOPICS.command, command("shelve-2", "shelve", alarm=ACTION, until=until, comment="Being mended"))
    reply = until_said(peer, TOPICS.reply("shelve-2"), lambda one: True)
    assert not reply["accepted"]
    assert reply["text"].startswith("alarms may be shelved for 12 h at most")
