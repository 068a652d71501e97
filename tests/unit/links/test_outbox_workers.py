"""The outbox workers, a step at a time, against small stand-ins."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from typing import Any

import pytest

from motewatch.journal.errors import DiskFullError
from motewatch.journal.rows import OutboxRow
from motewatch.links.errors import BrokerAwayError, PointsRefusedError, PublicationRefusedError, TimeSeriesAwayError
from motewatch.links.outbox import MqttWorker, OutboxWorker, Outcome, TimeSeriesWorker, pause_s
from support.links_fakes import FakeClock, FakePublisher, FakeSink, MemoryRows, outbox_row
from support.servers import wait_until


class Told:
    """Remembers the reports."""

    def __init__(self) -> None:
        self.reports: list[tuple[bool, int, str]] = []

    def __call__(self, up: bool, since_us: int, detail: str) -> None:
        self.reports.append((up, since_us, detail))


def point(name: str, value: int = 1) -> bytes:
    return f"sample,location={name} readings={value}i 1780000020000000".encode()


def points(*names: str) -> list[OutboxRow]:
    return [outbox_row(name, point(name), sink="time-series") for name in names]


def test_the_pause_doubles_up_to_half_a_minute() -> None:
    assert [pause_s(n) for n in range(8)] == [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0]
    assert pause_s(10_000) == 30.0


# ---- MQTT


def mqtt(rows: MemoryRows, clock: FakeClock, publisher: FakePublisher, **options: Any) -> MqttWorker:
    return MqttWorker(rows, clock, publisher, **options)


def test_rows_are_published_in_order_and_marked() -> None:
    rows, clock, publisher = MemoryRows(), FakeClock(), FakePublisher()
    rows.add(*[outbox_row(f"k{n}", str(n).encode(), topic="t") for n in range(5)])
    worker = mqtt(rows, clock, publisher, page=3)
    assert worker.step() is True
    assert worker.step() is False
    assert [body for _, body, _ in publisher.arrived] == [b"0", b"1", b"2", b"3", b"4"]
    assert rows.waiting() == []
    assert set(rows.delivered_us.values()) == {clock.wall_us}


class FullRows(MemoryRows):
    """Rows in a journal that cannot be written for a while."""

    full = False

    def delivered(self, ids: Sequence[int], now_us: int) -> None:
        if self.full:
            raise DiskFullError("journal.db")
        super().delivered(ids, now_us)


def test_what_was_sent_is_not_sent_again_while_the_journal_cannot_mark_it() -> None:
    rows, clock, publisher = FullRows(), FakeClock(), FakePublisher()
    rows.add(outbox_row("a"), outbox_row("b"))
    worker = mqtt(rows, clock, publisher)
    rows.full = True
    for _ in range(3):
        with pytest.raises(DiskFullError):
            worker.step()
    assert len(publisher.arrived) == 2
    rows.full = False
    worker.step()
    assert rows.waiting() == []
    assert len(publisher.arrived) == 2


def test_while_the_broker_is_away_nothing_is_tried_and_no_attempt_counted() -> None:
    rows, clock, publisher = MemoryRows(), FakeClock(), FakePublisher(connected=False)
    rows.add(outbox_row("a"))
    worker = mqtt(rows, clock, publisher)
    assert worker.step() is False
    assert rows.rows[1].attempts == 0
    publisher.connected = True
    worker.step()
    assert rows.waiting() == []


def test_a_later_state_is_never_overtaken_by_an_earlier_one() -> None:
    """The first of two states of one alarm fails once: both go again, in order, and newer rows wait behind them."""
    rows, clock, publisher = MemoryRows(), FakeClock(), FakePublisher()
    publisher.answers["alarm"] = [BrokerAwayError("lost")]
    rows.add(outbox_row("one", b"raised", topic="alarm"), outbox_row("two", b"normal", topic="alarm"))
    worker = mqtt(rows, clock, publisher)
    worker.step()
    assert rows.waiting() == ["one", "two"]
    rows.add(outbox_row("three", b"raised again", topic="alarm"))
    assert worker.step() is False  # the pause holds for new rows too
    assert rows.waiting() == ["one", "two", "three"]
    clock.go(0.5)
    worker.step()
    assert [body for _, body, _ in publisher.arrived][-3:] == [b"raised", b"normal", b"raised again"]
    assert rows.waiting() == []


def test_what_came_before_the_failure_is_marked() -> None:
    rows, clock, publisher = MemoryRows(), FakeClock(), FakePublisher()
    publisher.answers["c"] = [BrokerAwayError("lost")]
    rows.add(*[outbox_row(name) for name in "abcd"])
    mqtt(rows, clock, publisher).step()
    assert rows.waiting() == ["c", "d"]
    assert rows.errors[3] == rows.errors[4] == "lost"


def test_the_pause_grows_with_the_attempts_on_record_also_after_a_restart() -> None:
    rows, clock, publisher = MemoryRows(), FakeClock(), FakePublisher()
    publisher.answers["a"] = [BrokerAwayError("lost")] * 5
    rows.add(outbox_row("a"))
    for attempt, pause in enumerate([0.5, 1.0, 2.0, 4.0], start=1):
        worker = mqtt(rows, clock, publisher)  # a fresh one knows only the record
        worker.step()
        assert rows.rows[1].attempts == attempt
        clock.go(pause - 0.01)
        worker.step()
        assert rows.rows[1].attempts == attempt, "tried before the pause was over"
        clock.go(0.01)


def test_try_now_ends_the_pause() -> None:
    rows, clock, publisher = MemoryRows(), FakeClock(), FakePublisher()
    publisher.answers["a"] = [BrokerAwayError("lost")]
    rows.add(outbox_row("a"))
    worker = mqtt(rows, clock, publisher)
    worker.step()
    worker.try_now()
    worker.step()
    assert rows.waiting() == []


def test_a_final_refusal_is_kept_and_holds_up_nothing(caplog: pytest.LogCaptureFixture) -> None:
    rows, clock, publisher = MemoryRows(), FakeClock(), FakePublisher()
    publisher.answers["b"] = [PublicationRefusedError("b", 0x87, "Not authorized", final=True)]
    rows.add(*[outbox_row(name) for name in "abc"])
    worker = mqtt(rows, clock, publisher)
    worker.step()
    assert rows.waiting() == []
    assert [topic for topic, _, _ in publisher.arrived] == ["a", "c"]
    assert "0x87" in rows.errors[2]
    assert "ACL" in caplog.text
    assert (worker.taken, worker.refused) == (2, 1)


def test_a_refusal_that_may_pass_is_tried_again() -> None:
    rows, clock, publisher = MemoryRows(), FakeClock(), FakePublisher()
    publisher.answers["a"] = [PublicationRefusedError("a", 0x97, "Quota exceeded", final=False)]
    rows.add(outbox_row("a"))
    worker = mqtt(rows, clock, publisher)
    worker.step()
    assert rows.waiting() == ["a"]
    clock.go(0.5)
    worker.step()
    assert rows.waiting() == []


def test_an_acknowledgement_that_does_not_come_is_a_failure_of_the_link() -> None:
    rows, clock, publisher = MemoryRows(), FakeClock(), FakePublisher(silent={"b"})
    rows.add(*[outbox_row(name) for name in "abc"])
    told = Told()
    worker = mqtt(rows, clock, publisher, report=told, timeout_s=0.0)
    worker.step()
    assert rows.waiting() == ["b", "c"]
    assert told.reports == [(False, clock.wall_us, "the broker did not acknowledge 'b' in time")]


def test_expiry_is_what_is_left_of_it_and_nothing_worthless_is_sent() -> None:
    rows, clock, publisher = MemoryRows(), FakeClock(), FakePublisher()
    lasting = OutboxRow(0, "mqtt", "a", "a", b"x", False, clock.wall_us - 10_000_000, 0, 0, 3600)
    over = OutboxRow(0, "mqtt", "b", "b", b"x", False, clock.wall_us - 3_600_000_000, 0, 0, 3600)
    rows.add(lasting, over)
    mqtt(rows, clock, publisher).step()
    assert publisher.arrived == [("a", b"x", 3590)]
    assert rows.waiting() == []


# ---- time series


def series(rows: MemoryRows, clock: FakeClock, sink: FakeSink, **options: Any) -> TimeSeriesWorker:
    return TimeSeriesWorker(rows, clock, sink, **options)


def test_a_page_is_one_body() -> None:
    rows, clock, sink = MemoryRows(), FakeClock(), FakeSink()
    rows.add(*points("a", "b", "c"))
    series(rows, clock, sink).step()
    assert sink.bodies == ["\n".join(point(name).decode() for name in "abc")]
    assert rows.waiting() == []


def test_the_row_at_fault_is_found_by_halving_and_the_others_arrive(caplog: pytest.LogCaptureFixture) -> None:
    rows, clock = MemoryRows(), FakeClock()
    sink = FakeSink(hated="location=n13 ", hated_error=PointsRefusedError(400, "unable to parse"))
    rows.add(*points(*[f"n{number}" for number in range(20)]))
    series(rows, clock, sink).step()
    assert rows.waiting() == []
    assert sorted(sink.lines()) == sorted(point(f"n{number}").decode() for number in range(20) if number != 13)
    assert "400" in rows.errors[14]
    assert "n13" in caplog.text


def test_a_malformed_row_is_found_before_it_is_sent() -> None:
    rows, clock, sink = MemoryRows(), FakeClock(), FakeSink()
    rows.add(*points("a"), outbox_row("bad", b"sample, ,x y", sink="time-series"), *points("b"))
    series(rows, clock, sink).step()
    assert sink.lines() == [point("a").decode(), point("b").decode()]
    assert "malformed line: sample, ,x y" in rows.errors[2]


def test_a_server_that_is_away_is_told_once_and_so_is_its_return() -> None:
    rows, clock, told = MemoryRows(), FakeClock(), Told()
    sink = FakeSink(failures=[TimeSeriesAwayError("no answer")] * 3)
    rows.add(*points("a"))
    worker = series(rows, clock, sink, report=told)
    began_us = clock.wall_us
    for _ in range(4):
        worker.step()
        clock.go(30.0)
    assert told.reports == [(False, began_us, "no answer"), (True, clock.wall_us - 30_000_000, "")]
    assert rows.waiting() == []


def test_after_an_outage_the_points_delivered_shortly_before_it_go_again_and_before_newer_ones() -> None:
    rows, clock = MemoryRows(), FakeClock()
    sink = FakeSink(started=None)
    worker = series(rows, clock, sink, resend_s=30.0)
    rows.add(*points("old"))
    worker.step()
    clock.go(60.0)
    rows.add(*points("recent"))
    worker.step()
    clock.go(5.0)
    sink.failures = [TimeSeriesAwayError("killed")]
    rows.add(*points("new"))
    worker.step()
    clock.go(3600.0)
    rows.add(*points("newest"))
    worker.step()
    worker.step()
    names = [line.split(" ")[0].removeprefix("sample,location=") for line in sink.lines()]
    assert names == ["old", "recent", "new", "newest", "recent"]
    assert rows.waiting() == []


def test_resent_rows_stand_before_waiting_ones() -> None:
    """Else the first revision of a sample, sent again, would overwrite the second one that was waiting."""
    rows, clock, sink = MemoryRows(), FakeClock(), FakeSink()
    worker = series(rows, clock, sink, check_s=5.0)
    rows.add(outbox_row("rev1", point("a", 1), sink="time-series"))
    worker.step()
    clock.go(5.0)
    sink.started = 2.0  # killed and started again in between
    rows.add(outbox_row("rev2", point("a", 2), sink="time-series"))
    worker.step()
    assert sink.lines()[1:] == [point("a", 1).decode(), point("a", 2).decode()]


def test_a_restart_is_noticed_while_there_is_nothing_to_send() -> None:
    rows, clock, sink = MemoryRows(), FakeClock(), FakeSink()
    worker = series(rows, clock, sink, check_s=5.0, resend_s=30.0)
    rows.add(*points("a"))
    worker.step()
    clock.go(6.0)
    worker.step()
    assert len(sink.bodies) == 1, "the same process: nothing to send again"
    sink.started = 2.0
    clock.go(6.0)
    worker.step()
    assert sink.lines() == [point("a").decode()] * 2


def test_the_first_contact_sends_the_last_points_of_the_previous_run_again() -> None:
    rows, clock = MemoryRows(), FakeClock()
    rows.add(*points("before", "last"))
    last_taken_us = clock.wall_us
    rows.delivered([1], last_taken_us - 31_000_000)
    rows.delivered([2], last_taken_us - 29_000_000)
    clock.go(86_400.0)
    sink = FakeSink(started=None)
    rows.add(*points("new"))
    worker = series(rows, clock, sink, resend_s=30.0, last_taken_us=last_taken_us)
    worker.step()
    worker.step()
    assert sorted(sink.lines()) == sorted([point("new").decode(), point("last").decode()])


def test_with_no_time_to_resend_nothing_goes_twice() -> None:
    rows, clock, sink = MemoryRows(), FakeClock(), FakeSink()
    worker = series(rows, clock, sink, resend_s=0.0)
    rows.add(*points("a"))
    worker.step()
    sink.started = 2.0
    clock.go(6.0)
    worker.step()
    assert len(sink.bodies) == 1


# ---- the thread


class StuckWorker(OutboxWorker):
    """Hangs in its sink until told otherwise."""

    sink = "mqtt"

    def __init__(self, rows: MemoryRows, clock: FakeClock) -> None:
        super().__init__(rows, clock, idle_s=0.01)
        self.entered = threading.Event()
        self.release = threading.Event()

    def deliver(self, page: list[OutboxRow]) -> Outcome:
        self.entered.set()
        self.release.wait(20)
        return Outcome(taken=[row.id for row in page])


def test_a_worker_stuck_in_its_sink_is_left_behind_and_touches_the_journal_no_more() -> None:
    rows = MemoryRows()
    rows.add(outbox_row("a"))
    worker = StuckWorker(rows, FakeClock())
    worker.start()
    assert worker.entered.wait(20)
    assert worker.stop(0.05) is False
    worker.release.set()
    assert worker.stop(20) is True
    assert rows.waiting() == ["a"]


class BrokenRows(MemoryRows):
    """Fails the first time, as a journal whose disk was full for a moment."""

    failed = False

    def due(self, sink: str, now_us: int, limit: int, from_us: int = 0) -> list[OutboxRow]:
        if not self.failed:
            self.failed = True
            raise RuntimeError("disk full")
        return super().due(sink, now_us, limit, from_us)


def test_a_failing_journal_does_not_end_the_worker(caplog: pytest.LogCaptureFixture) -> None:
    rows, publisher = BrokenRows(), FakePublisher()
    rows.add(outbox_row("a"))
    worker = mqtt(rows, FakeClock(), publisher, idle_s=0.01)
    worker.start()
    wait_until(lambda: rows.failed, "the failure")

    def delivered() -> bool:
        worker.try_now()
        return not rows.waiting()

    wait_until(delivered, "delivery")
    assert worker.stop(20)
    assert "disk full" in caplog.text


def test_a_notified_worker_delivers_and_stops_at_once() -> None:
    rows, publisher = MemoryRows(), FakePublisher()
    worker = mqtt(rows, FakeClock(), publisher, idle_s=3600.0)
    worker.start()
    rows.add(outbox_row("a"))
    worker.notify()
    wait_until(lambda: not rows.waiting(), "delivery")
    assert worker.stop(20)
