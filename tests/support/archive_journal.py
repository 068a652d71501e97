"""A journal of some months that is small enough for a test, and everything that can be asked of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from motewatch.engine.records import Output, SampleTaken
from motewatch.journal import search
from motewatch.journal.archives import Kind
from motewatch.journal.journal import Journal
from motewatch.journal.reports import ReportReader, newest_seal
from motewatch.journal.rollups import locations_on_record
from motewatch.journal.rows import BY_TIME, Batch, DeadLetter, InputRow
from motewatch.journal.sample_record import reading_rows, revisions
from motewatch.journal.series import all_samples, page_of_samples, series
from motewatch.journal.signed import sample_texts
from motewatch.wire.records import DAY_US, HOUR_US
from support.journal_records import alarm, fact, sample

START_US = 1_767_225_600_000_000
"""2026-01-01."""
DAYS = 75
STAY = {Kind.MESSAGES: 35 * DAY_US, Kind.SAMPLES: 35 * DAY_US}
PLACES = ("l1", "l2", "l3")
FULL = 60
"""Rows in a file: so that there are many."""


def record(journal: Journal, days: int = DAYS, first_day: int = 0) -> None:
    """Two samples a day of each place, with what else is on record around them; now and then one comes again late."""
    seq = first_day * 2
    for day in range(first_day, first_day + days):
        for half in range(2):
            end_us = START_US + day * DAY_US + (half + 1) * 12 * HOUR_US
            inputs: list[InputRow] = []
            outputs: list[tuple[int, Output]] = []
            for place, location in enumerate(PLACES):
                payload = f"{location} {seq}".encode()
                inputs.append(
                    InputRow(
                        0, "message", end_us, end_us, f"t/{place}", payload, f"s{place}", "b", seq, end_us - HOUR_US
                    )
                )
                made = replace(sample(end_us, 1, location, count=seq * 7 % 41), start_us=end_us - 12 * HOUR_US)
                outputs.append((place, SampleTaken(replace(made, sensors=(f"s{place}",)))))
            if day % 9 == 3 and half:
                # One of three days ago is revised: its first revision may be in an archive by the time the other is.
                old_us = end_us - 3 * DAY_US
                again = replace(sample(old_us, 2, "l1", count=99 + day), start_us=old_us - 12 * HOUR_US)
                outputs.append((2, SampleTaken(again)))
            letters = [DeadLetter(end_us, "t/x", b"?", "not-json", "no")] if day % 10 == 0 and half else []
            inputs.append(InputRow(0, "command", end_us, end_us, "t/command", b"{}"))
            outputs += [(3, fact(f"day {day}", at_us=end_us)), (BY_TIME, alarm(at_us=end_us))]
            seq += 1
            journal.commit(Batch(inputs, outputs, letters, engine_us=end_us))


def all_rows(journal: Journal) -> tuple[list[Any], list[Any]]:
    """Inputs and outputs, as a replay reads them."""
    inputs: list[Any] = []
    outputs: list[Any] = []
    while page := journal.inputs_after(inputs[-1].id if inputs else 0, 37):
        inputs += page
    while found := journal.outputs_after(outputs[-1][0] if outputs else 0, 41):
        outputs += found
    return inputs, outputs


def everything(path: Path) -> dict[str, Any]:
    """Every question that reaches into archives, with its answer."""
    with Journal.open_reader(path) as journal:
        store = journal.store
        seal = newest_seal(store)
        assert seal is not None
        end_us = seal.engine_us
        times = ((START_US, end_us), (START_US + 20 * DAY_US, START_US + 50 * DAY_US), (end_us - DAY_US, end_us))
        first_us = START_US + 12 * HOUR_US
        return {
            "rows": all_rows(journal),
            "engine's samples": [
                journal.samples("l1", START_US, end_us, before) for before in (None, 1, 100, 300, 10**9)
            ],
            "readings": [
                [journal.reading_start_us("s1", "b", seq, before) for seq in (0, 3, 70, 140, 10**6)]
                for before in (None, 5, 200)
            ],
            "boots": [journal.knows_boot("s1", boot, before) for boot in ("b", "x") for before in (None, 1, 2, 3)],
            "samples": [
                journal.query_samples(place, since, until, every, limit)
                for place in ("l1", None, "nowhere")
                for since, until in ((None, None), (times[1][0], times[1][1]))
                for every in (False, True)
                for limit in (5, 1000)
            ],
            "trends": [
                series(store, "l1", *time, points=points, single=single)
                for time in times
                for points in (10, 480)
                for single in (True, False)
            ],
            "pages": [page_of_samples(store, "l2", *time, limit=limit) for time in times for limit in (3, 1000)],
            "all": [each for time in times for page in all_samples(store, "l1", *time, page=7) for each in page],
            "places": locations_on_record(store),
            "sample": [
                (revisions(store, "l1", end), sample_texts(store, "l1", end))
                for end in range(first_us, end_us, 9 * DAY_US)
            ],
            "readings of a sample": reading_rows(store, revisions(store, "l2", first_us)),
            "search": search.search(
                store,
                search.Wanted(frozenset(search.Kind), location="l1"),
                None,
                200,
                lambda one, input_id: "above" if one.channels[0].count > 20 else "",
            ),
            "report": [
                [row for page in ReportReader(store, seal).samples(place, *time) for row in page]
                for place in PLACES
                for time in times
            ],
            "times": (
                journal.first_input_us(),
                journal.last_input_id(),
                journal.last_output_id(),
            ),
            "letters": journal.query_dead_letters(1000),
        }
