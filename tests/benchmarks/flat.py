"""Does a reading cost more where there are more locations? Run by hand: python tests/benchmarks/flat.py [--help]

For sites of 10 to 5,000 locations with periods of 60 s, processor time of the one thread that works:

- engine, journal   per reading: the engine's step; rows, hash chain and commit in groups of 400 (and at most five of
                    each sensor, so that no group reaches over a whole period)
- close             per sample: all periods close at one instant; engine, rows for the outbox, and commit
- burst ms          the same for the whole site: how long the readings of that instant wait behind it
- snapshot ms       the engine's state as it is kept every 100,000 inputs, made in the same thread

What the first reading of each sensor costs is left out: a look-up of its start on record. Each sensor writes in a page
of its own in the index of readings; with few sensors the readings of a group share one, which is why few are cheaper.
"""

from __future__ import annotations

import argparse
import sys
import time
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from benchmarks.rig import TOPICS  # noqa: E402
from benchmarks.stages import site_of  # noqa: E402
from motewatch.engine import Engine  # noqa: E402
from motewatch.engine.codec import encode_internal, internal_kind  # noqa: E402
from motewatch.engine.records import Input  # noqa: E402
from motewatch.journal.history import JournalHistory  # noqa: E402
from motewatch.journal.inputs import MESSAGE, what_of  # noqa: E402
from motewatch.journal.journal import Journal  # noqa: E402
from motewatch.journal.rows import Batch, InputRow  # noqa: E402
from motewatch.links.publications import Directory, Publications  # noqa: E402
from motewatch.service.program import configured  # noqa: E402
from motewatch.service.replay import snapshot_row  # noqa: E402
from motewatch.service.writer import BATCH  # noqa: E402
from motewatch_simulator import load  # noqa: E402

MINUTE_US = 60_000_000
BEGAN_US = MINUTE_US * 29_833_334
SETTLE_US = 2_000_000


def measure(locations: int, readings: int, directory: Path) -> list[float]:
    """One line of the table: readings of one minute after the other, until there are enough."""
    rounds = max(20, -(-readings // locations))
    interval_us = MINUTE_US // 6
    plan = load.LoadPlan(locations, interval_us, BEGAN_US, "bench-flat", excursions=False, topics=TOPICS)
    site = site_of(directory, locations, interval_s=interval_us / 1e6)
    spent = dict.fromkeys(("engine", "journal", "close", "snapshot"), 0.0)
    samples = bursts = taken = counted = 0
    with Journal(directory / "flat.db") as journal:
        history = JournalHistory(journal)
        engine = Engine(history)
        publications = Publications(TOPICS, Directory.of(site), time_series=False)
        first = configured(site)
        said = [(0, each) for each in engine.apply(Input(BEGAN_US, BEGAN_US, first))]
        row = InputRow(0, internal_kind(first), BEGAN_US, BEGAN_US, "", encode_internal(first))
        journal.commit(Batch([row], said, engine_us=engine.passed_us))
        source = load.parcels(plan)
        close_us = BEGAN_US + MINUTE_US + SETTLE_US
        while taken < rounds * locations:
            group = list(islice(source, min(BATCH, 5 * locations)))
            taken += len(group)
            counted += len(group)
            heard = []
            for each in group:
                assert isinstance(each.tag, load.Tag)
                topic = each.topic_part[2:].decode()
                heard.append((each.tag.end_us, topic, each.payload, what_of(TOPICS, topic, each.payload)))
            if heard[-1][0] >= close_us:
                mark_s = time.thread_time()
                outputs = engine.advance(close_us)
                outbox = publications.rows(outputs, close_us)
                journal.commit(Batch([], [(-1, out) for out in outputs], [], outbox, engine.passed_us))
                spent["close"] += time.thread_time() - mark_s
                history.committed()
                samples, bursts, close_us = samples + len(outputs), bursts + 1, close_us + MINUTE_US
            if taken > locations >= taken - len(group):
                # All have been heard once: whether a start of theirs is on record is looked up at the first reading.
                spent, samples, bursts, counted = dict.fromkeys(spent, 0.0), 0, 0, len(group)
            mark_s = time.thread_time()
            inputs, given = [], []
            for index, (end_us, topic, payload, what) in enumerate(heard):
                at_us = max(end_us, engine.time_us, engine.passed_us + 1)
                assert what is not None
                given += [(index, out) for out in engine.apply(Input(at_us, at_us, what))]
                key = what.reading  # type: ignore[union-attr]
                keys = (key.sensor, key.boot, key.seq, key.start_us)
                inputs.append(InputRow(0, MESSAGE, at_us, at_us, topic, payload, *keys))
            now_s = time.thread_time()
            spent["engine"] += now_s - mark_s
            journal.commit(Batch(inputs, given, [], publications.rows([o for _, o in given], at_us), engine.passed_us))
            spent["journal"] += time.thread_time() - now_s
            history.committed()
        for _ in range(3):
            mark_s = time.thread_time()
            snapshot_row(engine, journal)
            spent["snapshot"] += time.thread_time() - mark_s
    return [
        spent["engine"] / counted * 1e6,
        spent["journal"] / counted * 1e6,
        spent["close"] / max(1, samples) * 1e6,
        spent["close"] / max(1, bursts) * 1e3,
        spent["snapshot"] / 3 * 1e3,
    ]


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--locations", type=int, nargs="+", default=[10, 50, 200, 1_000, 5_000])
    parser.add_argument("--readings", type=int, default=30_000, help="at each size, at least")
    options = parser.parse_args()
    columns = ("engine us", "journal us", "close us", "burst ms", "snapshot ms")
    print(f"{'locations':<10}" + "".join(f"{column:>13}" for column in columns))
    for locations in options.locations:
        with TemporaryDirectory(prefix="motewatch-flat-") as name:
            values = measure(locations, options.readings, Path(name))
        print(f"{locations:<10}" + "".join(f"{value:>13.1f}" for value in values), flush=True)


if __name__ == "__main__":
    main()
