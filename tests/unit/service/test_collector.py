"""Python's collector in a long-running service: seldom, and never while a snapshot is made."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from pathlib import Path

import pytest

from motewatch.engine import Engine
from motewatch.service import collector
from motewatch.service.replay import snapshot_row
from support.writer_bench import Bench, event


@pytest.fixture(autouse=True)
def as_before() -> Iterator[None]:
    """This process goes on afterwards."""
    threshold = gc.get_threshold()
    yield
    gc.set_threshold(*threshold)
    gc.enable()


def test_it_looks_seldom() -> None:
    collector.look_seldom()
    assert gc.get_threshold()[0] == collector.YOUNG_OBJECTS


def test_what_is_there_is_not_looked_at_again() -> None:
    frozen = gc.get_freeze_count()
    try:
        collector.keep_what_is_there()
        assert gc.get_freeze_count() > frozen
    finally:
        gc.unfreeze()


def test_it_waits_and_comes_back_also_after_an_error() -> None:
    on = []

    def fails() -> None:
        with collector.not_now():
            on.append(gc.isenabled())
            raise ValueError("over")

    with pytest.raises(ValueError, match="over"):
        fails()
    assert on == [False]
    assert gc.isenabled()


def test_who_had_switched_it_off_finds_it_off() -> None:
    gc.disable()
    with collector.not_now():
        pass
    assert not gc.isenabled()


def test_it_waits_while_a_snapshot_is_made(tmp_path: Path) -> None:
    class Watched(Engine):
        """Notes whether the collector was on when its state was taken."""

        on: bool | None = None

        def snapshot_text(self) -> bytes:
            self.on = gc.isenabled()
            return super().snapshot_text()

    with Bench(tmp_path / "journal.db") as bench:
        bench.run_script(event("up"), event("drained"))
        engine = Watched.restore(bench.engine.snapshot(), bench.history)
        assert isinstance(engine, Watched)
        snapshot_row(engine, bench.journal)
        assert engine.on is False
    assert gc.isenabled()
