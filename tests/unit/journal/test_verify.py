"""`verify` must notice what it promises to notice. Each case damages a journal by hand, behind its back."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest

from motewatch.callout.records import Delivered, Outcome
from motewatch.engine.codec import encode_internal
from motewatch.engine.records import Audited, Output
from motewatch.journal import chain
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, AuditRow, Batch, InputRow
from support.calls import CALL
from support.journal_records import alarm, fact, outbox_row, reading_row, taken


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "journal.db"
    with Journal(path) as journal:
        journal.commit(Batch([reading_row(1, at_us=10)], [(0, taken(60)), (0, fact("one"))], engine_us=10))
        outputs: list[tuple[int, Output]] = [
            (0, taken(60, 2)),
            (0, alarm()),
            (0, fact("two")),
            (BY_TIME, fact("three")),
        ]
        outbox = [outbox_row("a"), outbox_row("b")]
        journal.commit(Batch([reading_row(2, at_us=20)], outputs, outbox=outbox, engine_us=20))
        delivered = encode_internal(Delivered(CALL.id, Outcome.REFUSED, 25, 1, "no such number"))
        row = InputRow(0, "delivered", 30, 30, "", delivered)
        journal.commit(Batch(outputs=[(BY_TIME, CALL)], engine_us=20))
        journal.commit(Batch([row], engine_us=30))
    return path


def damage(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as raw:
        for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            raw.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            raw.execute(statement)
        raw.commit()


def findings(path: Path) -> list[str]:
    with Journal.open_reader(path) as journal:
        return journal.verify()


def test_a_journal_in_order_gives_no_findings(path: Path) -> None:
    assert findings(path) == []


@pytest.mark.parametrize(
    ("statement", "finding"),
    [
        ("UPDATE audit SET who = 'nobody' WHERE id = 2", "audit: row 2 was changed after it was written"),
        ("UPDATE audit SET hash = 'x' WHERE id = 1", "audit: row 1 was changed after it was written"),
        ("DELETE FROM audit WHERE id = 2", "audit: row 2 is missing, row 3 stands in its place"),
        ("DELETE FROM audit WHERE id = 3", "audit: output 6 has no row here"),
        ("UPDATE outputs SET body = replace(body, 'two', 'ten') WHERE id = 5", "differ in action"),
        ("DELETE FROM inputs WHERE id = 1", "inputs: ids run from 2 to 3, but there are 2 rows"),
        ("DELETE FROM inputs WHERE id = 1", "outputs: output 1 names input 1, which is not there"),
        ("UPDATE inputs SET applied_us = 5 WHERE id = 2", "inputs: the engine's time goes back at input 2"),
        ("UPDATE samples SET revision = 3 WHERE revision = 2", "2 revisions numbered from 1 to 3"),
        ("UPDATE samples SET revision = 3 WHERE revision = 2", "output 3 (sample) and its columns differ in revision"),
        ("DELETE FROM samples WHERE revision = 1", "samples: output 1 has no row here"),
        ("UPDATE samples SET quality = 4 WHERE revision = 1", "output 1 (sample) and its columns differ in quality"),
        ("UPDATE alarm_events SET state_after = 'normal'", "output 4 (alarm) and its columns differ in state_after"),
        ("DELETE FROM calls", "calls: output 7 has no row here"),
        ("DELETE FROM call_ids", "call_ids: output 7 has no row here"),
        ("UPDATE calls SET person = 'ben'", "output 7 (told) and its columns differ in person"),
        ("DELETE FROM call_alarms", "output 7 (told) and its columns differ in alarms"),
        ("UPDATE calls SET outcome = 'delivered'", "calls: the outcome of call-1 is not the one that was reported"),
        (
            "UPDATE calls SET outcome = NULL, outcome_us = NULL, attempts = NULL, detail = NULL",
            "calls: the outcome of call-1 is not the one that was reported",
        ),
        ("UPDATE inputs SET payload = x'7b' WHERE id = 3", "inputs: input 3 cannot be read"),
        ("UPDATE outputs SET body = '{' WHERE id = 4", "outputs: output 4 cannot be read"),
        ("UPDATE outputs SET kind = 'reply' WHERE id = 4", "alarm_events: a row names output 4, which is not there or"),
        ("UPDATE outbox SET key = '' WHERE id = 1", "outbox: a row of 'mqtt' has no key"),
        ("UPDATE outbox SET delivered_us = -1 WHERE id = 1", "outbox: row 1 was delivered before it was made"),
        ("UPDATE journal_migrations SET digest = 'x'", "migrations: step 1 (first) on record is not the one"),
    ],
)
def test_damage_is_named(path: Path, statement: str, finding: str) -> None:
    damage(path, statement)
    assert any(finding in found for found in findings(path)), findings(path)


def test_a_rewritten_row_with_a_fresh_hash_breaks_the_next_link(path: Path) -> None:
    with Journal.open_reader(path) as journal:
        first = journal.query_audit()[0]
    forged = chain.link(1, Audited(first.at_us, "nobody", first.action, first.subject, first.detail), chain.FIRST)
    damage(path, f"UPDATE audit SET who = 'nobody', hash = '{forged.hash}' WHERE id = 1")
    assert "audit: row 2 does not follow from the row before it" in findings(path)


def test_a_reading_kept_twice_is_named(path: Path) -> None:
    damage(path, "DROP INDEX ux_inputs_reading", "UPDATE inputs SET seq = 1 WHERE id = 2")
    assert "inputs: reading 1 of boot 'b1' of sensor 's1' is there 2 times" in findings(path)


def test_a_damaged_page_is_a_finding_not_a_crash(path: Path) -> None:
    with closing(sqlite3.connect(path)) as raw:
        (page,) = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'audit'").fetchone()
        (size,) = raw.execute("PRAGMA page_size").fetchone()
    with path.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xff" * size)
    assert findings(path)


def test_verify_reads_many_pages_beside_a_writer(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    stop = threading.Event()
    with Journal(path) as writer, Journal.open_reader(path) as reader:

        def write() -> None:
            number = 0
            while not stop.is_set():
                rows = [reading_row(number * 50 + n, at_us=number) for n in range(50)]
                outputs = [(n, taken((number * 50 + n + 1) * 60)) for n in range(50)]
                writer.commit(Batch(rows, [*outputs, (BY_TIME, fact(f"step {number}"))], engine_us=number))
                number += 1

        thread = threading.Thread(target=write)
        thread.start()
        try:
            while writer.last_output_id() < 5000:
                pass
            assert reader.verify() == []
        finally:
            stop.set()
            thread.join()


def test_the_chain_s_hash_is_fixed_for_ever() -> None:
    """Computed once with sha256sum over the JSON text; a change here would break every journal in the field."""
    row = chain.link(1, Audited(5, "op", "acknowledge", "alarm", "é"), chain.FIRST)
    assert row == AuditRow(1, 5, "op", "acknowledge", "alarm", "é", "0" * 64, row.hash)
    assert row.hash == "34967573e7e11e6d82eed762e7fa97c20949f01dd0cf1a52bcc77b279acc85cf"
