"""Pages of the record: nothing is lost and nothing comes twice, also while the record grows and with equal instants."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from motewatch.engine.records import Audited, Output
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, DeadLetter
from motewatch.journal.search import Kind, Place, Wanted, search
from motewatch.measure.samples import Sample
from support.calls import CALL
from support.journal_records import alarm, taken

ROW = st.tuples(st.sampled_from(["alarm", "audit", "call", "letter", "sample"]), st.integers(0, 6))


def batch(rows: list[tuple[str, int]], start: int) -> Batch:
    outputs: list[Output] = []
    letters = []
    for number, (kind, at_us) in enumerate(rows, start):
        if kind == "alarm":
            outputs.append(alarm(at_us=at_us))
        elif kind == "audit":
            outputs.append(Audited(at_us, "ada", "note", "room/r", str(number)))
        elif kind == "call":
            outputs.append(replace(CALL, id=f"call-{number}", at_us=at_us))
        elif kind == "sample":
            # A location of its own each: there is one first revision of a period.
            outputs.append(taken(at_us, location=f"l{number}", count=200 if number % 2 else 7))
        else:
            letters.append(DeadLetter(at_us, "t", b"", "unreadable", str(number)))
    return Batch(outputs=[(BY_TIME, each) for each in outputs], dead_letters=letters, engine_us=start)


def judge(sample: Sample, input_id: int) -> str:
    return "above" if sample.channels[0].count > 100 else ""


@settings(max_examples=60, deadline=None)
@given(st.lists(ROW, max_size=25), st.lists(st.lists(ROW, max_size=4), max_size=8), st.integers(1, 7))
def test_pages(first: list[tuple[str, int]], later: list[list[tuple[str, int]]], limit: int) -> None:
    wanted = Wanted(frozenset(Kind))
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.db") as journal:
        journal.commit(batch(first, 0))
        whole = [row.place for row in search(journal.store, wanted, None, 1000, judge).rows]
        assert whole == sorted(whole, key=lambda place: place.order)
        seen: list[Place] = []
        after: Place | None = None
        number = 1000
        while True:
            page = search(journal.store, wanted, after, limit, judge)
            assert len(page.rows) <= limit
            seen += [row.place for row in page.rows]
            after = page.next
            if after is None:
                break
            if later:
                added = later.pop()
                journal.commit(batch(added, number))
                number += 100
        assert len(seen) == len(set(seen))
        assert set(whole) <= set(seen)
        assert seen == sorted(seen, key=lambda place: place.order)
