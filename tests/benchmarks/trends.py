"""How long does a trend take? Run by hand: PYTHONPATH=tests python tests/benchmarks/trends.py [directory [days]]

A year of one-minute samples of one location (two sizes, climate) is recorded and summed up; then the trend of an hour,
a day, a week, a month and the year is read and drawn (median and worst of 7, milliseconds), also the year from its
samples alone, which the service refuses, and after late revisions in 20 of its hours.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import islice
from pathlib import Path
from zoneinfo import ZoneInfo

from motewatch.engine.records import SampleTaken
from motewatch.journal.journal import Journal
from motewatch.journal.rollups import HOUR_US, Rollups
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.journal.series import SAMPLES_MAX, RulesOnRecord, page_of_samples, series
from motewatch.picture.trend import Trend
from motewatch.picture.trend_chart import trend_chart
from motewatch.wire.records import MINUTE_US
from support.trend_journal import START_US, configure, minutes, record, site_of

YEAR = int(sys.argv[2]) * 1440 if len(sys.argv) > 2 else 525_600
END_US = START_US + YEAR * MINUTE_US
HOURS = {"an hour": 1, "a day": 24, "a week": 168, "a month": 720, "a year": 8760}


def timed(what: Callable[[], object], times: int = 7) -> str:
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        what()
        taken.append((time.perf_counter() - start) * 1000)
    return f"{statistics.median(taken):8.0f} ms{max(taken):8.0f} ms"


def drawn(journal: Journal, rules: RulesOnRecord, hours: int) -> str:
    from_us = END_US - hours * HOUR_US
    held = rules.rules("bench", from_us, END_US)
    found = series(journal.store, "bench", from_us, END_US)
    trend = Trend(
        "bench", "Bench", found.from_us, found.until_us, END_US, found.width_us, (500, 5000), found.buckets, tuple(held)
    )
    return trend_chart(trend, ZoneInfo("Europe/Berlin"))


def main() -> None:
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as name:
        path = Path(name) / "journal.db"
        with Journal(path) as journal:
            configure(journal, site_of(), START_US - MINUTE_US, "a" * 64)
            start = time.perf_counter()
            record(journal, minutes("bench", START_US, YEAR))
            print(f"recorded {YEAR} samples in {time.perf_counter() - start:.0f} s")
            rules = RulesOnRecord(journal.store)
            whole = (journal.store, "bench", START_US, END_US, (), None, 480, True, SAMPLES_MAX, YEAR)
            print(f"{'a year from its samples':<26}{timed(lambda: series(*whole), 1)}")
            start, before = time.perf_counter(), path.stat().st_size
            while Rollups(journal.store).sum_up(10):
                pass
            journal.checkpoint()
            spent = time.perf_counter() - start
            print(f"summed up in {spent:.0f} s, {spent / 8760 * 1000:.1f} ms an hour of samples")
            print(f"file {before / 1e6:.0f} MB before, {path.stat().st_size / 1e6:.0f} MB after")
            for what, hours in HOURS.items():
                print(f"{what:<26}{timed(lambda hours=hours: drawn(journal, rules, hours))}")  # type: ignore[misc]
            every = islice(minutes("bench", START_US, YEAR), 7, None, YEAR // 20)
            late = [(BY_TIME, SampleTaken(replace(each, revision=2))) for each in every]
            journal.commit(Batch(outputs=list(late), engine_us=END_US))
            print(f"{'a year, 20 hours stale':<26}{timed(lambda: drawn(journal, rules, 8760))}")
            page = timed(lambda: page_of_samples(journal.store, "bench", END_US - 8760 * HOUR_US, END_US, 100))
            print(f"{'100 rows of its table':<26}{page}")


if __name__ == "__main__":
    main()
