"""`Journal.commit`: whole or not at all, ids without gaps, and the same records back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from motewatch.alarms.lifecycle import State
from motewatch.engine.codec import canonical
from motewatch.engine.records import Repeated, Replied, Turned
from motewatch.journal.errors import JournalDefectError, JournalError
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, DeadLetter, SnapshotRow
from motewatch.wire.records import Refusal, RefusalReason
from support.journal_records import alarm, fact, one_of_each, outbox_row, plain_row, reading_row, sample, taken


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.db") as journal:
        yield journal


def test_a_new_journal_is_empty_and_in_order(journal: Journal) -> None:
    assert journal.engine_us() is None
    assert journal.last_input_id() == 0
    assert journal.last_output_id() == 0
    assert journal.inputs_after(0) == []
    assert journal.outputs_after(0) == []
    assert journal.latest_snapshot() is None
    assert journal.standing_alarms() == []
    assert journal.verify() == []


def test_what_was_committed_comes_back_equal(journal: Journal) -> None:
    batch = one_of_each()

    assert journal.commit(batch) == [1, 2]

    assert journal.inputs_after(0) == [replace(batch.inputs[0], id=1), replace(batch.inputs[1], id=2)]
    texts = [canonical(output) for _, output in batch.outputs]
    assert journal.outputs_after(0) == [(1, 1, texts[0]), (2, 1, texts[1]), (3, 2, texts[2])]
    assert journal.engine_us() == 100
    assert journal.samples("l1", 0, 1000) == [sample()]
    assert journal.standing_alarms() == [alarm()]
    assert journal.verify() == []


def test_ids_go_on_across_batches_and_reopening(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with Journal(path) as journal:
        assert journal.commit(Batch([reading_row(1)], [(0, taken(60)), (BY_TIME, taken(120))], engine_us=1)) == [1]
        assert journal.commit(Batch([reading_row(2), reading_row(3)], engine_us=2)) == [2, 3]
    with Journal(path) as journal:
        assert journal.commit(Batch([reading_row(4)], [(0, taken(180))], engine_us=3)) == [4]
        assert journal.last_input_id() == 4
        assert journal.last_output_id() == 3
        assert [row.seq for row in journal.inputs_after(1, limit=2)] == [2, 3]
        assert [row[:2] for row in journal.outputs_after(0, 10)] == [(1, 1), (2, 0), (3, 4)]
        assert journal.verify() == []


def test_an_empty_batch_still_moves_the_engine_s_time(journal: Journal) -> None:
    assert journal.commit(Batch(engine_us=5)) == []
    assert journal.engine_us() == 5


def test_bytes_and_texts_of_any_kind_survive(journal: Journal) -> None:
    payload = bytes(range(256))
    letter = DeadLetter(7, "a/ü/#", payload, "not-json", "zero \0 byte, ’quotes’", None)
    journal.commit(Batch([plain_row(payload=payload)], dead_letters=[letter], engine_us=1))
    assert journal.inputs_after(0)[0].payload == payload
    assert journal.query_dead_letters() == [letter]


def test_a_reading_on_record_is_a_defect_and_nothing_is_written(journal: Journal) -> None:
    journal.commit(Batch([reading_row(1)], engine_us=1))
    batch = Batch([reading_row(2), reading_row(1)], [(0, taken())], outbox=[outbox_row("k")], engine_us=2)

    with pytest.raises(JournalDefectError, match="reading 1 of boot 'b1' of sensor 's1' is already on record"):
        journal.commit(batch)

    assert journal.last_input_id() == 1
    assert journal.last_output_id() == 0
    assert journal.backlog("mqtt") == 0
    assert journal.engine_us() == 1
    assert journal.commit(Batch([reading_row(2)], engine_us=3)) == [2]
    assert journal.verify() == []


def test_a_reading_twice_in_one_batch_is_a_defect(journal: Journal) -> None:
    with pytest.raises(JournalDefectError, match="reading 1 of boot 'b1' of sensor 's1'"):
        journal.commit(Batch([reading_row(1), reading_row(1)], engine_us=2))
    assert journal.last_input_id() == 0


def test_the_same_sequence_of_another_boot_or_sensor_is_another_reading(journal: Journal) -> None:
    rows = [reading_row(1), reading_row(1, boot="b2"), reading_row(1, sensor="s2")]
    assert journal.commit(Batch(rows, engine_us=1)) == [1, 2, 3]


def test_an_outbox_key_twice_in_one_sink_is_a_defect(journal: Journal) -> None:
    journal.commit(Batch(outbox=[outbox_row("k"), outbox_row("k", "time-series")], engine_us=1))
    with pytest.raises(JournalDefectError, match="key 'k' is already in the outbox of 'mqtt'"):
        journal.commit(Batch([reading_row(1)], outbox=[outbox_row("k")], engine_us=2))
    assert journal.last_input_id() == 0


def test_a_sample_s_revision_twice_is_a_defect(journal: Journal) -> None:
    journal.commit(Batch(outputs=[(BY_TIME, taken())], engine_us=1))
    with pytest.raises(JournalDefectError, match="samples"):
        journal.commit(Batch(outputs=[(BY_TIME, taken())], engine_us=2))
    assert journal.last_output_id() == 1


def test_a_reading_that_the_engine_turned_away_leaves_its_key_free(journal: Journal) -> None:
    journal.commit(Batch([reading_row(1)], engine_us=1))
    refusal = Turned(Refusal(RefusalReason.SEQUENCE_REUSED, "another start", "s1"))
    journal.commit(Batch([replace(reading_row(1), start_us=999)], [(0, refusal)], engine_us=2))

    kept = journal.inputs_after(1)[0]
    assert (kept.sensor, kept.boot, kept.seq, kept.start_us) == ("s1", "b1", None, None)
    assert journal.reading_start_us("s1", "b1", 1) == 60
    assert journal.verify() == []


@pytest.mark.parametrize(
    ("outputs", "words"),
    [
        ([(1, taken())], "names input 1 of a batch of 1"),
        ([(-2, taken())], "names input -2"),
        ([(0, Repeated("s1", "b1", 1))], "repeated reading"),
    ],
)
def test_a_batch_that_cannot_be_is_refused(journal: Journal, outputs: list[tuple[int, object]], words: str) -> None:
    with pytest.raises(JournalDefectError, match=words):
        journal.commit(Batch([reading_row(1)], outputs, engine_us=1))  # type: ignore[arg-type]
    assert journal.last_input_id() == 0


def test_outputs_out_of_the_engine_s_order_are_refused(journal: Journal) -> None:
    outputs = [(1, taken(60)), (0, taken(120))]
    with pytest.raises(JournalDefectError, match="engine's order"):
        journal.commit(Batch([reading_row(1), reading_row(2)], list(outputs), engine_us=1))


def test_a_sequence_number_without_the_start_of_its_reading_is_refused(journal: Journal) -> None:
    with pytest.raises(JournalDefectError, match="needs the start of its reading"):
        journal.commit(Batch([replace(reading_row(1), start_us=None)], engine_us=1))


def test_a_number_beyond_64_bits_is_a_journal_error_and_nothing_is_written(journal: Journal) -> None:
    with pytest.raises(JournalError, match="64 bits"):
        journal.commit(Batch([reading_row(1), reading_row(2**63)], engine_us=1))
    assert journal.last_input_id() == 0
    assert journal.commit(Batch([reading_row(1)], engine_us=1)) == [1]


def test_the_audit_trail_is_the_engine_s_facts_in_order(journal: Journal) -> None:
    journal.commit(Batch([plain_row()], [(0, fact("acknowledge")), (0, Replied("c1", True, "done"))], engine_us=1))
    journal.commit(Batch([plain_row()], [(0, fact("set-occupancy", 90))], engine_us=2))

    first, second = journal.query_audit()
    assert (first.id, first.at_us, first.by, first.action) == (1, 60, "op-7", "acknowledge")
    assert (first.subject, first.detail) == ("level/l1/500/action", "seen “it” \n")
    assert (second.id, second.action, second.previous_hash) == (2, "set-occupancy", first.hash)
    assert [row.action for row in journal.query_audit(limit=1)] == ["set-occupancy"]


def test_the_audit_chain_goes_on_after_reopening(tmp_path: Path) -> None:
    for action in ("first", "second"):
        with Journal(tmp_path / "journal.db") as journal:
            journal.commit(Batch(outputs=[(BY_TIME, fact(action))], engine_us=1))
    with Journal.open_reader(tmp_path / "journal.db") as journal:
        first, second = journal.query_audit()
        assert second.previous_hash == first.hash
        assert journal.verify() == []


def test_the_three_newest_snapshots_stay(journal: Journal) -> None:
    for number in range(1, 6):
        journal.save_snapshot(SnapshotRow(number, number * 10, number * 100, 1, b"state %d" % number))
    assert journal.latest_snapshot() == SnapshotRow(5, 50, 500, 1, b"state 5")
    with journal.store.reading() as connection:
        kept = connection.exec_driver_sql("SELECT input_id FROM snapshots ORDER BY id").scalars().all()
    assert kept == [3, 4, 5]


@pytest.mark.parametrize("table", ["inputs", "outputs", "samples", "alarm_events", "audit"])
@pytest.mark.parametrize("statement", ["UPDATE {} SET rowid = rowid + 100", "DELETE FROM {}"])
def test_the_record_is_append_only(journal: Journal, table: str, statement: str) -> None:
    journal.commit(one_of_each())
    with pytest.raises(JournalDefectError, match="append-only"), journal.store.writing() as connection:
        connection.exec_driver_sql(statement.format(table))
    assert journal.verify() == []


def test_an_alarm_event_keeps_every_field(journal: Journal) -> None:
    event = replace(alarm(State.ACKNOWLEDGED), by="op-7", comment="“yes”", late=True, value=None, sensor="s1", area="a")
    journal.commit(Batch(outputs=[(BY_TIME, event)], engine_us=1))
    assert journal.query_alarm_events() == [event]
