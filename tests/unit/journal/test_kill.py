"""A process that is killed in the middle of committing loses nothing it had committed and leaves no half batch."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch
from support import journal_victim
from support.journal_records import reading_row

KILLS = (1, 7, 23)
"""After how many commits each process is killed: a fixed number, but the instant within the next one is chance."""

GROUP = journal_victim.GROUP


def kill_after(path: Path, commits: int) -> int:
    """Run the victim, kill -9 it after that many commits; returns the last number it told us."""
    command = [sys.executable, journal_victim.__file__, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        watchdog = threading.Timer(60, process.kill)
        watchdog.start()
        try:
            assert process.stdout is not None
            told = [int(process.stdout.readline()) for _ in range(commits)]
            process.kill()
            told += [int(line) for line in process.stdout.read().splitlines() if line]
        finally:
            watchdog.cancel()
            process.kill()
    return told[-1]


def test_kill_9_while_committing(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    for commits in KILLS:
        told = kill_after(path, commits)

        with Journal.open_reader(path) as reader:
            assert reader.verify() == []
        with Journal(path) as journal:
            batches, rest = divmod(journal.last_input_id(), GROUP)
            assert rest == 0
            assert batches in (told, told + 1), "committed and told, or committed and killed before it could tell"
            assert journal.last_output_id() == batches * (GROUP + 1)
            assert journal.engine_us() == batches - 1
            assert journal.backlog("time-series") == batches
            assert len(journal.query_samples(limit=10**6)) == batches * GROUP
            assert journal.verify() == []

    with Journal(path) as journal:
        assert journal.commit(Batch([reading_row(10**6)], engine_us=10**6)) == [journal.last_input_id()]
