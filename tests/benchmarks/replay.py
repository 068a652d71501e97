"""How fast does the record come back? Run by hand: python tests/benchmarks/replay.py [--each-reading] --help

A journal of a site with 60 s periods (or each reading a sample) is made, without any snapshot, and replayed from its
first input as after an upgrade: read, decoded, put through the engine, and every output compared with the record, with
Python's collector set as in the service.
Processor time of the one thread that does it, and readings a second of that (median of the repeats).
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from benchmarks.rig import TOPICS  # noqa: E402
from benchmarks.stages import record_of, work_of  # noqa: E402
from motewatch.journal.history import JournalHistory  # noqa: E402
from motewatch.journal.journal import Journal  # noqa: E402
from motewatch.service import collector  # noqa: E402
from motewatch.service.replay import restore  # noqa: E402


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--messages", type=int, default=100_000)
    parser.add_argument("--sensors", type=int, default=200)
    parser.add_argument("--each-reading", action="store_true", help="every message is a sample")
    parser.add_argument("--repeat", type=int, default=3)
    options = parser.parse_args()
    collector.look_seldom()
    with TemporaryDirectory(prefix="motewatch-replay-") as name:
        directory = Path(name)
        record_of(work_of(directory, options), directory)
        spent = []
        for _ in range(options.repeat):
            with Journal.open_reader(directory / "stages.db") as journal:
                before_s = time.thread_time()
                restored = restore(journal, JournalHistory(journal), TOPICS)
                spent.append(time.thread_time() - before_s)
            if restored.difference or restored.inputs != options.messages + 1:
                raise RuntimeError(f"{restored.inputs} inputs; {restored.difference or 'no difference'}")
    each_us = statistics.median(spent) / options.messages * 1e6
    what = f"{options.messages} readings, {restored.outputs} outputs"
    print(f"{what}: {each_us:.1f} us each, {1e6 / each_us:.0f} readings/s")


if __name__ == "__main__":
    main()
