"""The service stopped, killed and started again in the middle of things: nothing is lost, nothing is invented."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from motewatch.measure.samples import Quality
from motewatch.wire.records import SECOND_US
from support.command_line import write_site
from support.live import (
    ABOVE,
    ACTION,
    EVERYTHING,
    PERIOD_US,
    STOP_S,
    TOPICS,
    Program,
    ShiftedClock,
    ask,
    bench,
    command,
    live_site,
    now_us,
    readings,
    revisions,
    said,
    serving,
    spot,
    standing,
    steps,
    until_said,
)
from support.mqtt_peer import Peer
from support.servers import Mosquitto, wait_until
from support.writer_bench import count_payload, tamper

pytestmark = pytest.mark.broker

SLACK_S = 3.0
"""What a loaded machine may add to the end of a process, beyond the service's own doing."""


class Load:
    """A stream of short readings that goes on in the background, whatever happens to the service.

    Each tenth of a second of air is published and acknowledged by the broker; `acknowledged` counts on.
    """

    def __init__(self, peer: Peer, messages: int, chunk: int = 50) -> None:
        self._peer = peer
        self._messages = messages
        self._chunk = chunk
        self._began_us = now_us() - 30 * SECOND_US
        self.acknowledged = 0
        self.failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Load:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.join(60)
        assert self.failure is None

    def after(self, messages: int) -> None:
        """Wait until so many are acknowledged."""
        wait_until(lambda: self.acknowledged >= messages or self.failure, f"{messages} publications", 60)

    def _run(self) -> None:
        try:
            while self.acknowledged < self._messages:
                page = range(self.acknowledged, self.acknowledged + self._chunk)
                self._peer.publish_all([self._message(seq) for seq in page])
                self.acknowledged += self._chunk
        except BaseException as error:
            self.failure = error

    def _message(self, seq: int) -> tuple[str, bytes]:
        end_us = self._began_us + seq * 10_000
        return TOPICS.counts("pc-1"), count_payload("pc-1", seq, end_us, (seq % 3, 0), 0.01)


def test_a_stop_under_load_is_clean_and_quick_and_loses_nothing(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site_path = write_site(tmp_path, live_site({"port": mosquitto.port}))
    messages = 6_000
    with Program(site_path) as program, Peer(mosquitto.port) as peer:
        with Load(peer, messages) as load:
            for part in (1_000, 2_500, 4_000):
                load.after(part)
                # At once after its start, and while it takes in what has come meanwhile.
                program.wait_for_line("serving")
                assert program.stop() < STOP_S + SLACK_S
                program.start(drained=False)
        wait_until(lambda: len(readings(tmp_path)) >= messages, "all readings on record", 60)
        program.wait_for_line("broker drained")
        program.stop()
        assert "replay differs" not in program.log()
        assert [line for line in program.log().splitlines() if " ERROR " in line or " CRITICAL " in line] == []
    on_record = readings(tmp_path)
    assert len(on_record) == len(set(on_record)) == messages
    assert {seq for _, _, seq in on_record} == set(range(messages))
    assert ask(tmp_path, lambda journal: journal.verify()) == []
    samples = [sample for sample in revisions(tmp_path, "spot-1") if sample.revision == 1]
    assert len(samples) == messages
    assert sum(sample.channels[0].count for sample in samples) == sum(seq % 3 for seq in range(messages))


def test_a_killed_service_replays_its_record_and_goes_on(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Killed with messages under way: what was committed is recognised when it comes again, the rest is taken in."""
    site_path = write_site(tmp_path, live_site({"port": mosquitto.port}))
    messages = 4_000
    with Program(site_path) as program, Peer(mosquitto.port) as peer:
        with Load(peer, messages) as load:
            for part in (1_000, 2_000):
                load.after(part)
                wait_until(lambda: len(readings(tmp_path)) >= part - 500, "some of it on record")  # noqa: B023
                program.kill()
                program.start(drained=False)
        wait_until(lambda: len(readings(tmp_path)) >= messages, "all readings on record", 60)
        restored = program.wait_for_line("engine restored")
        # No snapshot was made: all of the record was applied again, and compared.
        assert int(restored.rsplit("inputs=", 1)[1].split()[0]) > 1_500
        assert "replay differs" not in program.log()
        program.stop()
    on_record = readings(tmp_path)
    assert len(on_record) == len(set(on_record)) == messages
    assert ask(tmp_path, lambda journal: journal.verify()) == []
    assert [alarm for alarm in standing(tmp_path) if alarm.startswith(("service/", "sensor/"))] == []


def test_standing_alarms_and_answered_commands_survive(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = live_site({"port": mosquitto.port})
    acknowledge = command("c-1", "acknowledge", alarm=ACTION)
    with Peer(mosquitto.port, EVERYTHING) as peer:
        with serving(tmp_path, site):
            peer.publish(*spot(0, ABOVE))
            until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "unacknowledged")
        assert standing(tmp_path) == [ACTION]
        with serving(tmp_path, site):
            peer.publish(TOPICS.command, acknowledge)
            assert said(peer, TOPICS.reply("c-1"))[0]["accepted"]
        with serving(tmp_path, site):
            # The same command once more: answered as before, and nothing done twice.
            peer.publish(TOPICS.command, acknowledge)
            answers = [one["text"] for one in said(peer, TOPICS.reply("c-1"), 2)]
            assert answers == [f"'{ACTION}' is now acknowledged"] * 2
            peer.publish(*spot(1))
            until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "normal")
    assert [step.event.value for step in steps(tmp_path, ACTION)] == ["starts", "acknowledge", "returns"]
    assert standing(tmp_path) == []


def test_a_record_that_was_changed_is_an_alarm_at_the_next_start(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site_path = write_site(tmp_path, live_site({"port": mosquitto.port}))
    with Program(site_path) as program, Peer(mosquitto.port, EVERYTHING) as peer:
        peer.publish_all([spot(0, (42, 0)), spot(1, (43, 0))])
        said(peer, TOPICS.sample("spot-1"), 2)
        program.kill()
        with tamper(tmp_path / "journal.db") as connection:
            changed = connection.execute("UPDATE outputs SET body = replace(body, '42', '12') WHERE kind = 'sample'")
            assert changed.rowcount >= 2
        program.start()
        alarm = until_said(peer, TOPICS.alarm("service/replay"), lambda one: one["state"] == "returned-unacknowledged")
        assert alarm["priority"] == "high"
        assert "differs from what was recorded" in alarm["text"]
        program.wait_for_line("replay differs from the record")
        # It goes on, and once told it is not told again: the next start has a snapshot of its own making.
        peer.publish(*spot(2, (44, 0)))
        until_said(peer, TOPICS.sample("spot-1"), lambda one: one["channels"][0]["count"] == 44)
        program.stop()
        program.start()
        program.stop()
    assert [step.event.value for step in steps(tmp_path, "service/replay")] == ["starts", "returns"]


@pytest.mark.parametrize("away_s", [60.0, 1_200.0], ids=["a-minute", "twenty-minutes"])
def test_an_absence_of_the_service_does_not_look_like_silence(
    mosquitto: Mosquitto, tmp_path: Path, away_s: float
) -> None:
    """The sensors go on while nobody listens; at the next start every period is complete at its first closing."""
    site = live_site({"port": mosquitto.port})
    step_us = 500_000
    with serving(tmp_path, site):
        pass
    with Peer(mosquitto.port) as peer:
        first_us = -(-now_us() // PERIOD_US) * PERIOD_US
        last_us = first_us + round(away_s * SECOND_US)
        ends = range(first_us + step_us, last_us + 1, step_us)
        peer.publish_all([bench(seq, end_us, (seq % 7, 0)) for seq, end_us in enumerate(ends)])
    with serving(tmp_path, site, ShiftedClock(away_s + 4)):
        wait_until(
            lambda: any(sample.end_us >= last_us for sample in revisions(tmp_path, "bench-1")), "the last period closed"
        )
    made = [sample for sample in revisions(tmp_path, "bench-1") if first_us < sample.end_us <= last_us]
    assert len(made) == away_s / 2
    assert {(sample.readings, sample.quality, sample.revision) for sample in made} == {(4, Quality.GOOD, 1)}
    assert sum(sample.channels[0].count for sample in made) == sum(seq % 7 for seq in range(len(ends)))
    assert standing(tmp_path) == []
    assert ask(tmp_path, lambda journal: journal.verify()) == []


def test_a_sensor_that_did_fall_silent_meanwhile_is_missed_where_it_did(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = live_site({"port": mosquitto.port})
    with serving(tmp_path, site):
        pass
    with Peer(mosquitto.port) as peer:
        heard_us = now_us()
        peer.publish(*bench(0, heard_us))
    with serving(tmp_path, site, ShiftedClock(120)):
        wait_until(lambda: steps(tmp_path, "sensor/pc-2/silent"), "the silence")
    (step,) = steps(tmp_path, "sensor/pc-2/silent")
    # Missed 30 s after it was last heard, though the service woke up a minute and a half later.
    assert step.at_us == pytest.approx(heard_us + 30 * SECOND_US, abs=SECOND_US)
