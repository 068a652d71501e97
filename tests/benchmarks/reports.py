"""How long a month's report takes: data, PDF, HTML; and what the engine's writer notices of it.

    .venv/bin/python tests/benchmarks/reports.py [--locations 20] [--days 30] [--folder /tmp/x]

Makes a journal of one-minute samples (kept in the folder, if one is given, for another run), then reports on it. While
the data are made, a second thread commits small batches as the writer does; its waits are compared with those
without it.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np

from motewatch.engine.records import Output, SampleTaken
from motewatch.journal.journal import Journal
from motewatch.links.report_html import report_html
from motewatch.links.report_making import make_report
from motewatch.links.report_pdf import report_pdf
from motewatch.links.report_sheet import sheet
from motewatch.measure.samples import Channel, Quality, Sample, Spread
from motewatch.picture.report_scope import Kind, Scope, Span
from motewatch.service.process import SWITCH_S
from support.report_record import MINUTE, T0, commit, configure, report_site


def fill(path: Path, locations: int, days: int) -> None:
    """The journal."""
    site = report_site()
    site["locations"] = [
        {"id": f"l-{number}", "name": f"Location {number}", "room": "fill", "programme": "minute"}
        for number in range(locations)
    ]
    site["sensors"] = [
        {"id": f"s-{number}", "serial": f"{number}", "location": f"l-{number}", "sizes_um": [0.5, 5.0],
         "flow_l_min": 28.3}
        for number in range(locations)
    ]  # fmt: skip
    rng = np.random.default_rng(5)
    with Journal(path, site="testing") as journal:
        configure(journal, site, T0 - MINUTE)
        for hour in range(days * 24):
            batch: list[Output] = []
            for minute in range(60):
                start = T0 + (hour * 60 + minute) * MINUTE
                for number, count in enumerate(rng.poisson(20, locations).tolist()):
                    channels = (Channel(500, count, 28_300_000), Channel(5000, count // 19, 28_300_000))
                    spread = Spread(6, 126_000 + count, 20_900, 21_100 + count)
                    batch.append(
                        SampleTaken(
                            Sample(f"l-{number}", start, start + MINUTE, 1, channels, MINUTE, 6, (f"s-{number}",),
                                   Quality.GOOD, "operational", spread, spread, spread)
                        )
                    )  # fmt: skip
            commit(journal, batch, T0 + (hour + 1) * 60 * MINUTE)


def waits(journal: Journal, from_us: int, over: threading.Event) -> list[float]:
    """How long small commits take, 50 times a second, until told."""
    found = []
    number = 0
    while not over.wait(0.02):
        begun = time.perf_counter()
        at = from_us + number * MINUTE
        one = Sample("l-0", at, at + MINUTE, 1, (), 0, 0, (), Quality.MISSING, "operational")
        commit(journal, [SampleTaken(one)], at + MINUTE)
        found.append(time.perf_counter() - begun)
        number += 1
    return found


def told(name: str, found: list[float]) -> str:
    """Median and p99 in ms."""
    return f"{name}: median {np.median(found) * 1e3:.1f} ms, p99 {np.percentile(found, 99) * 1e3:.1f} ms ({len(found)})"


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--locations", type=int, default=20)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    # As the service does.
    sys.setswitchinterval(SWITCH_S)
    folder = given.folder or Path(tempfile.mkdtemp())
    path = folder / f"reports-{given.locations}-{given.days}.db"
    if not path.exists():
        begun = time.perf_counter()
        fill(path, given.locations, given.days)
        print(f"journal of {given.locations * given.days * 1440:,} samples: {time.perf_counter() - begun:.0f} s")
    with Journal(path, site="testing") as journal:
        end_us = T0 + given.days * 1440 * MINUTE
        scope = Scope(Span(Kind.BATCH, T0, end_us), batch="benchmark")
        after_us = (journal.engine_us() or end_us) + MINUTE
        alone = threading.Event()
        threading.Timer(3.0, alone.set).start()
        quiet = waits(journal, after_us, alone)
        over = threading.Event()
        beside: list[float] = []
        writer = threading.Thread(target=lambda: beside.extend(waits(journal, after_us + len(quiet) * MINUTE, over)))
        writer.start()
        begun, used = time.perf_counter(), time.thread_time()
        data = make_report(journal.store, scope)
        print(f"data: {time.perf_counter() - begun:.1f} s, {time.thread_time() - used:.1f} s of it processor")
        over.set()
        writer.join()
        print(told("a commit alone", quiet))
        print(told("a commit beside it", beside))
    found = sheet(data)
    begun = time.perf_counter()
    pdf = report_pdf(found)
    print(f"PDF: {time.perf_counter() - begun:.2f} s, {len(pdf) / 1e6:.2f} MB")
    begun = time.perf_counter()
    print(f"HTML: {len(report_html(found)) / 1e6:.2f} MB, {time.perf_counter() - begun:.2f} s")


if __name__ == "__main__":
    main()
