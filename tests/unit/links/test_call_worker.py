"""The worker of calls, a step at a time, against small stand-ins."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from motewatch.callout.records import Delivered, Outcome, Told
from motewatch.journal.errors import JournalBusyError
from motewatch.links.attempts import MOST_HANGING
from motewatch.links.call_lanes import MINUTE_S, TRIED, place_in_line
from motewatch.links.call_message import CallMessage
from motewatch.links.call_text import MAYBE_REPEAT
from motewatch.links.call_worker import SETTLE_S, CallWorker
from motewatch.links.errors import ChannelAwayError, ChannelRefusedError
from motewatch.site.people import MqttChannel
from support.call_fakes import FakeChannel, FakeService, call, call_row, words
from support.links_fakes import FakeClock, MemoryRows
from support.servers import wait_until


@dataclass
class Ground:
    """A worker and all it is handed."""

    clock: FakeClock = field(default_factory=FakeClock)
    rows: MemoryRows = field(default_factory=MemoryRows)
    channel: FakeChannel = field(default_factory=FakeChannel)
    service: FakeService = field(default_factory=FakeService)

    def worker(self, *, left_over: tuple[int, ...] = (), **changes: Any) -> CallWorker:
        settings = MqttChannel(id="sms", kind="mqtt", **{"timeout_s": 10.0, "give_up_min": 15.0, **changes})
        return CallWorker(
            settings, self.channel, self.rows, self.service.post, words, self.clock, left_over=left_over, idle_s=1.0
        )

    def put(self, *calls: Told, age_s: float = 0.0) -> None:
        self.rows.add(*(call_row(each, self.clock.now_us() - round(age_s * 1e6)) for each in calls))

    def work(self, worker: CallWorker, steps: int = 100) -> None:
        """Until there is nothing to do now."""
        for _ in range(steps):
            if worker.step() > 0:
                return
        raise AssertionError("it does not come to rest")


AWAY = ChannelAwayError("the gateway is away")
REFUSED = ChannelRefusedError("no such number")


def test_a_call_is_sent_told_to_the_engine_and_marked() -> None:
    ground = Ground()
    worker = ground.worker()
    ground.put(call("a"))
    ground.work(worker)
    (message,) = ground.channel.tried
    assert (message.id, message.person, message.address, message.maybe_repeat) == ("a", "ada", "+00 1", False)
    assert ground.service.posted == [Delivered("a", Outcome.DELIVERED, ground.clock.wall_us, 1, "")]
    assert ground.rows.waiting() == []
    assert ground.rows.errors == {}


def test_a_row_is_marked_only_when_its_outcome_is_committed_and_not_sent_meanwhile() -> None:
    ground = Ground(service=FakeService(at_once=False))
    worker = ground.worker()
    ground.put(call("a"))
    for _ in range(3):
        worker.step()
    assert (ground.channel.ids(), ground.rows.waiting()) == (["a"], ["a"])
    ground.put(call("b"))
    ground.clock.go(SETTLE_S - 0.1)
    assert worker.step() == pytest.approx(0.1)
    assert ground.channel.ids() == ["a"], "or a crash would repeat two"
    ground.clock.go(0.2)
    ground.work(worker)
    assert ground.channel.ids() == ["a", "b"], "a busy writer holds up no call for ever"
    ground.service.commit()
    ground.work(worker)
    assert (ground.channel.ids(), ground.rows.waiting()) == (["a", "b"], [])


def test_a_crash_before_the_commit_repeats_the_call_under_its_id_and_says_so() -> None:
    ground = Ground(service=FakeService(at_once=False))
    ground.put(call("a"))
    ground.work(ground.worker())
    ground.put(call("b"))
    reborn = ground.worker(left_over=(1,))
    ground.work(reborn)
    assert [(each.id, each.maybe_repeat) for each in ground.channel.tried] == [("a", False), ("a", True)]
    ground.service.commit()
    ground.work(reborn)
    assert [(each.id, each.maybe_repeat) for each in ground.channel.tried[2:]] == [("b", False)]
    assert MAYBE_REPEAT in ground.channel.tried[1].text
    assert reborn.figures.repeats == 1


def test_high_priority_goes_first_then_what_is_fresh_then_the_oldest() -> None:
    ground = Ground()
    ground.put(call("late"), age_s=3_600)
    ground.put(call("low-1"), call("low-2"), call("tried"), call("high-1", urgent=True), call("high-2", urgent=True))
    ground.rows.retry([4], 0, "away")
    ground.work(ground.worker())
    assert ground.channel.ids() == ["high-1", "high-2", "low-1", "low-2", "tried", "late"]


def test_a_call_that_failed_waits_by_itself_with_growing_pauses() -> None:
    ground = Ground()
    ground.channel.answers = {"a": [AWAY] * 4}
    worker = ground.worker()
    ground.put(call("a", urgent=True), call("b"))
    ground.work(worker)
    assert ground.channel.ids() == ["a", "b"]
    assert ground.rows.rows[1].attempts == 1
    assert ground.rows.rows[1].next_try_us == place_in_line(True, TRIED)
    assert ground.rows.errors == {1: "the gateway is away"}
    for pause_s in (0.5, 1.0, 2.0, 4.0):
        ground.channel.tried.clear()
        ground.clock.go(pause_s - 0.01)
        assert worker.step() == pytest.approx(0.01)
        assert ground.channel.ids() == []
        ground.clock.go(0.02)
        ground.work(worker)
        assert ground.channel.ids() == ["a"]
    assert ground.service.outcomes() == [("b", Outcome.DELIVERED), ("a", Outcome.DELIVERED)]
    assert ground.service.posted[1].attempts == 5
    assert worker.step() == 1.0


def test_setting_the_host_clock_changes_no_pause() -> None:
    ground = Ground()
    ground.channel.answers = {"a": [AWAY]}
    worker = ground.worker()
    ground.put(call("a"))
    ground.work(worker)
    ground.clock.wall_us -= 7_200_000_000
    ground.clock.elapsed_s += 0.6
    ground.work(worker)
    assert ground.service.outcomes() == [("a", Outcome.DELIVERED)]


def test_a_refused_call_is_over_at_once() -> None:
    ground = Ground()
    ground.channel.always = REFUSED
    ground.put(call("a"))
    ground.work(ground.worker())
    assert ground.service.posted == [Delivered("a", Outcome.REFUSED, ground.clock.wall_us, 1, "no such number")]
    assert ground.rows.waiting() == []
    assert ground.rows.errors == {1: "no such number"}


def test_it_is_given_up_after_the_time_with_a_last_try_then() -> None:
    ground = Ground()
    ground.channel.always = AWAY
    worker = ground.worker(give_up_min=1.0)
    begun_s = ground.clock.elapsed_s
    ground.put(call("a"))
    tries_s = []
    while not ground.service.posted:
        before = len(ground.channel.tried)
        pause_s = worker.step()
        if len(ground.channel.tried) > before:
            tries_s.append(ground.clock.elapsed_s - begun_s)
        ground.clock.go(pause_s)
    assert tries_s == pytest.approx([0, 0.5, 1.5, 3.5, 7.5, 15.5, 31.5, 60.0])
    (said,) = ground.service.posted
    assert (said.outcome, said.attempts, said.detail) == (Outcome.GIVEN_UP, 8, "the gateway is away")
    ground.work(worker)
    assert ground.rows.waiting() == []


def test_every_call_gets_a_try_however_late_it_is() -> None:
    ground = Ground()
    ground.channel.answers = {"b": [AWAY]}
    ground.put(call("a"), call("b"), age_s=86_400)
    ground.work(ground.worker(left_over=(1, 2)))
    assert ground.channel.ids() == ["a", "b"]
    assert ground.service.outcomes() == [("a", Outcome.DELIVERED), ("b", Outcome.GIVEN_UP)]


@pytest.mark.parametrize(("asked_s", "outcome"), [(120.0, Outcome.DELIVERED), (1_000.0, Outcome.GIVEN_UP)])
def test_a_receiver_is_left_alone_for_as_long_as_it_asks(asked_s: float, outcome: Outcome) -> None:
    ground = Ground()
    ground.channel.answers = {"a": [ChannelAwayError("later", retry_after_s=asked_s)]}
    worker = ground.worker()
    ground.put(call("a"))
    ground.work(worker)
    assert len(ground.channel.tried) == 1
    if outcome is Outcome.DELIVERED:
        ground.clock.go(119.0)
        ground.work(worker)
        assert len(ground.channel.tried) == 1
        ground.clock.go(1.5)
        ground.work(worker)
    assert ground.service.outcomes() == [("a", outcome)], "no wait that is longer than there is time"


@pytest.mark.parametrize("arrived", [True, False])
def test_a_try_that_may_have_arrived_makes_the_next_one_a_possible_repeat(arrived: bool) -> None:
    ground = Ground()
    ground.channel.answers = {"a": [ChannelAwayError("no answer", may_have_arrived=arrived)]}
    worker = ground.worker()
    ground.put(call("a"))
    ground.work(worker)
    ground.clock.go(1.0)
    ground.work(worker)
    assert [each.maybe_repeat for each in ground.channel.tried] == [False, arrived]


def test_no_more_than_so_many_in_a_minute_and_high_priority_first() -> None:
    ground = Ground()
    worker = ground.worker(per_minute=3)
    ground.put(*(call(f"low-{n}") for n in range(5)))
    ground.work(worker)
    assert ground.channel.ids() == ["low-0", "low-1", "low-2"]
    ground.clock.go(MINUTE_S - 1)
    ground.put(call("high", urgent=True))
    assert worker.step() == 1.0
    assert len(ground.channel.tried) == 3
    ground.clock.go(1.0)
    ground.work(worker)
    assert ground.channel.ids()[3:] == ["high", "low-3", "low-4"]


def test_a_channel_that_hangs_is_left_behind_and_too_many_of_them_begin_nothing() -> None:
    ground = Ground()
    over = threading.Event()
    worker = ground.worker(give_up_min=600.0)

    def hang() -> None:
        ground.clock.go(12.0)
        over.wait(60)

    ground.channel.always = hang
    try:
        ground.put(call("a"))
        for _ in range(MOST_HANGING):
            ground.work(worker)
            ground.clock.go(31.0)
        assert len(ground.channel.tried) == MOST_HANGING
        assert ground.rows.errors == {1: "no end within 10 s"}
        assert [each.maybe_repeat for each in ground.channel.tried] == [False, True, True, True]
        ground.work(worker)
        assert len(ground.channel.tried) == MOST_HANGING
        assert ground.rows.errors == {1: "4 earlier tries have not ended yet"}
    finally:
        over.set()
    ground.channel.always = None
    for thread in threading.enumerate():
        if thread.name == "call-sms":
            thread.join(20)
    ground.clock.go(31.0)
    ground.work(worker)
    assert ground.service.outcomes() == [("a", Outcome.DELIVERED)]


def test_a_defect_of_a_channel_is_a_failed_try_and_its_text_stays_secret(caplog: pytest.LogCaptureFixture) -> None:
    ground = Ground()
    ground.channel.answers = {"a": [KeyError("sesame-in-the-url")]}
    worker = ground.worker()
    ground.put(call("a"))
    with caplog.at_level(logging.DEBUG):
        ground.work(worker)
        assert ground.rows.errors == {1: "a defect: KeyError"}
        ground.clock.go(1.0)
        ground.work(worker)
    assert ground.service.outcomes() == [("a", Outcome.DELIVERED)]
    assert "sesame" not in caplog.text


def test_a_channel_that_wants_to_end_the_program_ends_its_own_try() -> None:
    ground = Ground()
    ground.channel.answers = {"a": [exits]}
    worker = ground.worker()
    ground.put(call("a"), call("b"))
    ground.work(worker)
    assert ground.rows.errors == {1: "a defect: WorkExitedError"}
    assert ground.service.outcomes() == [("b", Outcome.DELIVERED)]


def test_a_call_that_cannot_be_put_into_words_or_read_is_refused_and_holds_up_nothing() -> None:
    ground = Ground()

    def broken(told: Told, maybe_repeat: bool) -> CallMessage:
        if told.id == "a":
            raise ZeroDivisionError
        return words(told, maybe_repeat)

    settings = MqttChannel(id="sms", kind="mqtt")
    worker = CallWorker(settings, ground.channel, ground.rows, ground.service.post, broken, ground.clock)
    ground.put(call("a"), call("b"))
    for id_, payload in (("c", b"{"), ("d", b"[]"), ("e", b'{"facts": [1]}'), ("f", b"\xff")):
        ground.rows.add(replace(call_row(call(id_), ground.clock.now_us()), payload=payload))
    ground.work(worker)
    assert sorted(ground.service.outcomes()) == [
        ("a", Outcome.REFUSED),
        ("b", Outcome.DELIVERED),
        *((id_, Outcome.REFUSED) for id_ in "cdef"),
    ]
    assert ground.rows.waiting() == []


def test_a_long_answer_is_cut_for_the_record() -> None:
    ground = Ground()
    ground.channel.always = ChannelRefusedError("x" * 5_000)
    ground.put(call("a"))
    ground.work(ground.worker())
    assert len(ground.service.posted[0].detail) == 300


# ---- the thread


def exits() -> None:
    raise SystemExit("sesame-in-the-url")


@contextmanager
def running(worker: CallWorker) -> Iterator[CallWorker]:
    worker.start()
    try:
        yield worker
    finally:
        worker.stop(20)


def test_the_thread_delivers_what_comes_and_ends_when_told() -> None:
    ground = Ground()
    with running(ground.worker()) as worker:
        ground.put(call("a"))
        worker.notify()
        wait_until(lambda: ground.rows.waiting() == [], "the call marked")
        assert worker.stop(20)
    ground.put(call("b"))
    worker.notify()
    assert ground.channel.ids() == ["a"]


class Failing(MemoryRows):
    """A journal that is busy a few times."""

    failures = 2
    error: Exception = OSError("the disk is busy")

    def due(self, sink: str, now_us: int, limit: int, from_us: int = 0) -> list[Any]:
        if self.failures:
            self.failures -= 1
            raise self.error
        return super().due(sink, now_us, limit, from_us)


def test_a_journal_that_fails_stops_no_worker() -> None:
    ground = Ground(rows=Failing())
    ground.put(call("a"))
    with running(ground.worker()) as worker:

        def marked() -> bool:
            worker.notify()
            return ground.rows.waiting() == []

        wait_until(marked, "the call marked")


def test_a_journal_that_cannot_be_written_is_said_once_and_is_no_defect(caplog: pytest.LogCaptureFixture) -> None:
    rows = Failing()
    rows.error = JournalBusyError("journal.db")
    ground = Ground(rows=rows)
    ground.put(call("a"))
    with caplog.at_level(logging.WARNING), running(ground.worker()) as worker:

        def marked() -> bool:
            worker.notify()
            return ground.rows.waiting() == []

        wait_until(marked, "the call marked")
    assert [record.levelname for record in caplog.records] == ["WARNING"]
    assert "another process is writing the journal" in caplog.text


def test_a_stop_waits_for_the_commit_of_the_last_call() -> None:
    ground = Ground(service=FakeService(at_once=False))
    ground.put(call("a"))
    with running(ground.worker()) as worker:
        wait_until(lambda: ground.service.waiting, "the outcome posted")
        worker.ask_to_stop()
        ground.service.commit()
        assert worker.stop(20)
    assert ground.rows.waiting() == []


def test_a_stop_leaves_a_hanging_try_behind_and_its_row_on_record() -> None:
    ground = Ground()
    over, hanging = threading.Event(), threading.Event()

    def hang() -> None:
        hanging.set()
        over.wait(60)

    ground.channel.always = hang
    ground.put(call("a"))
    clock = ground.clock
    try:
        with running(ground.worker()) as worker:
            assert hanging.wait(20)
            worker.ask_to_stop()
            clock.go(1.0)
            assert worker.stop(20)
        assert ground.rows.waiting() == ["a"]
        assert ground.rows.rows[1].attempts == 0
        assert ground.service.posted == []
    finally:
        over.set()
