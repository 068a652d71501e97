"""What does proving a record cost, whole and by hashes, when more and more of it is archived?

    PYTHONPATH=tests python tests/benchmarks/extents.py [days of archives] [locations] [folder]

One message and one sample a minute of each location, 20 alarms a day, two days in the journal. When so many days are
archived, twice and three times as many, the record is proved to both extents; seconds of the processor, so that what
else runs on the machine counts little. By hashes less hashing is what must not grow with the rows archived; what it
grows by is what stays in the journal for good (alarms, audit trail, sums of hours).
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.years import DAY_US, START_US, Facility
from motewatch.journal.archive_files import sha256_of
from motewatch.journal.archives import Kind, folder_of, registered
from motewatch.journal.archiving import make_all
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import let_go
from motewatch.journal.rollups import Rollups

DAYS = int(sys.argv[1]) if len(sys.argv) > 1 else 10
LOCATIONS = int(sys.argv[2]) if len(sys.argv) > 2 else 20
FOLDER = sys.argv[3] if len(sys.argv) > 3 else None
PERIOD_US = 60_000_000
KEPT_DAYS = 2
STAY = {Kind.MESSAGES: KEPT_DAYS * DAY_US, Kind.SAMPLES: KEPT_DAYS * DAY_US}
FULL = 4_320
"""Rows in a file: three days of seals, so that they leave, too."""


def cpu_s(what: Callable[[], object]) -> float:
    """Seconds of the processor, and nothing may be found."""
    begun = time.process_time()
    found = what()
    took = time.process_time() - begun
    assert not found, found
    return took


def live(journal: Journal, facility: Facility, first_day: int, days: int) -> None:
    """Days pass, and what is due leaves."""
    rollups = Rollups(journal.store)
    for day in range(first_day, first_day + days):
        begin_us = START_US + day * DAY_US
        for end_us in range(begin_us + PERIOD_US, begin_us + DAY_US + 1, PERIOD_US):
            journal.commit(facility.batch(end_us))
        journal.commit(facility.alarms(begin_us + DAY_US))
        while rollups.sum_up(400):
            pass
        make_all(journal.store, "site", STAY, 1, full=FULL)
        let_go(journal.store, 2)
        journal.anchor("site", begin_us, None, lambda anchor: [])


def hashing(path: Path) -> None:
    """What both extents do with the files."""
    for file in folder_of(path).glob("*.parquet"):
        sha256_of(file)


def main() -> None:
    """Run it."""
    heads = (
        "archived rows",
        "files",
        "MB",
        "journal MB",
        "whole s",
        "by hashes s",
        "hashing s",
        "the rest s",
    )
    print("  ".join(heads), flush=True)
    with tempfile.TemporaryDirectory(prefix="extents-", dir=FOLDER) as folder:
        path = Path(folder) / "journal.db"
        facility = Facility(LOCATIONS, PERIOD_US, 7)
        with Journal(path, site="site") as journal:
            day = 0
            for turn in range(1, 4):
                until = turn * DAYS + KEPT_DAYS
                live(journal, facility, day, until - day)
                day = until
                journal.checkpoint()
                with journal.store.reading() as connection:
                    files = registered(connection)
                whole = cpu_s(journal.verify)
                small = min(cpu_s(lambda: journal.verify(whole=False)) for _ in range(3))
                hashed = min(cpu_s(lambda: hashing(path)) for _ in range(3))
                rows = sum(each.rows for each in files if each.kind is not Kind.SEALS)
                cells = [f"{rows:,}", f"{len(files)}", f"{sum(each.bytes for each in files) / 1e6:.1f}"]
                cells += [f"{path.stat().st_size / 1e6:.0f}", f"{whole:.1f}", f"{small:.2f}"]
                cells += [f"{hashed:.3f}", f"{small - hashed:.2f}"]
                print("  ".join(each.rjust(len(head)) for each, head in zip(cells, heads, strict=True)), flush=True)


if __name__ == "__main__":
    main()
