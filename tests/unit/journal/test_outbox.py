"""The outbox: due, delivered, retried, sent again, pruned."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from motewatch.journal.journal import Journal
from motewatch.journal.outbox import Outbox
from motewatch.journal.rows import Batch, OutboxRow
from support.journal_records import outbox_row


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.db") as journal:
        yield journal


def put(journal: Journal, *rows: OutboxRow) -> None:
    journal.commit(Batch(outbox=list(rows), engine_us=1))


def keys(journal: Journal, now_us: int, sink: str = "mqtt", limit: int = 100) -> list[str]:
    return [row.key for row in journal.due(sink, now_us, limit)]


def test_a_row_comes_back_as_it_went_in(journal: Journal) -> None:
    row = OutboxRow(0, "mqtt", "alarm/1", "a/b", b"\x00\xff", True, 5, 0, 7, 3600)
    put(journal, row)
    assert journal.due("mqtt", 7, 10) == [OutboxRow(1, "mqtt", "alarm/1", "a/b", b"\x00\xff", True, 5, 0, 7, 3600)]


def test_rows_are_due_from_their_next_try_on_and_per_sink(journal: Journal) -> None:
    put(journal, outbox_row("a", next_try_us=10), outbox_row("b", next_try_us=20), outbox_row("c", "time-series"))
    assert keys(journal, 9) == []
    assert keys(journal, 10) == ["a"]
    assert keys(journal, 20) == ["a", "b"]
    assert keys(journal, 20, limit=1) == ["a"]
    assert keys(journal, 20, "time-series") == ["c"]
    assert (journal.backlog("mqtt"), journal.backlog("time-series"), journal.backlog("other")) == (2, 1, 0)


def test_rows_of_one_time_come_in_the_engine_s_order(journal: Journal) -> None:
    put(journal, *(outbox_row(f"k{n}", next_try_us=5) for n in (3, 1, 2)))
    assert keys(journal, 5) == ["k3", "k1", "k2"]


def test_delivered_rows_are_not_due_again(journal: Journal) -> None:
    put(journal, outbox_row("a"), outbox_row("b"))
    journal.delivered([1], 50)
    assert keys(journal, 50) == ["b"]
    assert journal.backlog("mqtt") == 1
    journal.delivered([], 50)
    journal.delivered([1, 2, 999], 60)
    assert keys(journal, 60) == []


def test_a_retried_row_waits_and_counts_its_tries(journal: Journal) -> None:
    put(journal, outbox_row("a"), outbox_row("b"))
    journal.retry([1], 100, "connection refused")
    assert keys(journal, 99) == ["b"]
    assert [(row.key, row.attempts, row.next_try_us) for row in journal.due("mqtt", 100, 10)] == [
        ("b", 0, 0),
        ("a", 1, 100),
    ]
    journal.retry([1, 2], 200, "again")
    assert [(row.key, row.attempts) for row in journal.due("mqtt", 200, 10)] == [("a", 2), ("b", 1)]


def test_a_late_retry_does_not_undo_a_delivery(journal: Journal) -> None:
    put(journal, outbox_row("a"))
    journal.delivered([1], 50)
    journal.retry([1], 60, "timed out, but it had arrived")
    assert keys(journal, 1000) == []


def test_resend_makes_the_recently_delivered_due_again(journal: Journal) -> None:
    put(journal, *(outbox_row(key, "time-series") for key in "abc"), outbox_row("m"))
    journal.retry([2], 0, "once")
    for row_id, at_us in ((1, 100), (2, 200), (3, 300), (4, 300)):
        journal.delivered([row_id], at_us)

    assert journal.resend("time-series", since_us=200, now_us=1000) == 2

    assert keys(journal, 999, "time-series") == []
    assert [(row.key, row.attempts) for row in journal.due("time-series", 1000, 10)] == [("b", 0), ("c", 0)]
    assert keys(journal, 1000) == []
    assert journal.resend("time-series", since_us=200, now_us=1001) == 0


def test_a_refused_row_is_given_up_with_its_reason_until_a_resend(journal: Journal) -> None:
    put(journal, outbox_row("a"), outbox_row("b"))
    journal.delivered([2], 40)
    journal.refused([1, 2], 50, "400: unknown field")

    assert keys(journal, 1000) == []
    with journal.store.reading() as connection:
        rows = connection.exec_driver_sql("SELECT delivered_us, attempts, last_error FROM outbox ORDER BY id").all()
    assert [tuple(row) for row in rows] == [(50, 1, "400: unknown field"), (40, 0, None)]

    assert journal.resend("mqtt", 50, 60) == 1
    assert keys(journal, 60) == ["a"]


def test_what_waits_is_found_by_the_beginning_of_a_sink_s_name(journal: Journal) -> None:
    rows = [("a", "call/sms"), ("b", "call/mail"), ("c", "call/sms"), ("d", "call/sms"), ("e", "mqtt"), ("f", "call")]
    put(journal, *(outbox_row(key, sink, next_try_us=10**15) for key, sink in rows), outbox_row("g", "call0"))
    journal.delivered([3], 100)
    assert Outbox(journal.store).waiting("call/") == {"call/mail": [2], "call/sms": [1, 4]}
    assert Outbox(journal.store).waiting("voice/") == {}


def test_when_a_sink_last_took_something(journal: Journal) -> None:
    put(journal, *(outbox_row(key, "time-series") for key in "abc"), outbox_row("m"))
    assert journal.last_taken_us("time-series") is None
    journal.delivered([1], 100)
    journal.delivered([2], 200)
    journal.refused([3], 300, "400: unknown field")
    journal.delivered([4], 400)
    assert journal.last_taken_us("time-series") == 200
    journal.resend("time-series", 150, 0)
    assert journal.last_taken_us("time-series") == 100


def test_prune_removes_what_was_delivered_long_ago_and_nothing_else(journal: Journal) -> None:
    put(journal, *(outbox_row(f"k{n}") for n in range(10)), outbox_row("k", "time-series"))
    journal.delivered([*range(1, 8), 11], 100)
    journal.delivered([8, 9], 200)

    assert journal.prune(200, page=3) == 8
    assert journal.prune(200, page=3) == 0

    assert journal.backlog("mqtt") == 1
    assert journal.resend("mqtt", 0, 300) == 2
    assert sorted(keys(journal, 300)) == ["k7", "k8", "k9"]


def test_ids_are_not_given_twice_while_the_journal_is_open(journal: Journal) -> None:
    put(journal, outbox_row("a"))
    journal.delivered([1], 10)
    journal.prune(11)
    put(journal, outbox_row("b"))
    assert [row.id for row in journal.due("mqtt", 100, 10)] == [2]


@pytest.mark.parametrize("query", ["due", "resend", "prune", "backlog", "last"])
def test_the_worker_s_questions_use_an_index(journal: Journal, query: str) -> None:
    condition = {
        "due": "SELECT id FROM outbox WHERE sink = 'mqtt' AND delivered_us IS NULL AND next_try_us <= 5 "
        "ORDER BY next_try_us, id LIMIT 5",
        "resend": "UPDATE outbox SET attempts = 0 WHERE sink = 'mqtt' AND delivered_us >= 5",
        "prune": "DELETE FROM outbox WHERE id IN (SELECT id FROM outbox WHERE sink = 'mqtt' AND delivered_us < 5 "
        "ORDER BY delivered_us LIMIT 5)",
        "backlog": "SELECT count(*) FROM outbox WHERE sink = 'mqtt' AND delivered_us IS NULL",
        "last": "SELECT max(delivered_us) FROM outbox WHERE sink = 'mqtt' AND delivered_us IS NOT NULL "
        "AND last_error IS NULL",
    }[query]
    with journal.store.reading() as connection:
        plan = " ".join(str(row[-1]) for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {condition}").all())
    assert "USING" in plan
    assert "INDEX ix_outbox" in plan
    assert "TEMP B-TREE" not in plan
