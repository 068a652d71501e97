"""Whatever is done behind the journal's back to one row of the record, `verify` finds it and names the first.

The forger here is a careful one: he keeps the derived rows in step, renumbers what follows, and leaves no gap. What he
does not do is to make the chain anew; that is found by an anchor kept elsewhere, or not at all.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from motewatch.callout.records import Delivered, Outcome
from motewatch.engine.codec import canonical, encode_internal
from motewatch.engine.records import Output
from motewatch.journal.anchors import Anchor, Told
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, DeadLetter, InputRow
from motewatch.journal.signature import SigningKey
from support.calls import CALL
from support.forger import DERIVED, TABLES, Forger
from support.journal_records import alarm, fact, outbox_row, reading_row, taken

KEY = SigningKey.parse("07" * 32)

Damage = st.tuples(st.sampled_from(TABLES), st.integers(0, 10**6))


def batches() -> Iterator[Batch]:
    """Every kind of row, in batches of different sizes."""
    for number in range(6):
        first = number * 3 + 1
        rows = [reading_row(seq, at_us=number * 100 + seq) for seq in range(first, first + 3)]
        outputs: list[tuple[int, Output]] = [(0, taken(first * 60)), (1, taken((first + 1) * 60, count=number))]
        outputs += [(1, alarm(at_us=first)), (2, fact(f"step {number}")), (BY_TIME, taken((first + 2) * 60))]
        letters = [DeadLetter(number, "t", bytes([number]), "not-json", f"no {number}", None if number % 2 else "s1")]
        yield Batch(rows, outputs, letters, [outbox_row(f"k{number}")], engine_us=number * 100 + 50)
    yield Batch(outputs=[(BY_TIME, CALL), (BY_TIME, fact("last"))], engine_us=700)
    delivered = encode_internal(Delivered(CALL.id, Outcome.REFUSED, 705, 1, "no such number"))
    command = InputRow(0, "command", 711, 711, "motewatch/site/command", b"{}")
    yield Batch([InputRow(0, "delivered", 710, 710, "", delivered), command], engine_us=711)


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Anchor]]:
    """A journal in order, and the anchors that others keep of it."""
    path = tmp_path_factory.mktemp("chain") / "journal.db"
    anchors = []
    with Journal(path, site="demo") as journal:
        for number, batch in enumerate(batches()):
            journal.commit(batch)
            made = journal.anchor("demo", number, KEY if number % 2 else None, lambda anchor: [])
            assert made is not None
            anchors.append(made)
        assert journal.verify([Told("x", one) for one in anchors]) == []
    return path, anchors


@pytest.fixture
def forge(original: tuple[Path, list[Anchor]]) -> Iterator[Any]:
    """Makes a copy to be forged: `with forge() as (path, forger)`."""
    folder = Path(tempfile.mkdtemp(prefix="chain-"))
    made: list[Forger] = []

    def copy() -> tuple[Path, Forger]:
        path = folder / f"{len(made)}.db"
        shutil.copy(original[0], path)
        made.append(Forger(path))
        return path, made[-1]

    yield copy
    for forger in made:
        forger.raw.close()
    shutil.rmtree(folder)


def first_finding(path: Path, forger: Forger) -> str:
    forger.raw.commit()
    forger.raw.close()
    with Journal.open_reader(path) as journal:
        found = journal.verify()
    path.unlink()
    return found[0] if found else "nothing"


def pick(forger: Forger, damage: tuple[str, int]) -> tuple[str, int]:
    table, number = damage
    return table, 1 + number % forger.last(table)


FAST = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@FAST
@given(damage=Damage, column=st.integers(0, 10**6))
def test_an_edited_column_is_named(forge: Any, damage: tuple[str, int], column: int) -> None:
    path, forger = forge()
    table, row_id = pick(forger, damage)
    row = forger.row(table, row_id)
    del row["id"]
    name = list(row)[column % len(row)]
    assume(row[name] is not None)
    value = row[name]
    # A number that no other row has: the forger, too, must keep what is unique.
    other = value + 10**6 if isinstance(value, int) else value + (b"x" if isinstance(value, bytes) else "x")
    forger.raw.execute(f"UPDATE {table} SET {name} = ? WHERE id = ?", (other, row_id))
    assert first_finding(path, forger) == f"{table}: row {row_id} is not the one that was recorded"


@FAST
@given(count=st.integers(8, 1000), place=st.integers(0, 10**6))
def test_a_forged_sample_with_its_columns_is_named(forge: Any, count: int, place: int) -> None:
    path, forger = forge()
    kept = forger.raw.execute("SELECT output_id, end_us, revision, location FROM samples").fetchall()
    output_id, end_us, revision, location = kept[place % len(kept)]
    forged = canonical(taken(end_us, revision, location, count))
    forger.raw.execute("UPDATE outputs SET body = ? WHERE id = ?", (forged, output_id))
    assert first_finding(path, forger) == f"outputs: row {output_id} is not the one that was recorded"


@FAST
@given(damage=Damage, closed=st.booleans())
def test_a_removed_row_is_named(forge: Any, damage: tuple[str, int], closed: bool) -> None:
    path, forger = forge()
    table, row_id = pick(forger, damage)
    forger.remove(table, row_id)
    last = forger.last(table)
    if closed:
        for later in range(row_id + 1, last + 1):
            forger.rename(table, later, later - 1)
    found = first_finding(path, forger)
    # Closing the gap makes the next row stand in its place; the inputs' numbers stand in outputs as well.
    at_fault = "is not the one that was recorded" if closed and row_id < last else "is missing"
    assert found == f"{table}: row {row_id} {at_fault}"


@FAST
@given(damage=Damage, at_the_end=st.booleans())
def test_an_inserted_row_is_named(forge: Any, damage: tuple[str, int], at_the_end: bool) -> None:
    path, forger = forge()
    table, row_id = pick(forger, damage)
    row = forger.row(table, row_id)
    last = forger.last(table)
    if "seq" in row:
        row |= {"seq": None, "start_us": None}
    place = last + 1 if at_the_end else row_id
    if not at_the_end:
        for later in range(last, row_id - 1, -1):
            forger.rename(table, later, later + 1)
    forger.insert(table, row | {"id": place, ("detail" if table == "dead_letters" else "kind"): "reply"})
    found = first_finding(path, forger)
    if at_the_end:
        assert found == f"{table}: row {place} is in no seal: it was put in, or its seal was removed"
    else:
        assert found == f"{table}: row {place} is not the one that was recorded"


@FAST
@given(damage=Damage, other=st.integers(0, 10**6))
def test_two_rows_that_changed_places_are_named(forge: Any, damage: tuple[str, int], other: int) -> None:
    path, forger = forge()
    table, one = pick(forger, damage)
    two = 1 + other % forger.last(table)
    assume(one != two)
    forger.rename(table, one, -1)
    forger.rename(table, two, one)
    forger.rename(table, -1, two)
    # Who renumbers an input renumbers its outputs' cause too: the earlier of both tables is what is named first.
    assert first_finding(path, forger) == f"{table}: row {min(one, two)} is not the one that was recorded"


@FAST
@given(table=st.sampled_from(DERIVED), place=st.integers(0, 10**6), column=st.integers(0, 10**6), gone=st.booleans())
def test_a_derived_row_alone_is_found(forge: Any, table: str, place: int, column: int, gone: bool) -> None:
    path, forger = forge()
    found = forger.raw.execute(f"SELECT rowid, * FROM {table}").fetchall()
    names = [each[1] for each in forger.raw.execute(f"PRAGMA table_info({table})")]
    row = found[place % len(found)]
    if gone:
        forger.raw.execute(f"DELETE FROM {table} WHERE rowid = ?", (row[0],))
    else:
        name, value = list(zip(names, row[1:], strict=True))[column % len(names)]
        assume(value is not None and name not in ("id", "output_id"))
        other = value + 1 if isinstance(value, int) else value + "x"
        forger.raw.execute(f"UPDATE {table} SET {name} = ? WHERE rowid = ?", (other, row[0]))
    assert first_finding(path, forger) != "nothing"


@FAST
@given(kept=st.integers(0, 7), forgets=st.booleans())
def test_a_record_cut_off_cleanly_is_found_by_an_anchor(
    original: tuple[Path, list[Anchor]], forge: Any, kept: int, forgets: bool
) -> None:
    anchors = original[1]
    path, forger = forge()
    ends = forger.raw.execute(
        "SELECT coalesce(max(input_id), 0), coalesce(max(output_id), 0), coalesce(max(dead_letter_id), 0),"
        " max(engine_us) FROM seals WHERE id <= ?",
        (kept,),
    ).fetchone()
    for table, end in zip(TABLES, ends, strict=False):
        for row_id in range(forger.last(table), end, -1):
            forger.remove(table, row_id)
    if kept < len(anchors):
        forger.raw.execute("UPDATE calls SET outcome = NULL, outcome_us = NULL, attempts = NULL, detail = NULL")
    forger.raw.execute("DELETE FROM anchors WHERE seal_id > ?", (kept if forgets else 10**6,))
    forger.raw.execute("DELETE FROM seals WHERE id > ?", (kept,))
    forger.raw.execute("UPDATE meta SET engine_us = ?", (ends[3],))
    forger.raw.commit()
    with Journal.open_reader(path) as journal:
        alone = journal.verify()
        with_anchors = journal.verify([Told(f"line {one.id}", one) for one in anchors])
    gone = anchors[kept]
    words = f"names seal {gone.seal_id} (up to input {gone.input_id} and output {gone.output_id}), which is not there"
    if forgets:
        assert alone == []
        assert words in with_anchors[0]
        assert with_anchors[0].startswith(f"line {gone.id} ")
    else:
        # The journal's own anchors say it too, as long as nobody removes them.
        assert any(words in each for each in alone)
    forger.raw.close()


@FAST
@given(seal=st.integers(1, 8), column=st.sampled_from(["input_id", "engine_us", "inputs", "marks", "hash"]))
def test_a_seal_that_was_changed_is_named(forge: Any, seal: int, column: str) -> None:
    path, forger = forge()
    (value,) = forger.raw.execute(f"SELECT {column} FROM seals WHERE id = ?", (seal,)).fetchone()
    forger.raw.execute(
        f"UPDATE seals SET {column} = ? WHERE id = ?", (value + (1 if isinstance(value, int) else b"x"), seal)
    )
    assert first_finding(path, forger) == f"seals: seal {seal} was changed, or does not follow from the one before it"


def test_a_chain_made_anew_after_a_forgery_is_found_by_an_anchor_alone(
    original: tuple[Path, list[Anchor]], tmp_path: Path
) -> None:
    with Journal(tmp_path / "anew.db", site="demo") as journal:
        for number, batch in enumerate(batches()):
            if number == 2:
                batch.inputs[0] = reading_row(100, at_us=200)
            journal.commit(batch)
        assert journal.verify() == []
        found = journal.verify([Told(f"line {one.id}", one) for one in original[1]])
    assert "with another hash: the record up to there is not the one that was anchored" in found[0]
    assert found[0].startswith("line 3 ")


def test_an_anchor_that_was_changed_or_is_unsigned_is_found_with_the_key(original: tuple[Path, list[Anchor]]) -> None:
    path, anchors = original
    signed, unsigned = anchors[1], anchors[0]
    forged = Anchor(**{name: getattr(signed, name) for name in Anchor.__slots__} | {"at_us": 77})
    other = SigningKey.parse("08" * 32)
    with Journal.open_reader(path) as journal:
        assert journal.verify([Told("it", signed)], KEY.public) == []
        assert journal.verify([Told("it", unsigned)], KEY.public) == ["it is not signed"]
        assert journal.verify([Told("it", forged)]) == ["it does not bear the signature of its key: it was changed"]
        found = journal.verify([Told("it", signed)], other.public)
    assert "it is signed with another key than the one given" in found
    assert "anchors: anchor 2 is signed with another key than the one given" in found


def test_what_was_there_before_the_seals_is_sealed_as_it_was_found(
    original: tuple[Path, list[Anchor]], forge: Any
) -> None:
    path, forger = forge()
    forger.raw.execute("DELETE FROM anchors")
    forger.raw.execute("DELETE FROM seals")
    forger.raw.commit()
    forger.raw.close()
    with Journal(path) as journal:
        chain = journal.chain()
        assert journal.verify() == []
        assert (chain.found_inputs, chain.found_outputs) == (journal.last_input_id(), journal.last_output_id())
        journal.commit(Batch(outputs=[(BY_TIME, fact())], engine_us=800))
        assert journal.chain() == type(chain)(chain.seals + 1, chain.found_inputs, chain.found_outputs)
        assert journal.verify() == []
    late = Forger(path)
    late.raw.execute("UPDATE inputs SET payload = x'00' WHERE id = 2")
    assert first_finding(path, late) == "inputs: row 2 is not the one that was recorded"
