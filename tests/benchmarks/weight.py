"""What does a reading weigh in the journal? Run by hand: python tests/benchmarks/weight.py [--help]

Readings (six sizes, climate, status; 380 bytes a message) go through engine and journal in the groups in which they
would come: what arrives within 20 ms is one commit, and each commit has its seal. Printed are bytes of the file for a
reading, with its row, its share of samples and seals, and all indexes; what that makes in a day; and the sums kept
beside for each location and hour. Left out is what does not stay: publications of the last hour, three snapshots. Bytes
do not depend on how busy the machine is.
"""

from __future__ import annotations

import argparse
import sys
from itertools import groupby
from pathlib import Path
from tempfile import TemporaryDirectory

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from benchmarks.rig import SECOND_US, TOPICS  # noqa: E402
from benchmarks.stages import BEGAN_US, site_of  # noqa: E402
from motewatch.engine import Engine  # noqa: E402
from motewatch.engine.codec import encode_internal, internal_kind  # noqa: E402
from motewatch.engine.records import Input, Output  # noqa: E402
from motewatch.journal.history import JournalHistory  # noqa: E402
from motewatch.journal.inputs import MESSAGE, what_of  # noqa: E402
from motewatch.journal.journal import Journal  # noqa: E402
from motewatch.journal.rollups import Rollups  # noqa: E402
from motewatch.journal.rows import BY_TIME, Batch, InputRow  # noqa: E402
from motewatch.journal.store import Store  # noqa: E402
from motewatch.service.program import configured  # noqa: E402
from motewatch_simulator import load  # noqa: E402

GATHER_US = 20_000
DAY_S = 86_400
SITES = ((20, 60.0, False), (200, 60.0, False), (200, 1.0, False), (2000, 1.0, False), (2000, 1.0, True))
"""Sensors, seconds between readings, and whether each is a sample; otherwise a minute makes one."""


def size(store: Store) -> int:
    """Bytes of the pages in use."""
    store.checkpoint()
    with store.reading() as connection:
        pages, free, each = (
            int(connection.exec_driver_sql(f"PRAGMA {name}").scalar_one())
            for name in ("page_count", "freelist_count", "page_size")
        )
        return (pages - free) * each


def weigh(directory: Path, sensors: int, interval_s: float, each_reading: bool, readings: int) -> tuple[float, ...]:
    """Bytes a reading; bytes of sums for a location and hour (0 where no hour is over); seals a reading."""
    site = site_of(directory, sensors, interval_s=interval_s, each_reading=each_reading)
    interval_us = round(interval_s * SECOND_US)
    plan = load.LoadPlan(sensors, interval_us, BEGAN_US, "bench-weight", excursions=False, topics=TOPICS)
    taken = 0
    with Journal(directory / "weight.db") as journal:
        history = JournalHistory(journal)
        engine = Engine(history)
        first = configured(site)
        said: list[tuple[int, Output]] = [(0, each) for each in engine.apply(Input(BEGAN_US, BEGAN_US, first))]
        row = InputRow(0, internal_kind(first), BEGAN_US, BEGAN_US, "", encode_internal(first))
        journal.commit(Batch([row], said, engine_us=engine.passed_us))
        empty = size(journal.store)
        parcels = ((each.tag.end_us, each) for each in load.parcels(plan) if isinstance(each.tag, load.Tag))
        for _, together in groupby(parcels, lambda each: each[0] // GATHER_US):
            rows: list[InputRow] = []
            outputs: list[tuple[int, Output]] = []
            for end_us, parcel in together:
                at_us = max(end_us, engine.passed_us + 1)
                topic = parcel.topic_part[2:].decode()
                what = what_of(TOPICS, topic, parcel.payload)
                assert what is not None
                outputs += [(len(rows), each) for each in engine.apply(Input(end_us, at_us, what))]
                key = what.reading  # type: ignore[union-attr]
                keys = (key.sensor, key.boot, key.seq, key.start_us)
                rows.append(InputRow(0, MESSAGE, end_us, at_us, topic, parcel.payload, *keys))
            outputs += [(BY_TIME, each) for each in engine.advance(at_us)]
            journal.commit(Batch(rows, outputs, engine_us=engine.passed_us))
            history.committed()
            taken += len(rows)
            if taken >= readings:
                break
        held = size(journal.store)
        with journal.store.reading() as connection:
            seals = int(connection.exec_driver_sql("SELECT count(*) FROM seals").scalar_one())
        while Rollups(journal.store).sum_up(400):
            pass
        with journal.store.reading() as connection:
            hours = int(connection.exec_driver_sql("SELECT count(*) FROM sample_hours").scalar_one())
        summed = size(journal.store) - held
    return (held - empty) / taken, summed / hours if hours else 0.0, seals / taken


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--readings", type=int, default=40_000, help="at each size, at least")
    options = parser.parse_args()
    columns = ("bytes each", "seals each", "MB a day", "sums: bytes", "MB a day")
    print(f"{'site':<44}" + "".join(f"{column:>12}" for column in columns))
    for sensors, interval_s, each_reading in SITES:
        with TemporaryDirectory(prefix="motewatch-weight-") as name:
            each, hour, seals = weigh(Path(name), sensors, interval_s, each_reading, options.readings)
        day = sensors / interval_s * DAY_S * each / 1e6
        sums = sensors * 24 * hour / 1e6
        what = f"{sensors} sensors, {interval_s:g} s, " + ("each a sample" if each_reading else "periods of 60 s")
        print(f"{what:<44}{each:>12.0f}{seals:>12.3f}{day:>12.0f}{hour:>12.0f}{sums:>12.1f}", flush=True)


if __name__ == "__main__":
    main()
