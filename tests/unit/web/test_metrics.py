"""The service's health as OpenMetrics, read back by a strict reader of the format."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from prometheus_client.openmetrics.parser import text_string_to_metric_families

from motewatch.journal.journal import Journal
from motewatch.links.outbox import MQTT, MQTT_ALARMS, TIME_SERIES
from motewatch.web.console.metrics import FRESH_S, SINKS, Metrics
from motewatch.web.pulse import COMMIT_BUCKETS_S, CommitTimes, Pulse
from motewatch.wire.outgoing import AlarmMessage
from support.links_fakes import FakeClock, outbox_row

AT = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)


def alarm(kind: str, state: str, sensor: str, **more: Any) -> AlarmMessage:
    plain = {"alarm": f"sensor/{sensor}", "kind": kind, "priority": "medium", "state": state, "since": AT, "found": AT}
    return AlarmMessage.model_validate({**plain, "text": "x", "sensor": sensor, **more})


ALARMS = [
    alarm("sensor-silent", "unacknowledged", "a"),
    alarm("sensor-silent", "returned-unacknowledged", "b"),
    alarm("sensor-silent", "shelved", "c", active=True),
    alarm("sensor-flow", "acknowledged", "a"),
]


def pulse(times: CommitTimes) -> Pulse:
    return Pulse(7, 1, 2, 3, tuple(times.counts), times.total_s, 0.25, True, False)


def read(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    families = list(text_string_to_metric_families(text))  # type: ignore[no-untyped-call]
    assert all(family.name.startswith("motewatch_") and family.documentation for family in families)
    return {
        (sample.name.removeprefix("motewatch_"), tuple(sorted(sample.labels.items()))): sample.value
        for family in families
        for sample in family.samples
    }


def test_a_strict_reader_of_the_format_finds_every_figure(tmp_path: Path) -> None:
    times = CommitTimes()
    for seconds in (0.002, 0.003, 9.0):
        times.took(seconds)
    with Journal(tmp_path / "journal.db") as journal:
        journal.enqueue([outbox_row("one", sink=MQTT)])
        found = read(Metrics(journal, lambda: ALARMS, FakeClock()).text(pulse(times)))
    assert found["messages_taken_total", ()] == 7
    assert found["dead_letters_total", ()] == 2
    assert found["engine_lag_seconds", ()] == 0.25
    assert found["broker_connected", ()] == 1
    assert found["record_writable", ()] == 0
    assert found["sensors_silent", ()] == 2
    assert found["alarms", (("priority", "medium"), ("state", "acknowledged"))] == 1
    assert found["outbox_rows", (("sink", "mqtt"),)] == 1
    assert found["outbox_rows", (("sink", "time-series"),)] == 0
    assert found["journal_bytes", ()] > 0
    assert found["resident_memory_bytes", ()] > 1_000_000
    buckets = [value for (name, _), value in found.items() if name == "commit_seconds_bucket"]
    assert (buckets[0], buckets[1], buckets[-1]) == (1, 2, 3)
    assert len(buckets) == len(COMMIT_BUCKETS_S) + 1
    assert found["commit_seconds_count", ()] == 3


def test_without_a_writer_and_with_an_odd_name_it_is_still_whole(tmp_path: Path) -> None:
    odd = 'call/"a"\\\nb'
    with Journal(tmp_path / "journal.db") as journal:
        journal.enqueue([outbox_row("one", sink=odd)])
        found = read(Metrics(journal, list, FakeClock()).text(None))
    assert found["outbox_rows", (("sink", odd),)] == 1


def test_the_record_is_not_asked_more_often_than_needed(tmp_path: Path) -> None:
    clock = FakeClock()
    with Journal(tmp_path / "journal.db") as journal:
        metrics = Metrics(journal, list, clock)
        metrics.text(None)
        journal.enqueue([outbox_row("one", sink=MQTT)])
        assert read(metrics.text(None))["outbox_rows", (("sink", "mqtt"),)] == 0
        clock.go(FRESH_S)
        assert read(metrics.text(None))["outbox_rows", (("sink", "mqtt"),)] == 1


def test_the_usual_sinks_are_those_of_the_outbox() -> None:
    assert set(SINKS) == {MQTT, MQTT_ALARMS, TIME_SERIES}
