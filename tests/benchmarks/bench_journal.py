"""How long does `Journal.commit` take? Run by hand: python tests/benchmarks/bench_journal.py [directory]

For groups of 50, 200 and 1000 inputs, microseconds per input (median of the commits, wall clock):
- readings: inputs only, the case between two period ends;
- everything: each input also gives a sample and two outbox rows, far more than any real stream does;
- outbox: `due` and `delivered` in pages of 500, microseconds per row.
From one sensor, and from 2000 (each then touches its own page of the unique index, the expensive case).
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

from motewatch.engine.records import SampleTaken
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch, InputRow, OutboxRow
from motewatch.measure.samples import Channel, Quality, Sample

PAYLOAD = b'{"v":1,"sensor":"s-0001","boot":"6f1c0a7e-9d","seq":123456,"start":"2026-01-01T00:00:00Z"' + b" " * 220
MINUTE_US = 60_000_000
SIZES_NM = (300, 500, 1000, 3000, 5000, 10_000)


def batch(group: int, number: int, sensors: int, everything: bool) -> Batch:
    made = Batch(engine_us=number)
    for index in range(group):
        n = number * group + index
        sensor, seq = f"s-{n % sensors:04}", n // sensors
        start_us = seq * MINUTE_US
        topic = f"site/demo/counts/{sensor}"
        made.inputs.append(InputRow(0, "reading", n, n, topic, PAYLOAD, sensor, "6f1c0a7e-9d", seq, start_us))
        if everything:
            channels = tuple(Channel(size, 1000 - size // 10, 28_300_000) for size in SIZES_NM)
            end_us = start_us + MINUTE_US
            air = (channels, MINUTE_US, 1, (sensor,), Quality.GOOD, "at-rest")
            sample = Sample(f"room/{sensor}", start_us, end_us, 1, *air)
            made.outputs.append((index, SampleTaken(sample)))
            for sink in ("mqtt", "time-series"):
                made.outbox.append(OutboxRow(0, sink, f"sample/{n}", topic, PAYLOAD, False, n, 0, n))
    return made


def commits(directory: Path, group: int, sensors: int, everything: bool, total: int) -> tuple[float, float]:
    with Journal(directory / f"{group}-{sensors}-{everything}.db") as journal:
        times = []
        for number in range(total // group):
            made = batch(group, number, sensors, everything)
            start = time.perf_counter()
            journal.commit(made)
            times.append((time.perf_counter() - start) / group * 1e6)
        return statistics.median(times), statistics.mean(times)


def outbox(directory: Path) -> float:
    with Journal(directory / "outbox.db") as journal:
        for number in range(20):
            journal.commit(batch(500, number, 2000, True))
        rows = 0
        start = time.perf_counter()
        while page := journal.due("mqtt", 10**15, 500):
            journal.delivered([row.id for row in page], 10**15)
            rows += len(page)
        return (time.perf_counter() - start) / rows * 1e6


def main() -> None:
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as name:
        directory = Path(name)
        print(f"{'rows':<12}{'sensors':>8}{'group':>7}{'median us':>11}{'mean us':>9}")
        for everything in (False, True):
            for sensors in (1, 2000):
                for group in (50, 200, 1000):
                    median, mean = commits(directory, group, sensors, everything, 40_000)
                    what = "everything" if everything else "readings"
                    print(f"{what:<12}{sensors:>8}{group:>7}{median:>11.1f}{mean:>9.1f}")
        print(f"outbox: {outbox(directory):.1f} us per row for due + delivered in pages of 500")


if __name__ == "__main__":
    main()
