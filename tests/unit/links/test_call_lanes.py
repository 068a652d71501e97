"""The order of waiting calls among any number of them, in a real journal, and the lane of the urgent ones."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from motewatch.callout.records import Told
from motewatch.engine.codec import canonical
from motewatch.journal.journal import Journal
from motewatch.journal.outbox import Outbox
from motewatch.journal.rows import Batch, OutboxRow
from motewatch.links.call_lanes import FRESH, OVERDUE, TRIED, Lane, Window, place_in_line
from motewatch.links.call_worker import PAGE, CallWorker
from motewatch.links.errors import ChannelAwayError
from motewatch.links.publications import Directory, Publications
from motewatch.site.people import MqttChannel
from motewatch.wire.topics import Topics
from support.call_fakes import FakeChannel, FakeService, call, words
from support.links_fakes import FakeClock
from support.servers import wait_until

BACKLOG = 5_000
SINK = "call/sms"


@dataclass
class Ground:
    """One channel, its two lanes, and a journal."""

    journal: Journal
    clock: FakeClock = field(default_factory=FakeClock)
    channel: FakeChannel = field(default_factory=FakeChannel)
    service: FakeService = field(default_factory=FakeService)

    def __post_init__(self) -> None:
        self.settings = MqttChannel(id="sms", kind="mqtt", timeout_s=10.0, give_up_min=15.0, per_minute=60)
        self.window = Window(self.settings.per_minute)
        self.outbox = Outbox(self.journal.store)

    def worker(self, lane: Lane) -> CallWorker:
        return CallWorker(
            self.settings,
            self.channel,
            self.outbox,
            self.service.post,
            words,
            self.clock,
            lane=lane,
            window=self.window,
        )

    def put(self, *calls: Told, age_s: float = 0.0, old: bool = False) -> None:
        """As the service puts them; `old`: as earlier versions did, which kept no place in line."""
        made_us = self.clock.now_us() - round(age_s * 1e6)
        rows = [
            OutboxRow(0, SINK, each.id, "", canonical(each).encode(), False, made_us, 0, self.place(each, old))
            for each in calls
        ]
        self.journal.commit(Batch(outbox=rows, engine_us=1))

    @staticmethod
    def place(told: Told, old: bool) -> int:
        return 0 if old else place_in_line(told.urgent)


@pytest.fixture
def ground(tmp_path: Path) -> Iterator[Ground]:
    with Journal(tmp_path / "journal.db") as journal:
        yield Ground(journal)


def backlog(prefix: str = "low", **changes: Any) -> list[Told]:
    return [call(f"{prefix}-{number}", **changes) for number in range(BACKLOG)]


def until_tried(ground: Ground, worker: CallWorker, most: int = 20) -> str:
    """The id of the next call that goes out."""
    before = len(ground.channel.tried)
    for _ in range(most):
        worker.step()
        if len(ground.channel.tried) > before:
            return ground.channel.ids()[-1]
    raise AssertionError("nothing goes out")


def test_an_urgent_call_overtakes_a_backlog_of_any_size(ground: Ground) -> None:
    ground.put(*backlog())
    ground.put(call("urgent", urgent=True))
    assert until_tried(ground, ground.worker(Lane.ALL)) == "urgent"


@pytest.mark.parametrize("urgent", [True, False])
def test_a_fresh_call_overtakes_a_backlog_that_is_overdue(ground: Ground, urgent: bool) -> None:
    ground.put(*backlog("late", urgent=urgent), age_s=3_600)
    ground.put(call("fresh", urgent=urgent))
    assert until_tried(ground, ground.worker(Lane.URGENT if urgent else Lane.OTHERS)) == "fresh"


def test_a_fresh_call_overtakes_a_backlog_that_was_tried_in_vain(ground: Ground) -> None:
    ground.put(*backlog())
    ids = [row.id for row in ground.outbox.due(SINK, 10, BACKLOG)]
    ground.outbox.retry(ids, place_in_line(False, TRIED), "away")
    ground.put(call("fresh"))
    assert until_tried(ground, ground.worker(Lane.OTHERS)) == "fresh"


def test_what_failed_goes_behind_what_was_not_tried(ground: Ground) -> None:
    ground.put(call("a", urgent=True))
    ground.channel.always = ChannelAwayError("away")
    assert until_tried(ground, ground.worker(Lane.URGENT)) == "a"
    (row,) = ground.outbox.due(SINK, 10, 10)
    assert (row.attempts, row.next_try_us) == (1, place_in_line(True, TRIED))


def test_rows_of_an_older_version_find_their_lane(ground: Ground) -> None:
    ground.put(call("low"), call("high", urgent=True), old=True)
    assert until_tried(ground, ground.worker(Lane.URGENT)) == "high"
    assert [row.next_try_us for row in ground.outbox.due(SINK, 10, 10) if row.key == "low"] == [place_in_line(False)]
    assert until_tried(ground, ground.worker(Lane.OTHERS)) == "low"


def test_the_index_has_the_order_in_it(ground: Ground) -> None:
    heard: list[tuple[str, Any]] = []
    with ground.journal.store.reading() as connection:
        engine = connection.engine

        def hear(_conn: object, _cursor: object, statement: str, parameters: Any, *_: object) -> None:
            heard.append((statement, parameters))

        event.listen(engine, "before_cursor_execute", hear)
        try:
            ground.outbox.due(SINK, 5, 1_000)
        finally:
            event.remove(engine, "before_cursor_execute", hear)
        ((statement, parameters),) = [each for each in heard if "FROM outbox" in each[0]]
        plan = " ".join(str(row) for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters))
    assert "ix_outbox_waiting" in plan
    assert "TEMP B-TREE" not in plan


def test_every_place_has_come_by_any_clock_and_urgent_ones_are_first() -> None:
    places = [place_in_line(urgent, stage) for urgent in (True, False) for stage in (FRESH, TRIED, OVERDUE)]
    assert places == sorted(set(places))
    assert max(places) < 1_000
    assert Lane.ALL.value == (places[0], places[-1])
    assert (Lane.URGENT.value, Lane.OTHERS.value) == ((places[0], places[2]), (places[3], places[5]))


def test_the_service_puts_a_call_where_it_belongs() -> None:
    publications = Publications(Topics("motewatch/v1", "testing"), Directory({}, {}), time_series=False)
    rows = publications.rows([call("a", urgent=True), call("b")], 5)
    assert [(row.key, row.next_try_us) for row in rows] == [("a", place_in_line(True)), ("b", place_in_line(False))]


def test_a_tenth_of_the_tries_of_a_minute_is_kept_for_urgent_calls() -> None:
    window = Window(60)
    assert [window.take(float(second), urgent=False) for second in range(54)] == [0.0] * 54
    assert window.take(54.0, urgent=False) == 6.0
    assert [window.take(54.0, urgent=True) for _ in range(6)] == [0.0] * 6
    assert window.take(55.0, urgent=True) == 5.0
    assert window.take(60.0, urgent=False) > 0.0
    assert window.take(60.0, urgent=True) == 0.0
    small = Window(1)
    assert (small.take(0.0, urgent=False), small.take(1.0, urgent=True)) == (0.0, 59.0)


@contextmanager
def running(*workers: CallWorker) -> Iterator[None]:
    for worker in workers:
        worker.start()
    try:
        yield
    finally:
        for worker in workers:
            worker.stop(20)


def test_an_urgent_call_does_not_wait_for_a_try_under_way(ground: Ground) -> None:
    hangs, over = threading.Event(), threading.Event()

    def hang() -> None:
        hangs.set()
        over.wait(60)

    ground.channel.answers = {"low": [hang]}
    ground.put(call("low"))
    try:
        with running(*(ground.worker(lane) for lane in (Lane.URGENT, Lane.OTHERS))):
            assert hangs.wait(20)
            ground.put(call("urgent", urgent=True))
            wait_until(lambda: ("urgent", "delivered") in [(i, o.value) for i, o in ground.service.outcomes()], "it")
            assert not over.is_set()
            assert [each.key for each in ground.outbox.due(SINK, 10, PAGE)][-1:] == ["low"]
            over.set()
            wait_until(lambda: ground.outbox.backlog(SINK) == 0, "both marked")
    finally:
        over.set()
