"""How quick is the search of a year's record? Run by hand: python tests/benchmarks/record.py [locations]

Makes a journal of a year in a temporary directory (samples of a minute at so many locations, default 2; 300 alarm
steps, 1 000 rows of the audit trail, 50 calls and 100 dead letters a day) by plain SQL, because only reading is
measured, and prints the median of five for each question, in milliseconds; a page is 50 rows.
"""

from __future__ import annotations

import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from motewatch.engine.codec import canonical, encode_internal
from motewatch.engine.records import AlarmChanged, Audited, SampleTaken
from motewatch.journal import chain
from motewatch.journal.columns import alarm_columns, call_columns, sample_columns
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch, InputRow
from motewatch.journal.sample_record import reading_rows, revisions, trail
from motewatch.journal.search import Kind, Place, Wanted, search
from motewatch.journal.trail_check import check_trail
from motewatch.links.clock import Clock
from motewatch.links.rehearsing import rehearse
from motewatch.measure.samples import Channel, Sample
from support.calls import CALL
from support.facility import T0, configured, site_dict
from support.journal_records import alarm, sample
from support.writer_bench import TOPICS, count_payload

DAY_US = 86_400_000_000
MINUTE_US = 60_000_000
START_US = 1_700_000_000_000_000 // DAY_US * DAY_US
DAYS = 365
PAGE = 50
ACTIONS = ("sign-in", "sign-out", "acknowledge", "shelve", "occupancy", "sign-in", "token-made", "sign-failed")
Rows = list[tuple[object, ...]]
TABLES = ("outputs", "samples", "alarm_events", "audit", "calls", "dead_letters")


def rows(locations: int) -> Iterator[tuple[str, Rows]]:
    """Rows of each table, a day at a time."""
    output = 0
    audit = letter = 0
    previous = chain.FIRST
    step, call = alarm(), CALL
    for day in range(DAYS):
        tables: list[Rows] = [[] for _ in range(6)]
        outputs, samples, alarms, trail_, calls, letters = tables
        base = START_US + day * DAY_US
        for minute in range(1440):
            for place in range(locations):
                end_us = base + (minute + 1) * MINUTE_US
                made = sample(end_us, location=f"l{place}", count=200 if minute == 700 else 7)
                taken = SampleTaken(replace(made, start_us=end_us - MINUTE_US))
                output += 1
                outputs.append((output, None, "sample", canonical(taken)))
                columns = sample_columns(taken) | {"output_id": output, "input_id": 0}
                samples.append(tuple(columns[name] for name in SAMPLE))
        for number in range(300):
            at_us = base + number * DAY_US // 300
            name = f"location/l{number % 40}/0.5um/action"
            one: AlarmChanged = replace(step, alarm=name, at_us=at_us, found_us=at_us, location=f"l{number % 40}")
            output += 1
            outputs.append((output, None, "alarm", canonical(one)))
            alarms.append((output, *alarm_columns(one).values()))
        for number in range(1000):
            audit += 1
            output += 1
            at_us = base + number * DAY_US // 1000
            action = "note" if number % 50 == 0 else ACTIONS[number % len(ACTIONS)]
            text = "the door stood open" if number % 50 == 0 else "as operator; from 10.1.2.3"
            who = "rare" if audit % 50_000 == 0 else f"user-{number % 30}"
            outputs.append((output, None, "audit", "{}"))
            row = chain.link(audit, Audited(at_us, who, action, f"location/l{number % 40}", text), previous)
            previous = row.hash
            trail_.append((audit, output, at_us, who, action, row.subject, text, row.previous_hash, row.hash))
        for number in range(50):
            output += 1
            at_us = base + number * DAY_US // 50
            told = replace(call, id=f"call-{output}", at_us=at_us)
            outputs.append((output, None, "told", canonical(told)))
            calls.append((output, *call_columns(told).values(), None, None, None, None))
        for number in range(100):
            letter += 1
            at_us = base + number * DAY_US // 100
            letters.append((letter, at_us, "motewatch/v1/s/counts/x", b"{}", "unreadable", "no JSON", f"s{number % 9}"))
        yield from zip(TABLES, tables, strict=True)


SAMPLE = ("output_id", "location", "end_us", "revision", "start_us", "input_id", "sampled_us", "readings", "quality")


def fill(path: Path, locations: int) -> None:
    with Journal(path):
        pass
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("BEGIN")
    for table, made in rows(locations):
        if made:
            marks = ", ".join("?" * len(made[0]))
            connection.executemany(f"INSERT INTO {table} VALUES ({marks})", made)
    connection.execute("COMMIT")
    connection.close()


def judge(taken: Sample, input_id: int) -> str:
    channel: Channel = taken.channels[0]
    return "above" if channel.count > 100 else ""


def measured(name: str, question: Callable[[], object]) -> None:
    times = []
    for _ in range(5):
        begun = time.perf_counter()
        question()
        times.append((time.perf_counter() - begun) * 1e3)
    print(f"{name:58} {statistics.median(times):8.1f} ms")


def main(locations: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.db"
        begun = time.perf_counter()
        fill(path, locations)
        size = path.stat().st_size / 1e6
        print(f"{DAYS} days, {locations} locations, {size:.0f} MB, made in {time.perf_counter() - begun:.0f} s")
        middle = Place(START_US + DAYS * DAY_US // 2, 0, 1)
        with Journal.open_reader(path) as journal:
            store = journal.store

            def ask(name: str, wanted: Wanted, after: Place | None = None) -> None:
                measured(name, lambda: search(store, wanted, after, PAGE, judge))

            ask("everything, newest", Wanted())
            ask("everything, half a year back", Wanted(), middle)
            ask("one day in the middle", Wanted(since_us=middle.at_us, until_us=middle.at_us + DAY_US))
            ask("a location", Wanted(location="l7"))
            ask("a room of 40 locations", Wanted(room="r1", room_locations=tuple(f"l{n}" for n in range(40))))
            ask("a location that has nothing", Wanted(location="nowhere"))
            ask("a sensor", Wanted(sensor="s3"))
            ask("a person", Wanted(person="user-7"))
            ask("a person who did seven things", Wanted(person="rare"))
            ask("notes", Wanted(frozenset({Kind.NOTE})))
            ask("words that many notes have", Wanted(text="DOOR"))
            ask("words that nothing has", Wanted(text="nothing of it"))
            ask("samples beyond a level at a location", Wanted(frozenset({Kind.SAMPLE}), location="l1"))
            ask("samples beyond a level anywhere", Wanted(frozenset({Kind.SAMPLE})))
            measured("audit trail, newest", lambda: trail(store, None, PAGE))
            end_us = START_US + 100 * DAY_US + 701 * MINUTE_US
            measured("one sample, without readings", lambda: reading_rows(store, revisions(store, "l1", end_us)))
            measured("chain of the whole audit trail", lambda: check_trail(store))
    rehearsed()


def rehearsed() -> None:
    """How many inputs a second a rehearsal plays: readings of a minute from one sensor, each a sample with levels."""
    sensor, level = "pc-2", [{"room": "prep", "size_um": 0.5, "action_per_m3": 3000}]
    what = configured(site_dict(levels=level))
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.db") as journal:
        first = InputRow(0, "configured", T0, T0, "", encode_internal(what))
        told = Audited(T0, "service", "configuration", "testing", what.digest)
        journal.commit(Batch([first], [(0, told)], engine_us=T0))
        for start in range(0, 30_000, 1_000):
            group = []
            for seq in range(start, start + 1_000):
                end_us = T0 + (seq + 1) * MINUTE_US
                payload = count_payload(sensor, seq, end_us, (200 if seq % 700 == 0 else 7, 0), 60.0)
                key = (sensor, "boot-1", seq, end_us - MINUTE_US)
                group.append(InputRow(0, "message", end_us, end_us, TOPICS.counts(sensor), payload, *key))
            journal.commit(Batch(group, engine_us=group[-1].applied_us))
        begun = time.perf_counter()
        found = rehearse(journal, configured(site_dict()), T0, T0 + 30_000 * MINUTE_US, Clock())
        took = time.perf_counter() - begun
        print(f"rehearsal: {found.inputs / took:,.0f} inputs a second, {len(found.outcome.differing)} alarms differ")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2)
