"""The engine brought back from the record, and what happens when the record says something else."""

from __future__ import annotations

import zlib
from pathlib import Path

import pytest

from motewatch.engine import NewerStateError
from motewatch.engine.core import STATE_VERSION
from motewatch.journal.history import JournalHistory
from motewatch.journal.inputs import input_of
from motewatch.journal.journal import Journal
from motewatch.journal.rows import InputRow, SnapshotRow
from motewatch.service.replay import Restored, restore
from motewatch.wire.records import SECOND_US
from support.facility import T0
from support.writer_bench import TOPICS, Bench, Step, count, delivery, event, tamper

S = SECOND_US


@pytest.fixture
def record(tmp_path: Path) -> tuple[Path, bytes]:
    """A journal with everything in it but snapshots, and the state of the engine that wrote it."""
    path = tmp_path / "journal.db"
    with Bench(path) as bench:
        steps: list[Step] = []
        for n in range(40):
            at_us = T0 + 10 * (n + 1) * S
            steps += [
                lambda: bench.clock.go(10),
                count("pc-1", n, at_us, (17 if 6 <= n < 12 else 1, 0)),
                count("pc-1", n, at_us, (17 if 6 <= n < 12 else 1, 0)),
                delivery(TOPICS.counts("pc-2"), b"garbage", 9, at_us),
            ]
        bench.run_script(event("up"), event("drained"), *steps, lambda: bench.clock.go(7))
        state = bench.engine.snapshot_text()
    with tamper(path) as connection:
        connection.execute("DELETE FROM snapshots")
    return path, state


def restored(path: Path) -> Restored:
    with Journal(path) as journal:
        return restore(journal, JournalHistory(journal), TOPICS)


def test_the_whole_record_gives_the_same_engine(record: tuple[Path, bytes]) -> None:
    path, state = record
    again = restored(path)
    assert again.difference == ""
    assert again.inputs == 1 + 40 + 40
    assert again.outputs == 13
    assert again.engine.snapshot_text() == state


def test_a_snapshot_and_what_came_after_give_the_same_engine(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with Bench(path) as bench:
        steps = [
            step
            for n in range(30)
            for step in (lambda: bench.clock.go(10), count("pc-1", n, T0 + 10 * (n + 1) * S, (n, 0)))
        ]
        bench.run_script(event("up"), event("drained"), *steps[:30], bench.writer.save_snapshot, *steps[30:])
        state = bench.engine.snapshot_text()
    with tamper(path) as connection:
        connection.execute("DELETE FROM snapshots WHERE id <> (SELECT min(id) FROM snapshots)")
    again = restored(path)
    assert (again.difference, again.inputs) == ("", 15)
    assert again.engine.snapshot_text() == state


def test_a_changed_output_is_found_and_the_engine_still_arrives(record: tuple[Path, bytes]) -> None:
    path, state = record
    with tamper(path) as connection:
        target, body = connection.execute(
            "SELECT id, body FROM outputs WHERE kind = 'sample' ORDER BY id LIMIT 1"
        ).fetchone()
        forged = body.replace("fill-1", "fill-9", 1)
        assert forged != body
        connection.execute("UPDATE outputs SET body = ? WHERE id = ?", (forged, target))
    again = restored(path)
    assert again.difference.startswith("record has ")
    assert "fill-9" in again.difference.split(", replay gives ")[0]
    assert "fill-1" in again.difference.split(", replay gives ")[1]
    assert again.engine.snapshot_text() == state


@pytest.mark.parametrize("where", ["min", "max"])
def test_an_output_that_is_gone_is_found(record: tuple[Path, bytes], where: str) -> None:
    path, state = record
    with tamper(path) as connection:
        (target,) = connection.execute(f"SELECT {where}(output_id) FROM samples").fetchone()
        connection.execute("DELETE FROM samples WHERE output_id = ?", (target,))
        connection.execute("DELETE FROM outputs WHERE id = ?", (target,))
    again = restored(path)
    assert again.difference != ""
    assert again.engine.snapshot_text() == state


def test_the_snapshot_of_a_newer_version_is_refused_by_name(record: tuple[Path, bytes]) -> None:
    path, _ = record
    with Journal(path) as journal:
        journal.save_snapshot(
            SnapshotRow(journal.last_input_id(), T0, journal.last_output_id(), STATE_VERSION + 1, b"")
        )
    with pytest.raises(NewerStateError, match=f"state version {STATE_VERSION + 1}"):
        restored(path)


def test_the_snapshot_of_an_older_version_is_put_aside_and_everything_is_replayed(
    record: tuple[Path, bytes], caplog: pytest.LogCaptureFixture
) -> None:
    path, state = record
    old = (Path(__file__).parents[2] / "data" / "snapshots" / "version-1.json").read_bytes()
    with Journal(path) as journal:
        journal.save_snapshot(SnapshotRow(journal.last_input_id(), T0, journal.last_output_id(), 1, zlib.compress(old)))
    again = restored(path)
    assert (again.difference, again.inputs, again.outputs) == ("", 1 + 40 + 40, 13)
    assert again.engine.snapshot_text() == state
    assert "put it aside and replay the inputs from the beginning" in caplog.text


def test_a_row_that_means_nothing_is_a_defect_with_its_number() -> None:
    row = InputRow(7, "message", T0, T0, TOPICS.presence("pc-1"), b"")
    with pytest.raises(ValueError, match="input 7 means nothing"):
        input_of(TOPICS, row)
