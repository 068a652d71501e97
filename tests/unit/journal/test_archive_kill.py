"""kill -9 while archives are made and rows leave: every row is on record once, and the next run goes on."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

from motewatch.journal.journal import Journal
from support import archive_victim
from support.archive_journal import all_rows, everything, record

LINES = (1, 2, 4, 9, 14, 20)
"""After how many lines of the victim each kill comes: a fixed number, but the instant before the next is chance."""


def run(path: Path, lines: int | None) -> bool:
    """Run the victim, kill -9 it after so many lines (None: let it end); returns whether it came to its end."""
    command = [sys.executable, archive_victim.__file__, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        watchdog = threading.Timer(120, process.kill)
        watchdog.start()
        try:
            assert process.stdout is not None
            said = [process.stdout.readline().strip() for _ in range(lines or 0)]
            if lines is not None:
                process.kill()
            said += process.stdout.read().split()
        finally:
            watchdog.cancel()
            process.kill()
    return "done" in said


def test_kill_9_at_any_moment_loses_and_doubles_nothing(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with Journal(path, site="demo") as journal:
        record(journal)
        rows = all_rows(journal)
    before = everything(path)
    for lines in LINES:
        if run(path, lines):
            break
        with Journal.open_reader(path) as journal:
            assert all_rows(journal) == rows
            assert journal.verify(whole=False) == []
    assert run(path, None)
    assert everything(path) == before
    with Journal.open_reader(path) as journal:
        assert journal.verify() == []
