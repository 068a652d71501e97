"""The service on a real broker, in this process: what comes out for what goes in."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from motewatch.journal.rows import DeadLetter
from motewatch.service import Service
from motewatch.wire.records import SECOND_US
from support.live import (
    ABOVE,
    ACTION,
    TOPICS,
    ask,
    bench,
    command,
    live_site,
    now_us,
    said,
    serving,
    spot,
    standing,
    steps,
    until_said,
)
from support.missing import find_program
from support.mqtt_peer import Peer
from support.servers import Mosquitto, wait_until

pytestmark = pytest.mark.broker


def test_one_message_by_hand_becomes_a_sample(mosquitto: Mosquitto, service: Service, peer: Peer) -> None:
    """With the command that the front page shows, and the air of one minute in it."""
    topic, body = spot(0, (42, 1), temperature_c=20.5)
    server = ["-h", "127.0.0.1", "-p", str(mosquitto.port)]
    publish = [find_program("mosquitto_pub"), *server, "-q", "1", "-t", topic, "-m", body.decode()]
    subprocess.run(publish, check=True, timeout=20)
    (sample,) = said(peer, TOPICS.sample("spot-1"))
    assert (sample["v"], sample["location"], sample["room"], sample["revision"]) == (1, "spot-1", "fill", 1)
    assert (sample["readings"], sample["sensors"], sample["quality"]) == (1, ["pc-1"], [])
    assert [(one["size_um"], one["count"], one["volume_l"]) for one in sample["channels"]] == [
        (0.5, 42, 28.3),
        (5.0, 1, 28.3),
    ]
    assert sample["channels"][0]["per_m3"] == pytest.approx(42 * 1000 / 28.3, rel=1e-12)
    assert sample["temperature_c"] == {"mean": 20.5, "low": 20.5, "high": 20.5}
    with Peer(mosquitto.port, TOPICS.sample("spot-1")) as later:
        (message,) = later.wait_for(1)
        assert message.retain
        assert json.loads(message.payload) == sample


def test_an_excursion_is_an_event_and_a_retained_state(mosquitto: Mosquitto, service: Service, peer: Peer) -> None:
    peer.publish(*spot(0, ABOVE))
    event = until_said(peer, TOPICS.event, lambda one: one["alarm"] == ACTION)
    assert (event["event"], event["before"], event["after"]) == ("starts", "normal", "unacknowledged")
    assert (event["location"], event["room"], event["area"], event["priority"]) == ("spot-1", "fill", "north", "high")
    assert event["value"] == pytest.approx(100_000 / 28.3)
    peer.publish(*spot(1))
    state = until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] != "unacknowledged")
    assert state["state"] == "returned-unacknowledged"
    with Peer(mosquitto.port, TOPICS.alarm("#")) as later:
        kept = {message.topic: json.loads(message.payload) for message in later.wait_for(1)}
        assert kept[TOPICS.alarm(ACTION)]["state"] == "returned-unacknowledged"
    events = [json.loads(message.payload) for message in peer.heard(TOPICS.event)]
    assert len({one["id"] for one in events}) == len(events)


def test_periods_close_by_the_clock(service: Service, peer: Peer) -> None:
    period_us = 2 * SECOND_US
    # The period after the present one, so that there is time enough to send it all.
    end_us = (now_us() // period_us + 2) * period_us
    peer.publish_all([bench(n, end_us - (3 - n) * 500_000, (n, 0)) for n in range(4)])
    sample = until_said(peer, TOPICS.sample("bench-1"), lambda one: one["readings"] == 4)
    assert (sample["channels"][0]["count"], sample["coverage_pct"], sample["revision"]) == (6, 100.0, 1)


def test_the_same_message_again_changes_nothing(service: Service, peer: Peer) -> None:
    message = spot(0, (7, 0))
    peer.publish_all([message, message])
    wait_until(lambda: service.writer.figures.repeats == 1, "the repeat")
    peer.publish(*spot(1, (8, 0)))
    samples = said(peer, TOPICS.sample("spot-1"), 2)
    assert [(one["channels"][0]["count"], one["revision"]) for one in samples] == [(7, 1), (8, 1)]


def kept_letters(folder: Path, number: int) -> list[DeadLetter] | None:
    letters = ask(folder, lambda journal: journal.query_dead_letters()) or []
    return letters if len(letters) >= number else None


def test_what_cannot_be_used_is_kept_with_reason_and_bytes_and_is_an_alarm(
    service: Service, peer: Peer, tmp_path: Path
) -> None:
    garbage = b"\x00\xffnot json"
    foreign = spot(0)[1]
    unknown = spot(0)[1].replace(b'"pc-1"', b'"pc-77"')
    rising = spot(5, (1, 2))[1]
    sent = [
        (TOPICS.counts("pc-1"), garbage, "not-json"),
        (TOPICS.counts("pc-2"), foreign, "foreign-sensor"),
        (TOPICS.counts("pc-77"), unknown, "unknown-sensor"),
        (TOPICS.counts("pc-1"), rising, "counts-rise-with-size"),
        (TOPICS.presence("pc-1"), b"{}", "not-valid"),
    ]
    peer.publish_all([(topic, body) for topic, body, _ in sent])
    letters: list[DeadLetter] = wait_until(lambda: kept_letters(tmp_path, len(sent)), "all dead letters")
    assert [(letter.topic, letter.payload, letter.reason) for letter in letters] == sent
    assert "pc-77" in letters[2].detail
    # Five within ten minutes are an alarm, which names the last one.
    alarm = until_said(peer, TOPICS.alarm("service/dead-letters"), lambda one: one["state"] == "unacknowledged")
    assert alarm["kind"] == "dead-letters"
    assert letters[4].detail in alarm["text"]
    # And everything else goes on.
    peer.publish(*spot(0, (3, 0)))
    assert said(peer, TOPICS.sample("spot-1"))[0]["channels"][0]["count"] == 3


def test_an_alarm_is_acknowledged_and_the_answer_comes_where_it_was_asked_for(
    mosquitto: Mosquitto, service: Service, peer: Peer, tmp_path: Path
) -> None:
    peer.publish(*spot(0, ABOVE))
    until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "unacknowledged")
    with Peer(mosquitto.port, "desk/7/answers") as desk:
        ask_for = command("c-1", "acknowledge", alarm=ACTION, comment="valve closed")
        desk.publish(TOPICS.command, ask_for, ResponseTopic="desk/7/answers")
        (answer,) = said(desk, "desk/7/answers")
    assert (answer["id"], answer["accepted"]) == ("c-1", True)
    assert answer["text"] == f"'{ACTION}' is now acknowledged"
    assert said(peer, TOPICS.reply("c-1")) == [answer]
    state = until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "acknowledged")
    assert (state["by"], state["comment"]) == ("ada", "valve closed")
    # The broker may bring a command twice: answered again, done once.
    peer.publish(TOPICS.command, ask_for)
    assert [one["accepted"] for one in said(peer, TOPICS.reply("c-1"), 2)] == [True, True]
    audit = ask(tmp_path, lambda journal: journal.query_audit())
    assert audit is not None
    assert [(row.by, row.action, row.subject, row.detail) for row in audit if row.action == "acknowledge"] == [
        ("ada", "acknowledge", ACTION, "valve closed")
    ]
    assert [step.event.value for step in steps(tmp_path, ACTION)] == ["starts", "acknowledge"]


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (command("c-1", "acknowledge", alarm="location/attic/5um/action"), "no alarm 'location/attic/5um/action'"),
        (command("c-1", "acknowledge", alarm=""), "alarm"),
        (command("c-1", "acknowledge"), "alarm: this key is missing"),
        (command("c-1", "silence-everything"), "command"),
        (command("c-1", "set-occupancy", room="cellar", occupancy="at-rest"), "rooms: fill, prep"),
        (command("c-1", "set-occupancy", room="prep"), "occupancy: this key is missing"),
        (command("c-1", "set-occupancy", room="prep", occupancy="asleep"), "occupancy"),
    ],
    ids=[
        "unknown-alarm",
        "empty-alarm",
        "no-alarm",
        "unknown-command",
        "unknown-room",
        "no-occupancy",
        "no-such-state",
    ],
)
def test_a_wrong_command_is_refused_in_words(service: Service, peer: Peer, body: bytes, words: str) -> None:
    peer.publish(TOPICS.command, body)
    (answer,) = said(peer, TOPICS.reply("c-1"))
    assert not answer["accepted"]
    assert words in answer["text"]


def test_a_room_is_put_at_rest_and_its_samples_say_so(service: Service, peer: Peer) -> None:
    peer.publish(TOPICS.command, command("c-1", "set-occupancy", room="fill", occupancy="at-rest"))
    assert said(peer, TOPICS.reply("c-1"))[0]["accepted"]
    # A second of air that begins after the command: the state at the start of a sample counts.
    peer.publish(*spot(0, end_us=now_us() + 61 * SECOND_US, duration_s=1.0, volume_l=0.471667))
    wait_until(lambda: peer.heard(TOPICS.sample("spot-1")), "the sample")
    assert said(peer, TOPICS.sample("spot-1"))[-1]["occupancy"] == "at-rest"


def test_a_sensor_that_says_goodbye_is_missed_and_welcomed_back(service: Service, peer: Peer, tmp_path: Path) -> None:
    will = {"v": 1, "sensor": "pc-2", "boot": "boot-1", "online": False, "at": "2026-05-28T20:27:00Z"}
    peer.publish(TOPICS.presence("pc-2"), json.dumps(will), retain=True)
    alarm = "sensor/pc-2/silent"
    until_said(peer, TOPICS.alarm(alarm), lambda one: one["state"] == "unacknowledged")
    peer.publish(*bench(0, now_us()))
    until_said(peer, TOPICS.alarm(alarm), lambda one: one["state"] == "returned-unacknowledged")
    assert standing(tmp_path) == [alarm]


def test_a_portable_samples_where_it_says_it_stands(service: Service, peer: Peer) -> None:
    for seq, place in enumerate(["cart", "bench-1"]):
        topic, body = spot(seq, (5, 0), location=place)
        peer.publish(topic.replace("pc-1", "hand-1"), body.replace(b'"pc-1"', b'"hand-1"'))
    assert said(peer, TOPICS.sample("cart"))[0]["sensors"] == ["hand-1"]
    until_said(peer, TOPICS.sample("bench-1"), lambda one: one["sensors"] == ["hand-1"])


def test_the_service_says_that_it_is_there_and_that_it_goes(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with Peer(mosquitto.port, TOPICS.service) as peer:
        with serving(tmp_path, live_site({"port": mosquitto.port})):
            until_said(peer, TOPICS.service, lambda one: one["online"] and one["site"] == "testing")
        until_said(peer, TOPICS.service, lambda one: not one["online"])
