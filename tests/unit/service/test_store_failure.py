"""The store cannot be written for a while: nothing is acknowledged, nothing goes out, and then all of it does, once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from motewatch.engine.records import AlarmChanged
from motewatch.journal.errors import DiskFullError, JournalBusyError, JournalCorruptError, JournalError
from motewatch.measure.samples import Quality
from motewatch.wire.records import SECOND_US
from support.facility import T0
from support.writer_bench import Bench, Step, count, event

S = SECOND_US
ALARM = "service/record"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Bench(tmp_path / "journal.db") as made:
        yield made


def fails(bench: Bench, tries: int, each_s: float, error: JournalError | None = None) -> Step:
    """A step: from now on commits fail so often, and each try takes so long on the clock."""

    def begin() -> None:
        bench.journal.failure = error or DiskFullError("journal.db")
        left = [tries]

        def one_more() -> None:
            bench.clock.go(each_s)
            left[0] -= 1
            if left[0] == 0:
                bench.journal.failure = None

        bench.journal.failing = one_more

    return begin


def words(bench: Bench) -> list[str]:
    """What came in which order, commits with something in them, acknowledgements and looks for the end."""
    return [
        f"{word} {len(what.inputs)}" if word == "commit" else f"{word} {what}"
        for word, what in bench.order
        if word == "find end" or (what.inputs if word == "commit" else what)
    ]


def alarms(bench: Bench) -> list[AlarmChanged]:
    return bench.journal.query_alarm_events(ALARM)


def test_the_batch_at_hand_is_kept_and_nothing_is_acknowledged_before_it_is_on_record(bench: Bench) -> None:
    bench.run_script(
        event("up"),
        event("drained"),
        fails(bench, tries=3, each_s=10.0),
        count("pc-1", 0, T0 + 10 * S, mid=5),
        count("pc-1", 1, T0 + 20 * S, mid=6),
        lambda: None,
        event("drained"),
        lambda: None,
    )
    assert words(bench)[1:] == [
        "commit 2",
        "find end None",
        "acknowledge [5, 6]",
        "commit 1",
        "snapshot 1780000050000000",
    ]
    assert [row.seq for row in bench.inputs() if row.seq is not None] == [0, 1]
    assert bench.journal.verify() == []


def test_afterwards_an_alarm_says_from_when_to_when(bench: Bench) -> None:
    bench.run_script(
        event("up"),
        event("drained"),
        lambda: bench.clock.go(60),
        fails(bench, tries=3, each_s=10.0),
        count("pc-1", 0, T0 + 60 * S),
        lambda: None,
        event("drained"),
        lambda: None,
    )
    starts, returns = alarms(bench)
    assert (starts.event.value, starts.at_us, starts.priority.value) == ("starts", T0 + 70 * S, "high")
    assert returns.event.value == "returns"
    assert returns.after.value == "returned-unacknowledged"
    assert "could not be written from 2026-" in starts.text
    assert "(20 s): no space left to write the journal; messages waited with the broker" in starts.text
    assert "journal.db" not in starts.text


def test_no_period_closes_before_what_waited_with_the_broker_has_come(bench: Bench) -> None:
    """Ten minutes without a record: the readings of that time waited with the broker, and no air is missing."""
    backlog = [count("pc-1", n, T0 + 10 * (n + 1) * S, (1, 0)) for n in range(1, 66)]
    bench.run_script(
        event("up"),
        event("drained"),
        lambda: bench.clock.go(10),
        fails(bench, tries=2, each_s=330.0),
        count("pc-1", 0, T0 + 10 * S, (1, 0)),
        lambda: bench.clock.go(1),
        *backlog[:30],
        lambda: bench.clock.go(1),
        *backlog[30:],
        event("drained"),
        lambda: None,
    )
    samples = [sample for sample in bench.samples() if sample.location == "fill-1"]
    assert [(sample.revision, sample.readings) for sample in samples] == [(1, 6)] * 11
    assert not any(sample.quality & Quality.MISSING for sample in samples)
    assert len(alarms(bench)) == 2


def test_what_is_wrong_is_told_at_each_try_and_that_it_is_over(bench: Bench) -> None:
    alive: list[tuple[str, float]] = []

    def look() -> None:
        alive.append((bench.writer.trouble, bench.writer.lives_s))

    step = fails(bench, tries=2, each_s=10.0, error=JournalBusyError("/data/journal.db"))

    def begin() -> None:
        assert callable(step)
        step()
        failing = bench.journal.failing

        def look_first() -> None:
            look()
            failing()

        bench.journal.failing = look_first

    bench.run_script(event("up"), event("drained"), begin, count("pc-1", 0, T0 + 10 * S))
    why = "the record cannot be written: another process is writing the journal"
    assert bench.troubles == [why, why, ""]
    assert [trouble for trouble, _ in alive] == ["", why]
    assert bench.writer.trouble == ""
    # One that tries again and again lives; its turns stand still.
    assert alive[1][1] > alive[0][1]


def test_a_stop_meanwhile_ends_it_with_everything_unacknowledged(bench: Bench) -> None:
    bench.journal.failure = DiskFullError("journal.db")
    bench.journal.failing = bench.writer.stop
    with pytest.raises(DiskFullError):
        bench.run_script(event("up"), event("drained"), count("pc-1", 0, T0 + 10 * S))
    assert words(bench)[1:] == []


def test_a_damaged_journal_is_nothing_to_wait_for(bench: Bench) -> None:
    bench.journal.failure = JournalCorruptError("journal.db", "torn")
    with pytest.raises(JournalCorruptError):
        bench.run_script(event("up"), event("drained"), count("pc-1", 0, T0 + 10 * S))
    assert bench.troubles == []


def test_while_the_broker_is_away_as_well_its_return_finds_the_end(bench: Bench) -> None:
    bench.run_script(
        event("up"),
        event("drained"),
        lambda: bench.clock.go(60),
        event("down"),
        fails(bench, tries=2, each_s=10.0),
        event("session-lost"),
        lambda: None,
        event("up"),
        event("drained"),
        lambda: None,
    )
    assert "find end None" not in words(bench)
    assert len(alarms(bench)) == 2
