"""The whole program was held up for a while: what came meanwhile is taken in before any period closes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from motewatch.measure.samples import Quality
from motewatch.wire.records import SECOND_US
from support.facility import T0
from support.writer_bench import Bench, count, event

S = SECOND_US


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Bench(tmp_path / "journal.db", stall_s=1.0) as made:
        yield made


def found(bench: Bench) -> list[tuple[int, int, bool]]:
    """Of each sample of `fill-1`: revision, readings, and whether air is missing."""
    samples = [sample for sample in bench.samples() if sample.location == "fill-1"]
    return [(one.revision, one.readings, bool(one.quality & Quality.MISSING)) for one in samples]


def test_no_period_closes_before_what_came_while_the_program_stood(bench: Bench) -> None:
    unread = [count("pc-1", n, T0 + 10 * (n + 1) * S, (1, 0)) for n in range(12)]
    bench.run_script(
        event("up"),
        event("drained"),
        lambda: bench.clock.go(130),
        *unread[:5],
        lambda: None,
        *unread[5:],
        lambda: None,
        event("drained"),
        lambda: None,
    )
    assert [word for word, _ in bench.order].count("find end") == 1
    assert found(bench) == [(1, 6, False), (1, 6, False)]


def test_time_that_passes_turn_by_turn_is_no_stall(bench: Bench) -> None:
    bench.run_script(event("up"), event("drained"), *[lambda: bench.clock.go(0.9)] * 140)
    assert "find end" not in [word for word, _ in bench.order]
    assert len(found(bench)) == 2


def test_without_a_broker_there_is_nothing_to_wait_for(bench: Bench) -> None:
    bench.run_script(
        event("up"), event("drained"), event("down"), lambda: bench.clock.go(31), lambda: bench.clock.go(31)
    )
    assert "find end" not in [word for word, _ in bench.order]
