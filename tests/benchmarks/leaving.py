"""How long does a commit wait while archived rows leave the journal?

    PYTHONPATH=tests python tests/benchmarks/leaving.py

Batches of 200 inputs are committed at a steady pace, first alone, then while the rows of files lying ready are let go
as the service does it: 250 ids a transaction, and a rest as long as that took. The figures of both, in milliseconds.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.years import DAY_US, START_US, Facility
from motewatch.journal.archives import Kind
from motewatch.journal.archiving import make_all
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import let_go
from motewatch.journal.rollups import Rollups
from motewatch.journal.rows import Batch, InputRow

PERIODS = int(sys.argv[1]) if len(sys.argv) > 1 else 100
LOCATIONS = 200
PACE_S = 0.05


def commits(journal: Journal, first: int, over: threading.Event, least: int) -> list[float]:
    """Commit until it is over; how long each took."""
    taken: list[float] = []
    at_us = START_US + 200 * DAY_US
    while not over.is_set() or len(taken) < least:
        rows = [
            InputRow(0, "message", at_us, at_us, "t", b"x" * 380, f"s{place}", "b2", first + len(taken), at_us - 1)
            for place in range(200)
        ]
        begun = time.perf_counter()
        journal.commit(Batch(rows, engine_us=at_us + first + len(taken)))
        taken.append((time.perf_counter() - begun) * 1000)
        time.sleep(PACE_S)
    return taken


def told(name: str, taken: list[float]) -> str:
    return f"{name}: {len(taken)} commits, median {statistics.median(taken):.1f} ms, longest {max(taken):.0f} ms"


def main() -> None:
    """Run it."""
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.db", site="site") as journal:
        facility = Facility(LOCATIONS, 60_000_000, 5)
        for period in range(PERIODS):
            journal.commit(facility.batch(START_US + (period + 1) * 60_000_000))
        journal.commit(Batch(engine_us=START_US + 200 * DAY_US))
        journal.commit(Batch(engine_us=START_US + 200 * DAY_US))
        while Rollups(journal.store).sum_up(200):
            pass
        make_all(journal.store, "site", {Kind.MESSAGES: 35 * DAY_US, Kind.SAMPLES: 35 * DAY_US}, 1)
        over = threading.Event()
        over.set()
        alone = commits(journal, 0, over, 100)
        over.clear()
        beside: list[float] = []
        writer = threading.Thread(target=lambda: beside.extend(commits(journal, 10_000, over, 10)))
        writer.start()
        last = begun = time.perf_counter()

        def turn() -> bool:
            nonlocal last
            time.sleep(time.perf_counter() - last)
            last = time.perf_counter()
            return True

        left = let_go(journal.store, 2, turn)
        took = time.perf_counter() - begun
        over.set()
        writer.join()
        print(told("alone", alone))
        print(told("beside", beside))
        print(f"{left.rows} rows left in {took:.1f} s")


if __name__ == "__main__":
    main()
