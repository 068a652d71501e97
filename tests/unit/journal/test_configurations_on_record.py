"""Which configuration was in force when, and what is on record about one sample."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from motewatch.engine.codec import INTERNAL_KINDS, encode_internal
from motewatch.engine.records import Audited, Configured, Output
from motewatch.journal.configurations import PlansOnRecord, configuration, versions
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, InputRow
from motewatch.journal.sample_record import notes_on, reading_rows, revisions, steps_within, trail
from support.facility import configured, site_dict
from support.journal_records import alarm, fact, reading_row, taken


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.db") as journal:
        yield journal


def take_in(journal: Journal, what: Configured, at_us: int) -> None:
    row = InputRow(0, INTERNAL_KINDS[Configured], at_us, at_us, "", encode_internal(what))
    told = Audited(at_us, "service", "configuration", "testing", what.digest)
    journal.commit(Batch([row], [(0, told)], engine_us=at_us))


def site(action: int) -> dict[str, Any]:
    return site_dict(levels=[{"room": "fill", "size_um": 0.5, "action_per_m3": action}])


def test_versions_that_follow_each_other(journal: Journal) -> None:
    assert versions(journal.store) == []
    one, other = configured(site(1000)), configured(site(2000))
    for what, at_us in ((one, 10), (one, 20), (other, 30), (one, 40)):
        take_in(journal, what, at_us)
    found = [(each.digest, each.from_us, each.until_us, each.starts) for each in versions(journal.store)]
    assert found == [(one.digest, 10, 30, 2), (other.digest, 30, 40, 1), (one.digest, 40, None, 1)]
    assert configuration(journal.store, other.digest) == other
    assert configuration(journal.store, "none") is None


def test_the_plan_that_was_in_force_as_of_an_input(journal: Journal) -> None:
    plans = PlansOnRecord(journal.store)
    assert plans.as_of(5) is None
    journal.commit(Batch([reading_row(1)], engine_us=1))
    one, other = configured(site(1000)), configured(site(2000))
    take_in(journal, one, 10)
    journal.commit(Batch([reading_row(2)], engine_us=11))
    take_in(journal, Configured("broken", "{}"), 12)
    take_in(journal, other, 13)

    def digest(input_id: int) -> str | None:
        plan = plans.as_of(input_id)
        return None if plan is None else plan.digest

    assert [digest(number) for number in range(1, 8)] == [
        *(None, one.digest, one.digest, None, other.digest, other.digest, other.digest),
    ]
    # Asked again after more came, also about what was before.
    take_in(journal, one, 14)
    assert [digest(number) for number in (6, 5, 2)] == [one.digest, other.digest, one.digest]


def test_what_is_on_record_of_one_sample(journal: Journal) -> None:
    rows = [reading_row(0), reading_row(0, sensor="s2"), reading_row(1), reading_row(2)]
    journal.commit(Batch(rows, [(1, taken(60)), (2, taken(60, 2, count=9)), (2, alarm(at_us=60))], engine_us=1))
    late = [reading_row(3), reading_row(0, boot="b2")]
    outputs: list[tuple[int, Output]] = [(0, taken(120)), (1, taken(60, 3, count=11)), (1, alarm(at_us=61))]
    journal.commit(Batch(late, outputs, engine_us=2))
    found = revisions(journal.store, "l1", 60)
    assert [(each.sample.revision, each.input_id) for each in found] == [(1, 2), (2, 3), (3, 6)]
    assert revisions(journal.store, "l1", 61) == revisions(journal.store, "l2", 60) == []
    # Only sensors of the sample, and nothing that began after it.
    assert [(row.id, row.boot, row.seq) for row in reading_rows(journal.store, found)] == [(1, "b1", 0), (6, "b2", 0)]
    assert reading_rows(journal.store, []) == []
    assert [step.at_us for step in steps_within(journal.store, "l1", 0, 60)] == [60]
    assert steps_within(journal.store, "l2", 0, 60) == []


def test_notes_and_the_trail(journal: Journal) -> None:
    notes = [replace(fact("note", at_us), subject=subject) for at_us, subject in ((20, "a"), (10, "a"), (30, "b"))]
    journal.commit(Batch(outputs=[(BY_TIME, each) for each in (*notes, fact("signed"))], engine_us=1))
    assert [row.at_us for row in notes_on(journal.store, "a")] == [10, 20]
    assert [row.id for row in trail(journal.store, None, 3)] == [4, 3, 2]
    assert [row.id for row in trail(journal.store, 2, 3)] == [1]
