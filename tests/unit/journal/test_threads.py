"""The writer thread and the outbox workers on one journal; and a reader that will not let go."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch
from support.journal_records import outbox_row, reading_row, taken

PATIENCE_S = 60.0


def in_threads(*works: Callable[[], None]) -> None:
    """Run all at once; whatever one of them raises is raised here."""
    errors: list[BaseException] = []

    def guarded(work: Callable[[], None]) -> None:
        try:
            work()
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=guarded, args=(work,)) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(PATIENCE_S)
        assert not thread.is_alive(), "a thread still runs: the journal is locked"
    if errors:
        raise errors[0]


def test_workers_deliver_while_the_writer_commits(tmp_path: Path) -> None:
    batches, group = 40, 25
    told: dict[str, list[str]] = {"mqtt": [], "time-series": []}
    with Journal(tmp_path / "journal.db") as journal:

        def write() -> None:
            for number in range(batches):
                seqs = range(number * group, (number + 1) * group)
                outbox = [outbox_row(f"k{seq:05}", sink) for seq in seqs for sink in told]
                journal.commit(Batch([reading_row(seq) for seq in seqs], outbox=outbox, engine_us=number))

        def deliver(sink: str) -> None:
            failed = False
            while len(told[sink]) < batches * group:
                page = journal.due(sink, 10, 40)
                if page and not failed:
                    failed = True
                    journal.retry([page[0].id], 5, "refused once")
                    page = page[1:]
                journal.delivered([row.id for row in page], 10)
                told[sink] += [row.key for row in page]

        def look() -> None:
            while journal.last_input_id() < batches * group:
                assert journal.last_input_id() % group == 0, "half a batch was seen"

        in_threads(write, lambda: deliver("mqtt"), lambda: deliver("time-series"), look)

        assert journal.last_input_id() == batches * group
        for sink, keys in told.items():
            assert sorted(keys) == [f"k{seq:05}" for seq in range(batches * group)], sink
            assert journal.backlog(sink) == 0
        assert journal.verify() == []


def test_two_threads_may_commit(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.db") as journal:
        given: list[int] = []

        def write(sensor: str) -> None:
            for seq in range(50):
                given.extend(journal.commit(Batch([reading_row(seq, sensor)], engine_us=seq)))

        in_threads(lambda: write("s1"), lambda: write("s2"))
        assert sorted(given) == list(range(1, 101))
        assert journal.verify() == []


def test_a_reader_that_stays_sees_one_state_and_stops_nobody(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with Journal(path) as journal, Journal.open_reader(path) as reader:
        journal.commit(Batch([reading_row(0)], engine_us=1))
        with reader.store.reading() as connection:
            count = "SELECT count(*) FROM inputs"
            assert connection.exec_driver_sql(count).scalar() == 1
            for seq in range(1, 50):
                journal.commit(Batch([reading_row(seq)], [(0, taken(seq * 60))], engine_us=seq))
            assert connection.exec_driver_sql(count).scalar() == 1
            assert not journal.checkpoint(), "the reader still needs the log"
        assert reader.last_input_id() == 50
        assert journal.checkpoint()
        assert (tmp_path / "journal.db-wal").stat().st_size == 0
        assert journal.verify() == []
