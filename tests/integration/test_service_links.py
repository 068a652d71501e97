"""The service when the broker or the time-series server goes, comes back, wants passwords, or is shared."""

from __future__ import annotations

import json
import logging
import signal
from pathlib import Path
from typing import Any

import pytest

from motewatch.measure.samples import Quality
from motewatch.service import Service
from motewatch.service.errors import AnotherServiceError
from motewatch.wire.records import SECOND_US
from support.certificates import make_certificates
from support.command_line import write_site
from support.live import (
    ABOVE,
    ACTION,
    EVERYTHING,
    PERIOD_US,
    STOP_S,
    TOPICS,
    Program,
    ask,
    bench,
    live_site,
    now_us,
    refuses,
    revisions,
    said,
    serving,
    spot,
    standing,
    steps,
    until_said,
)
from support.mqtt_peer import Peer
from support.servers import Account, Mosquitto, TimeSeriesServer, free_port, running, wait_until

pytestmark = pytest.mark.broker

SLACK_S = 3.0
BROKER_ALARM = "service/broker"
TIME_SERIES_ALARM = "service/time-series"


# ---- the broker goes and comes back


def test_a_broker_away_longer_than_the_hold_limit_is_an_alarm_and_late_data_amend(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    site = live_site({"port": mosquitto.port}, hold_limit_s=1.0)
    with serving(tmp_path, site):
        with Peer(mosquitto.port) as peer:
            peer.publish(*bench(0, now_us()))
            wait_until(lambda: any(sample.readings for sample in revisions(tmp_path, "bench-1")), "a sample")
        mosquitto.stop()
        gone_us = now_us()
        wait_until(lambda: BROKER_ALARM in standing(tmp_path), "the broker's alarm")
        (alarm,) = steps(tmp_path, BROKER_ALARM)
        assert abs(alarm.at_us - gone_us) < 3 * SECOND_US
        assert f"127.0.0.1:{mosquitto.port}" in alarm.text
        # A whole period goes by in which nobody can be heard. It closes without a reading.
        missed_us = -(-now_us() // PERIOD_US) * PERIOD_US + PERIOD_US
        wait_until(lambda: missed_us in [one.end_us for one in revisions(tmp_path, "bench-1")], "the missing sample")
        mosquitto.start()
        with Peer(mosquitto.port, EVERYTHING) as peer:
            until_said(peer, TOPICS.alarm(BROKER_ALARM), lambda one: one["state"] == "returned-unacknowledged")
            # The sensor had kept what it could not send.
            ends = range(missed_us - PERIOD_US + 500_000, missed_us + 1, 500_000)
            peer.publish_all([bench(10 + n, end_us, (n, 0)) for n, end_us in enumerate(ends)])
            amended = until_said(
                peer, TOPICS.sample("bench-1"), lambda one: one["revision"] > 1 and one["readings"] == 4
            )
        assert amended["quality"] == []
        assert amended["channels"][0]["count"] == 0 + 1 + 2 + 3
    made = [sample for sample in revisions(tmp_path, "bench-1") if sample.end_us == missed_us]
    assert (made[0].revision, made[0].quality) == (1, Quality.MISSING)
    assert made[-1].readings == 4
    # One alarm for the broker, none for the sensors that could not be heard.
    assert standing(tmp_path) == [BROKER_ALARM]
    assert ask(tmp_path, lambda journal: journal.verify()) == []


def test_a_broker_that_is_only_restarted_is_no_alarm(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with serving(tmp_path, live_site({"port": mosquitto.port}, hold_limit_s=30.0)) as service:
        with Peer(mosquitto.port) as peer:
            peer.publish(*spot(0, (1, 0)))
            wait_until(lambda: revisions(tmp_path, "spot-1"), "a sample")
        service.writer.drained.clear()
        mosquitto.restart()
        assert service.writer.drained.wait(20)
        with Peer(mosquitto.port, EVERYTHING) as peer:
            peer.publish(*spot(1, (2, 0)))
            until_said(peer, TOPICS.sample("spot-1"), lambda one: one["channels"][0]["count"] == 2)
    assert standing(tmp_path) == []


def test_a_broker_that_lost_everything_is_said(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Killed, with an empty disk: our session is gone, and messages of the time may be missing. That is an alarm."""
    with serving(tmp_path, live_site({"port": mosquitto.port})):
        with Peer(mosquitto.port) as peer:
            peer.publish_all([spot(n, (n, 0)) for n in range(20)])
        mosquitto.forget()
        mosquitto.start()
        with Peer(mosquitto.port, EVERYTHING) as peer:
            alarm = until_said(peer, TOPICS.alarm("service/session"), lambda one: one["state"] != "unacknowledged")
            assert "may be missing" in alarm["text"]
            peer.publish(*spot(50, (9, 0)))
            until_said(peer, TOPICS.sample("spot-1"), lambda one: one["channels"][0]["count"] == 9)


def test_the_service_starts_without_a_broker_and_finds_it_later(mosquitto: Mosquitto, tmp_path: Path) -> None:
    mosquitto.stop()
    with Service(write_site(tmp_path, live_site({"port": mosquitto.port}, hold_limit_s=0.5))) as service:
        wait_until(lambda: BROKER_ALARM in standing(tmp_path), "the broker's alarm")
        mosquitto.start()
        assert service.writer.drained.wait(20)
        with Peer(mosquitto.port, TOPICS.alarm("#")) as peer:
            until_said(peer, TOPICS.alarm(BROKER_ALARM), lambda one: one["state"] == "returned-unacknowledged")


# ---- the time-series server


@pytest.mark.timeseries
def test_a_time_series_server_that_is_down_is_an_alarm_and_gets_everything_afterwards(
    mosquitto: Mosquitto, time_series_server: TimeSeriesServer, tmp_path: Path
) -> None:
    server = time_series_server
    site = live_site({"port": mosquitto.port}, {"url": server.url, "timeout_s": 5.0})
    end_us = now_us()
    ends = [end_us + n * SECOND_US for n in range(30)]

    def points() -> dict[int, float]:
        found = server.export('concentration_count{location="spot-1",size_um="0.5"}')
        return {at_ms: value for _, values in found for at_ms, value in values}

    with serving(tmp_path, site), Peer(mosquitto.port, EVERYTHING) as peer:
        peer.publish_all([spot(n, (n, 0), ends[n]) for n in range(10)])
        wait_until(lambda: len(points()) == 10, "the first points")
        server.stop()
        peer.publish_all([spot(n, (n, 0), ends[n]) for n in range(10, 30)])
        alarm = until_said(peer, TOPICS.alarm(TIME_SERIES_ALARM), lambda one: one["state"] == "unacknowledged")
        assert (alarm["kind"], alarm["priority"]) == ("time-series-down", "low")
        # No alarm and no sample waits for it.
        said(peer, TOPICS.sample("spot-1"), 30)
        server.start()
        until_said(peer, TOPICS.alarm(TIME_SERIES_ALARM), lambda one: one["state"] == "returned-unacknowledged")
        wait_until(lambda: len(points()) == 30, "all points")
    assert points() == {ends[n] // 1000: float(n) for n in range(30)}
    assert ask(tmp_path, lambda journal: journal.backlog("time-series")) == 0


@pytest.mark.timeseries
def test_servers_that_do_not_answer_do_not_hold_up_a_stop(
    mosquitto: Mosquitto, time_series_server: TimeSeriesServer, tmp_path: Path
) -> None:
    site = live_site({"port": mosquitto.port}, {"url": time_series_server.url, "timeout_s": 60.0})
    with Program(write_site(tmp_path, site)) as program:
        with Peer(mosquitto.port) as peer:
            peer.publish_all([spot(n, (n, 0)) for n in range(50)])
        wait_until(lambda: len(revisions(tmp_path, "spot-1")) == 50, "the samples")
        mosquitto.freeze()
        time_series_server.freeze()
        try:
            assert program.stop() < STOP_S + SLACK_S
        finally:
            mosquitto.thaw()
            time_series_server.thaw()


# ---- passwords and certificates


@pytest.mark.timeseries
def test_tls_and_password_from_end_to_end_and_no_secret_in_the_log(
    time_series_server: TimeSeriesServer, tmp_path: Path
) -> None:
    secrets = {"broker-password": "correct-horse-battery", "series-token": "token-3f9a-staple"}
    for name, text in secrets.items():
        (tmp_path / name).write_text(f"{text}\n")
        (tmp_path / name).chmod(0o600)
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    certificates = make_certificates(tmp_path)
    accounts = {"motewatch": Account(secrets["broker-password"]), "sensor": Account("sensor-secret")}
    with running(Mosquitto(folder, accounts=accounts, certificates=certificates)) as broker:
        reach: dict[str, Any] = {
            "port": broker.port,
            "tls": True,
            "ca_file": certificates.ca.name,
            "username": "motewatch",
            "password_file": "broker-password",
        }
        series = {"url": time_series_server.url, "token_file": "series-token"}
        site_path = write_site(tmp_path, live_site(reach, series))
        with (
            Program(site_path, "debug") as program,
            Peer(broker.port, EVERYTHING, username="sensor", password="sensor-secret", ca_file=certificates.ca) as peer,
        ):
            peer.publish_all([spot(0, ABOVE), (TOPICS.counts("pc-1"), b"garbage")])
            assert said(peer, TOPICS.sample("spot-1"))[0]["channels"][0]["count"] == ABOVE[0]
            until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "unacknowledged")
            time_series_server.stop()  # so that there is something to be said about it
            peer.publish(*spot(1))
            program.wait_for_line("'time-series' is away")
            program.signal(signal.SIGHUP)
            program.wait_for_line("taken over")
            program.stop()
            log = program.log()
        # A wrong password is told, and not told.
        (tmp_path / "broker-password").write_text("wrong-horse-battery\n")
        with Program.not_drained(site_path, "debug") as program:
            line = program.wait_for_line("refuses user 'motewatch'")
            assert "password_file" in line
            program.stop()
            log = program.log()
    assert "dead letter" in log
    for text in (*secrets.values(), "wrong-horse-battery"):
        assert text not in log
    for path in tmp_path.glob("journal.db*"):
        assert not any(text.encode() in path.read_bytes() for text in secrets.values())


# The MQTT library drops the socket of a handshake that failed without closing it; the interpreter then does.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_certificate_that_does_not_hold_is_not_accepted(tmp_path: Path) -> None:
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    certificates = make_certificates(tmp_path)
    stranger = make_certificates(tmp_path, name="stranger")
    with running(Mosquitto(folder, certificates=certificates)) as broker:
        reach = {"port": broker.port, "tls": True, "ca_file": stranger.ca.name}
        with Service(write_site(tmp_path, live_site(reach, hold_limit_s=0.5))) as service:
            wait_until(lambda: steps(tmp_path, BROKER_ALARM), "the broker's alarm")
            (alarm,) = steps(tmp_path, BROKER_ALARM)
            assert "certificate" in alarm.text
            assert not service.writer.drained.is_set()


def test_a_secret_that_is_not_there_is_said_at_the_start(tmp_path: Path) -> None:
    reach = {"port": free_port(), "username": "motewatch", "password_file": "no-such-file"}
    said_ = refuses(write_site(tmp_path, live_site(reach)))
    assert "no-such-file" in said_
    assert "cannot be read" in said_


# ---- two services


def test_a_second_service_on_the_same_journal_is_refused_and_the_first_goes_on(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    site_path = write_site(tmp_path, live_site({"port": mosquitto.port}))
    with Program(site_path) as program, Peer(mosquitto.port, EVERYTHING) as peer:
        answer = refuses(site_path)
        assert f"process {program.pid} already serves this journal" in answer
        assert "service.journal" in answer
        with pytest.raises(AnotherServiceError):
            Service(site_path).start()
        assert program.running
        peer.publish(*spot(0, (3, 0)))
        said(peer, TOPICS.sample("spot-1"))
        program.stop()
        with Service(site_path) as service:
            assert service.writer.drained.wait(20)
    assert ask(tmp_path, lambda journal: journal.verify()) == []


def test_two_services_with_one_client_id_are_told_and_the_one_that_stays_recovers(
    mosquitto: Mosquitto, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, "motewatch")
    first, second = tmp_path / "first", tmp_path / "second"
    first.mkdir()
    second.mkdir()
    site = live_site({"port": mosquitto.port})
    with serving(first, site) as service:
        with serving(second, site):
            hint = "look for a second service with the client id 'motewatch-testing'"
            wait_until(lambda: any(hint in record.getMessage() for record in caplog.records), "the hint")
        service.writer.drained.clear()
        with Peer(mosquitto.port, EVERYTHING) as peer:
            peer.publish(*spot(0, (5, 0)))
            until_said(peer, TOPICS.sample("spot-1"), lambda one: one["channels"][0]["count"] == 5)
        assert revisions(first, "spot-1")
    for folder in (first, second):
        assert ask(folder, lambda journal: journal.verify()) == []


# ---- what is retained on the broker is the record's last word


def test_after_an_outage_the_broker_shows_what_the_record_says(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Published while the broker was away: nothing. Afterwards: the states in order, the last one retained."""
    with serving(tmp_path, live_site({"port": mosquitto.port})):
        with Peer(mosquitto.port, EVERYTHING) as peer:
            peer.publish_all([spot(n, ABOVE if n % 2 else (0, 0)) for n in range(40)])
            said(peer, TOPICS.sample("spot-1"), 20)
            mosquitto.restart()
        with Peer(mosquitto.port, TOPICS.alarm("#")) as peer:
            peer.publish(*spot(40, ABOVE))
            wait_until(lambda: len(revisions(tmp_path, "spot-1")) == 41, "all samples on record")
            last = steps(tmp_path, ACTION)[-1].after.value
            wait_until(lambda: ask(tmp_path, lambda journal: journal.backlog("mqtt-alarms")) == 0, "an empty outbox")
    with Peer(mosquitto.port, TOPICS.alarm("#")) as later:
        kept = {message.topic: json.loads(message.payload)["state"] for message in later.wait_for(1)}
    assert kept[TOPICS.alarm(ACTION)] == last
