"""Ten years of a facility in half an hour: what a journal with archives weighs, and how long questions to it take.

    python tests/benchmarks/years.py --years 10 --locations 200 --period-min 480
    python tests/benchmarks/years.py --years 10 --folder /var/tmp --keep      the record stays there
    python tests/benchmarks/years.py --ask /var/tmp/years-x/journal.db        asks a record that stayed, five times

Made cheaply, kept dearly: readings and samples are drawn at random, but every batch is committed by the real journal,
every hour is summed up, every week archives are made and rows leave, and every question is asked by the code that
pages and commands ask with. Some lines a year; at the end the whole record is verified.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import AlarmChanged, Audited, Output, Priority, SampleTaken
from motewatch.journal import search
from motewatch.journal.archives import Kind, folder_of
from motewatch.journal.archiving import make_all
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import let_go
from motewatch.journal.reports import ReportReader, newest_seal
from motewatch.journal.rollups import Rollups
from motewatch.journal.rows import BY_TIME, Batch, InputRow
from motewatch.journal.series import series
from motewatch.measure.samples import Channel, Quality, Sample, Spread

SECOND_US = 1_000_000
DAY_US = 86_400 * SECOND_US
YEAR_DAYS = 365
START_US = 1_767_225_600 * SECOND_US  # 2026-01-01
SIZES_NM = (300, 500, 1000, 2500, 5000, 10000)
ALARMS_A_DAY = 20
SUMS = 400


class Facility:
    """Makes what one period brings."""

    def __init__(self, locations: int, period_us: int, seed: int) -> None:
        self.random = random.Random(seed)
        self.locations = [f"location-{number:03d}" for number in range(locations)]
        self.period_us = period_us
        self.seq = 0
        self.volume_ul = 28_300_000 * period_us // (60 * SECOND_US)

    def batch(self, end_us: int) -> Batch:
        """All sensors and locations at one end of a period."""
        inputs: list[InputRow] = []
        outputs: list[tuple[int, Output]] = []
        start_us = end_us - self.period_us
        for place, location in enumerate(self.locations):
            sensor = f"sensor-{place:03d}"
            counts = [int(self.random.expovariate(1 / mean)) for mean in (400, 90, 20, 5, 1.5, 0.3)]
            at_us = end_us + self.random.randrange(40 * 1000)
            climate = [
                base + self.random.randrange(width) for base, width in ((20_000, 1500), (45_000, 5000), (15_000, 900))
            ]
            message = {
                "version": 1,
                "boot": "b01d5c",
                "seq": self.seq,
                "start_us": start_us,
                "duration_us": self.period_us,
                "volume_ul": self.volume_ul,
                "counts": dict(zip(map(str, SIZES_NM), counts, strict=True)),
                "temperature_mc": climate[0],
                "humidity_mpct": climate[1],
                "pressure_mpa": climate[2],
                "status": "good",
            }
            payload = json.dumps(message).encode()
            topic = f"motewatch/v1/site/sensors/{sensor}/counts"
            inputs.append(
                InputRow(0, "message", at_us, end_us, topic, payload, sensor, "b01d5c", self.seq, start_us=start_us)
            )
            sample = Sample(
                location=location,
                start_us=start_us,
                end_us=end_us,
                revision=1,
                channels=tuple(
                    Channel(size, count, self.volume_ul) for size, count in zip(SIZES_NM, counts, strict=True)
                ),
                sampled_us=self.period_us,
                readings=1,
                sensors=(sensor,),
                quality=Quality.GOOD,
                occupancy="operational" if place % 3 else "at-rest",
                temperature=Spread(1, climate[0], climate[0], climate[0]),
                humidity=Spread(1, climate[1], climate[1], climate[1]),
                pressure=Spread(1, climate[2], climate[2], climate[2]),
            )
            outputs.append((place, SampleTaken(sample)))
        self.seq += 1
        return Batch(inputs, outputs, [], [], engine_us=end_us)

    def alarms(self, at_us: int) -> Batch:
        """A day's alarms, each started, acknowledged by somebody and over."""
        outputs: list[tuple[int, Output]] = []
        for _ in range(ALARMS_A_DAY):
            location = self.random.choice(self.locations)
            alarm = f"location/{location}/0.5um/action"
            steps = (
                (Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED),
                (Event.ACKNOWLEDGE, State.UNACKNOWLEDGED, State.ACKNOWLEDGED),
                (Event.RETURNS, State.ACKNOWLEDGED, State.NORMAL),
            )
            for event, before, after in steps:
                change = AlarmChanged(
                    alarm=alarm,
                    kind="action-level",
                    priority=Priority.HIGH,
                    event=event,
                    before=before,
                    after=after,
                    at_us=at_us,
                    found_us=at_us,
                    text=f"0.5 um at {location}: 4,100 per m3, action level 3,520",
                    location=location,
                )
                outputs.append((BY_TIME, change))
            fact = Audited(at_us, "person-7", "acknowledge", f"alarm/{alarm}", "seen, door was open")
            outputs.append((BY_TIME, fact))
        return Batch(outputs=outputs, engine_us=at_us)


def memory() -> str:
    """Resident now and at most, in MB."""
    lines = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return "/".join(f"{int(lines[name].split()[0]) / 1000:.0f}" for name in ("VmRSS", "VmHWM"))


def timed(question: Callable[[], Any]) -> tuple[float, float, Any]:
    """Milliseconds, those of the processor, and what came of it."""
    begun, worked = time.perf_counter(), time.process_time()
    found = question()
    return (time.perf_counter() - begun) * 1000, (time.process_time() - worked) * 1000, found


def ask(journal: Journal, now_us: int) -> dict[str, tuple[float, float]]:
    """How long each question takes, and how long the processor works at it, in milliseconds."""
    store, old_us = journal.store, START_US + 15 * DAY_US
    place = "location-017"
    seal = newest_seal(store)
    assert seal is not None

    def report() -> int:
        reader = ReportReader(store, seal)
        steps = reader.alarm_steps(old_us, old_us + 30 * DAY_US)
        places = [f"location-{number:03d}" for number in range(20)]
        return len(steps) + sum(sum(1 for _ in reader.samples(each, old_us, old_us + 30 * DAY_US)) for each in places)

    questions: dict[str, Callable[[], Any]] = {
        "day now": lambda: series(store, place, now_us - DAY_US, now_us),
        "day of the first month": lambda: series(store, place, old_us, old_us + DAY_US),
        "month now": lambda: series(store, place, now_us - 30 * DAY_US, now_us),
        "first month": lambda: series(store, place, old_us, old_us + 30 * DAY_US),
        "year": lambda: series(store, place, now_us - 365 * DAY_US, now_us),
        "all years": lambda: series(store, place, START_US, now_us),
        "search newest": lambda: search.search(store, search.Wanted(), None, 50),
        "search a location in the first year": lambda: search.search(
            store, search.Wanted(location=place, until_us=START_US + 300 * DAY_US), None, 50
        ),
        "report of the first month, 20 locations": report,
        "alarm figures of a year": lambda: journal.alarm_steps(now_us - 365 * DAY_US, now_us),
        "samples of a location, newest 200 before the second year": lambda: journal.query_samples(
            place, None, START_US + 365 * DAY_US, limit=200
        ),
        "a reading that comes again after years": lambda: journal.reading_start_us("sensor-017", "b01d5c", 40),
    }
    return {name: timed(question)[:2] for name, question in questions.items()}


def tell_answers(answers: dict[str, tuple[float, float]]) -> None:
    """In one line: each question with its time, and the processor's share of that."""
    print(
        "   ms (of processor): " + ", ".join(f"{name} {took:.0f} ({cpu:.0f})" for name, (took, cpu) in answers.items())
    )


def ask_again(path: Path) -> None:
    """A record that stayed: what it weighs, and its answers."""
    with Journal(path, site="site") as journal:
        with journal.store.reading() as connection:
            end_us = int(connection.exec_driver_sql("SELECT max(end_us) FROM samples").scalar() or 0)
        for _ in range(5):
            tell_answers(ask(journal, end_us))
        print(f"memory now/most {memory()} MB", flush=True)


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--years", type=float, default=10)
    parser.add_argument("--locations", type=int, default=200)
    parser.add_argument("--period-min", type=float, default=480)
    parser.add_argument("--messages-days", type=int, default=35)
    parser.add_argument("--samples-days", type=int, default=90)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--folder", type=Path, default=None)
    parser.add_argument("--keep", action="store_true", help="leave the record where it is")
    parser.add_argument("--ask", type=Path, default=None, metavar="JOURNAL", help="only ask this record that stayed")
    asked = parser.parse_args()
    if asked.ask:
        return ask_again(asked.ask)
    folder = Path(tempfile.mkdtemp(prefix="years-", dir=asked.folder))
    period_us = round(asked.period_min * 60 * SECOND_US)
    facility = Facility(asked.locations, period_us, asked.seed)
    stay = {
        Kind.MESSAGES: asked.messages_days * DAY_US,
        Kind.SAMPLES: asked.samples_days * DAY_US,
        Kind.LETTERS: asked.samples_days * DAY_US,
    }
    path = folder / "journal.db"
    try:
        with Journal(path, site="site") as journal:
            run(journal, facility, stay, round(asked.years * YEAR_DAYS), path)
    finally:
        if asked.keep:
            print(f"the record: {path}")
        else:
            shutil.rmtree(folder)


def run(journal: Journal, facility: Facility, stay: dict[Kind, int], days: int, path: Path) -> None:
    """All days."""
    rollups = Rollups(journal.store)
    nights: list[float] = []
    turns: list[float] = []
    spent = {"recording": 0.0, "hours": 0.0, "archiving": 0.0, "leaving": 0.0}
    begun = last_turn = time.perf_counter()

    def turn() -> bool:
        nonlocal last_turn
        now = time.perf_counter()
        turns.append(now - last_turn)
        last_turn = now
        return True

    def work(name: str, what: Callable[[], Any]) -> Any:
        at = time.perf_counter()
        found = what()
        spent[name] += time.perf_counter() - at
        return found

    def sum_up() -> None:
        while rollups.sum_up(SUMS):
            pass

    samples = 0
    for day in range(days):
        start_us = START_US + day * DAY_US
        for end_us in range(start_us + facility.period_us, start_us + DAY_US + 1, facility.period_us):
            batch = facility.batch(end_us)
            samples += len(batch.outputs)
            work("recording", partial(journal.commit, batch))
        end_us = start_us + DAY_US
        work("recording", partial(journal.commit, facility.alarms(end_us)))
        work("hours", sum_up)
        night = time.perf_counter()
        made = day % 7 == 6 and work("archiving", partial(make_all, journal.store, "site", stay, end_us))
        if made:
            last_turn = time.perf_counter()
            work("leaving", partial(let_go, journal.store, end_us, turn))
            nights.append(time.perf_counter() - night)
        if (day + 1) % YEAR_DAYS == 0 or day + 1 == days:
            tell(journal, path, day + 1, samples, nights, turns, spent, time.perf_counter() - begun)
            nights, turns = [], []
    took, worked, problems = timed(journal.verify)
    print(
        f"verify: {took / 1000:.0f} s ({worked / 1000:.0f} s of processor), "
        f"{worked * 1000 / (2 * samples):.0f} us a row; problems: {problems or 'none'}"
    )
    print(f"memory after it: {memory()} MB; whole run {time.perf_counter() - begun:.0f} s", flush=True)


def tell(
    journal: Journal,
    path: Path,
    days: int,
    samples: int,
    nights: list[float],
    turns: list[float],
    spent: dict[str, float],
    elapsed_s: float,
) -> None:
    """What stands at the end of a year."""
    journal.checkpoint()
    archive = [each.stat().st_size for each in folder_of(path).glob("*.parquet")]
    with journal.store.reading() as connection:
        pages, free = (
            int(connection.exec_driver_sql(f"PRAGMA {name}").scalar() or 0) for name in ("page_count", "freelist_count")
        )
    told = [
        f"day {days}, {samples} samples, {elapsed_s:.0f} s",
        f"journal {path.stat().st_size / 1e6:.0f} MB ({free / pages:.0%} free)",
        f"archive {sum(archive) / 1e6:.0f} MB in {len(archive)} files",
        f"memory now/most {memory()} MB",
        f"nights with archives {len(nights)}: median {statistics.median(nights or [0]):.1f} s",
        f"longest {max(nights or [0]):.1f} s",
        f"longest transaction of leaving {max(turns or [0]) * 1000:.0f} ms",
    ]
    print("; ".join(told))
    print("   spent: " + ", ".join(f"{name} {seconds:.0f} s" for name, seconds in spent.items()))
    tell_answers(ask(journal, START_US + days * DAY_US))
    sys.stdout.flush()


if __name__ == "__main__":
    main()
