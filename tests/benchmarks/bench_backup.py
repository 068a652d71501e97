"""What does a backup cost the writer? Run by hand: python tests/benchmarks/bench_backup.py [directory] [megabytes]

A journal of that size (default 400 MB) gets 200 inputs in a commit, 40 times a second, while it is copied: by SQLite's
online backup in one step (what `motewatch backup` does), in steps of 1000 pages, and by VACUUM INTO. Milliseconds of a
commit (median, p99, longest) and how long the copy took; first without any copy.
"""

from __future__ import annotations

import sqlite3
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch, InputRow

LONGEST_S = 20.0
PAYLOAD = b'{"v":1,"sensor":"s-0001","boot":"6f1c0a7e-9d","seq":123456,"start":"2026-01-01T00:00:00Z"' + b" " * 220


def batch(group: int, number: int) -> Batch:
    made = Batch(engine_us=number)
    for n in range(number * group, (number + 1) * group):
        sensor, seq = f"s-{n % 2000:04}", n // 2000
        made.inputs.append(InputRow(0, "message", n, n, f"counts/{sensor}", PAYLOAD, sensor, "6f1c0a7e", seq, seq * 60))
    return made


def in_steps(path: Path, target: Path) -> None:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as source, closing(sqlite3.connect(target)) as copy:
        source.backup(copy, pages=1000, sleep=0.01)


def vacuum_into(path: Path, target: Path) -> None:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as source:
        source.execute("VACUUM INTO ?", (str(target),))


def main() -> None:
    megabytes = int(sys.argv[2]) if len(sys.argv) > 2 else 400
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as name:
        path = Path(name) / "journal.db"
        with Journal(path) as journal, Journal.open_reader(path) as reader:
            number = 0
            while path.stat().st_size < megabytes * 1_000_000:
                journal.commit(batch(1000, number))
                number += 1
            number *= 5
            print(f"journal of {path.stat().st_size / 1e6:.0f} MB, log of {megabytes} MB made")
            print(f"{'copy':<22}{'took s':>8}{'commits':>9}{'median':>9}{'p99':>9}{'longest ms':>12}")
            ways: list[tuple[str, Callable[[Path], object]]] = [
                ("none", lambda target: time.sleep(3)),
                ("backup, one step", reader.store.copy_to),
                ("VACUUM INTO", lambda target: vacuum_into(path, target)),
                ("backup, 1000 pages", lambda target: in_steps(path, target)),
            ]
            for what, way in ways:
                target = Path(name) / "copy.db"
                thread = threading.Thread(target=way, args=(target,), daemon=True)
                thread.start()
                began, times = time.perf_counter(), []
                while thread.is_alive() and time.perf_counter() - began < LONGEST_S:
                    made = batch(200, number)
                    start = time.perf_counter()
                    journal.commit(made)
                    times.append((time.perf_counter() - start) * 1000)
                    number += 1
                    time.sleep(max(0.0, 0.025 - (time.perf_counter() - start)))
                took = time.perf_counter() - began
                ended = f"{took:.1f}" if not thread.is_alive() else "never"
                p99 = sorted(times)[int(len(times) * 0.99)]
                print(
                    f"{what:<22}{ended:>8}{len(times):>9}{statistics.median(times):>9.1f}{p99:>9.1f}{max(times):>12.1f}"
                )
                if not thread.is_alive():
                    target.unlink(missing_ok=True)


if __name__ == "__main__":
    main()
