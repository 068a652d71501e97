"""Without opening a file: whatever is done to a row that the journal holds, or to an archive file, is found by hashes.

Journals of every state in which archives can be. The forger keeps the derived rows in step and leaves register and
manifests alone; what he gains by forging these too is said at the end, and is what only the whole walk finds.
"""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, reject, settings
from hypothesis import strategies as st

from motewatch.engine.codec import canonical, output_from
from motewatch.engine.records import Audited, SampleTaken
from motewatch.journal.archive_files import COLUMNS, load, sha256_of
from motewatch.journal.archives import FIRST, Kind, Manifest, folder_of, manifest_name
from motewatch.journal.archiving import make_all
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import let_go
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.journal.seals import output_hashes
from motewatch.journal.signature import SigningKey
from motewatch.links.archives import words
from motewatch.wire.records import DAY_US
from support.archive_journal import FULL, STAY, record
from support.forger import TABLES, Forger
from support.journal_records import alarm

ARROW, PARQUET = load()
KEY = SigningKey.parse("07" * 32)
DAYS = 75
REGISTERED = ("first_id", "last_id", "first_us", "rows", "bytes", "sha256", "hash", "deleted_us")
FAST = settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
FEW = settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def recorded(path: Path) -> None:
    """Anchors in between, and a report of a time whose seals leave: both keep seals in the journal."""
    with Journal(path, site="demo") as journal:
        for first in range(0, DAYS, 15):
            record(journal, 15, first_day=first)
            journal.anchor("demo", first, KEY, lambda anchor: [])
        with journal.store.writing() as connection:
            connection.exec_driver_sql(
                "INSERT INTO reports (id, number, kind, title, start_us, end_us, batch, hash, seal, made_us, made_by,"
                " file) VALUES ('r', 1, 'month', 'r', 0, 1, '', '', 44, 1, 'op', 'r.json')"
            )


def archived(path: Path, stay: dict[Kind, int], steps: int | None = None) -> None:
    """`steps`: so many of leaving are taken after all files are on record."""
    with Journal(path, site="demo") as journal:
        left = len(make_all(journal.store, "demo", stay, 1, KEY, full=FULL))
        taken = 0

        def known(_: Manifest) -> None:
            nonlocal left
            left -= 1

        def turn() -> bool:
            nonlocal taken
            taken += not left
            return steps is None or taken <= steps

        let_go(journal.store, 2, turn, known)
        journal.checkpoint()


def sealed_late(path: Path) -> None:
    """Days from before there were seals, sealed as they were found, and more since."""
    with Journal(path, site="demo") as journal:
        record(journal, 12)
    raw = sqlite3.connect(path)
    (trigger,) = raw.execute("SELECT sql FROM sqlite_master WHERE name = 'seals_kept'").fetchone()
    raw.executescript(f"DROP TRIGGER seals_kept; DELETE FROM seals; {trigger};")
    raw.close()
    with Journal(path, site="demo") as journal:
        record(journal, DAYS, first_day=12)


def first_format(path: Path) -> None:
    """As files of seals were made before their manifests said what stays."""
    forger = Forger(path)
    register(forger, path, [replace(each, format=1, kept=None, signature=None) for each in manifests(path)])
    forger.raw.commit()
    forger.raw.close()


def manifests(path: Path) -> list[Manifest]:
    """In their order."""
    files = folder_of(path).glob("*.json")
    return sorted((Manifest.read(each.read_text(), each.name) for each in files), key=lambda each: each.number)


def register(forger: Forger, path: Path, changed: list[Manifest]) -> None:
    """Manifests, register and their chain anew, over the files as they are."""
    previous = FIRST
    for manifest in changed:
        file = folder_of(path) / manifest.name
        size = file.stat().st_size
        made = replace(manifest, previous=previous, sha256=sha256_of(file), size=size, signature=None, public_key=None)
        previous = made.hash
        (folder_of(path) / manifest_name(made.name)).write_text(made.text())
        forger.raw.execute(
            "UPDATE archives SET sha256 = ?, bytes = ?, manifest = ?, hash = ? WHERE id = ?",
            (made.sha256, made.size, made.text(), made.hash, made.number),
        )


@pytest.fixture(scope="module")
def journals(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """By what has left them, and how."""
    folder = tmp_path_factory.mktemp("extents")
    base = folder / "base.db"
    recorded(base)

    def copy(name: str) -> Path:
        shutil.copy(base, folder / f"{name}.db")
        return folder / f"{name}.db"

    archived(copy("all"), STAY)
    archived(copy("messages"), {Kind.MESSAGES: STAY[Kind.MESSAGES]})
    archived(copy("samples"), {Kind.SAMPLES: STAY[Kind.SAMPLES]})
    archived(copy("letters"), STAY | {Kind.LETTERS: 50 * DAY_US})
    archived(copy("leaving"), STAY, steps=2)
    archived(copy("first format"), STAY)
    first_format(folder / "first format.db")
    copy("nothing")
    sealed_late(folder / "sealed late.db")
    archived(folder / "sealed late.db", STAY)
    found = {path.stem: path for path in folder.glob("*.db") if path != base}
    assert len(found) == 8
    return found


STATES = ("all", "messages", "samples", "letters", "leaving", "first format", "nothing", "sealed late")
State = st.sampled_from(STATES)


@contextmanager
def copied(original: Path) -> Iterator[tuple[Path, Forger]]:
    """To be forged."""
    with tempfile.TemporaryDirectory(prefix="extents-") as folder:
        path = Path(folder) / "journal.db"
        shutil.copy(original, path)
        if folder_of(original).is_dir():
            shutil.copytree(folder_of(original), folder_of(path))
        forger = Forger(path)
        yield path, forger
        forger.raw.close()


def findings(path: Path, forger: Forger, *, whole: bool = False) -> list[str]:
    forger.raw.commit()
    with Journal.open_reader(path) as journal:
        return journal.verify(whole=whole)


def recounted(body: str, count: int) -> str:
    """The text of a sample with another count, and none of its columns changed."""
    output = output_from("sample", body)
    assert isinstance(output, SampleTaken)
    first, *others = output.sample.channels
    return canonical(SampleTaken(replace(output.sample, channels=(replace(first, count=count), *others))))


def some_id(forger: Forger, table: str, place: int) -> int:
    ids = [row[0] for row in forger.raw.execute(f"SELECT id FROM {table} ORDER BY id")]
    return int(ids[place % len(ids)])


def heads(forger: Forger) -> dict[str, int]:
    """Up to which id files hold what leaves, by table."""
    by_kind = {"inputs": "messages", "outputs": "samples", "dead_letters": "dead-letters", "seals": "seals"}
    query = "SELECT coalesce(max(last_id), 0) FROM archives WHERE kind = ?"
    return {table: forger.raw.execute(query, (kind,)).fetchone()[0] for table, kind in by_kind.items()}


def is_in_a_file(forger: Forger, table: str, row_id: int) -> bool:
    """Whether a file holds the row, which is on its way out of the journal."""
    kind = forger.row(table, row_id).get("kind", "")
    leaves = (table != "inputs" and table != "outputs") or kind in ("message", "refused", "sample")
    return leaves and row_id <= heads(forger)[table]


@pytest.mark.parametrize("state", STATES)
def test_both_extents_find_nothing_in_a_journal_in_order(journals: dict[str, Path], state: str) -> None:
    with copied(journals[state]) as (path, forger):
        assert findings(path, forger) == []
        assert findings(path, forger, whole=True) == []
        left = heads(forger)
        assert bool(left["seals"]) is (state not in ("messages", "samples", "nothing"))
        rows = forger.raw.execute("SELECT count(*) FROM seals WHERE id < ?", (left["seals"],)).fetchone()[0]
        assert rows >= 3 or not left["seals"] or state == "sealed late", "those that anchors and a report name"
        with Journal.open_reader(path) as journal:
            found = journal.chain()
        assert bool(found.found_inputs) is bool(found.found_outputs) is (state == "sealed late")
        assert found.archived == left["seals"]


@pytest.mark.parametrize("state", [each for each in STATES if each not in ("leaving", "first format", "letters")])
def test_no_row_of_a_file_is_read(journals: dict[str, Path], state: str) -> None:
    """Files that nobody could read, under their own hashes: who opened one would say so."""
    with copied(journals[state]) as (path, forger):
        known = manifests(path)
        for manifest in known:
            (folder_of(path) / manifest.name).write_bytes(b"no Parquet at all")
        register(forger, path, known)
        assert findings(path, forger) == []
        assert bool(findings(path, forger, whole=True)) is bool(known)


@FAST
@given(
    state=State,
    table=st.sampled_from((*TABLES, "seals")),
    place=st.integers(0, 10**6),
    column=st.integers(0, 10**6),
)
def test_an_edited_column_is_named(journals: dict[str, Path], state: str, table: str, place: int, column: int) -> None:
    with copied(journals[state]) as (path, forger):
        row_id = some_id(forger, table, place)
        row = forger.row(table, row_id)
        del row["id"]
        name = list(row)[column % len(row)]
        value = row[name]
        assume(value is not None)
        other = value + 10**6 if isinstance(value, int) else value + (b"x" if isinstance(value, bytes) else "x")
        forger.raw.execute(f"UPDATE {table} SET {name} = ? WHERE id = ?", (other, row_id))
        found = findings(path, forger)
        named = f"seal {row_id} " if table == "seals" else f"{table}: row {row_id} "
        if table == "outputs":
            # While samples leave they are held against their file by both tables at once.
            assert any(each.startswith((named, f"samples: row {row_id} ")) for each in found), found
        else:
            assert any(named in each for each in found) or (table == "seals" and found), found


@FAST
@given(state=State, place=st.integers(0, 10**6), table=st.sampled_from(TABLES))
def test_a_removed_row_is_found(journals: dict[str, Path], state: str, place: int, table: str) -> None:
    with copied(journals[state]) as (path, forger):
        row_id = some_id(forger, table, place)
        # That leaves anyway, and its file has it.
        assume(not is_in_a_file(forger, table, row_id))
        left = heads(forger)[table]
        forger.remove(table, row_id)
        found = findings(path, forger)
        assert found
        if row_id > left:
            assert any(each == f"{table}: row {row_id} is missing" for each in found), found


@FAST
@given(state=State, place=st.integers(0, 10**6), where=st.integers(0, 10**6), table=st.sampled_from(TABLES))
def test_a_row_put_in_is_found(journals: dict[str, Path], state: str, place: int, where: int, table: str) -> None:
    """Where a row has left, and at both ends."""
    with copied(journals[state]) as (path, forger):
        last = int(forger.raw.execute(f"SELECT max({table[:-1]}_id) FROM seals").fetchone()[0])
        there = {row[0] for row in forger.raw.execute(f"SELECT id FROM {table}")}
        free = [0, *(row_id for row_id in range(1, last) if row_id not in there), last + 1]
        row = forger.row(table, some_id(forger, table, place)) | {"id": free[where % len(free)]}
        if "seq" in row:
            row |= {"seq": None, "start_us": None}
        forger.insert(table, row)
        assert findings(path, forger)


@FAST
@given(state=State, one=st.integers(0, 10**6), other=st.integers(0, 10**6), table=st.sampled_from(TABLES))
def test_two_rows_that_changed_places_are_found(
    journals: dict[str, Path], state: str, one: int, other: int, table: str
) -> None:
    with copied(journals[state]) as (path, forger):
        first, second = some_id(forger, table, one), some_id(forger, table, other)
        assume(first != second)
        forger.rename(table, first, -1)
        forger.rename(table, second, first)
        forger.rename(table, -1, second)
        assert findings(path, forger)


@FAST
@given(state=State, place=st.integers(0, 10**6), count=st.integers(100, 1000))
def test_a_sample_forged_with_its_columns_is_named(
    journals: dict[str, Path], state: str, place: int, count: int
) -> None:
    with copied(journals[state]) as (path, forger):
        kept = forger.raw.execute("SELECT id, body FROM outputs WHERE kind = 'sample' ORDER BY id").fetchall()
        row_id, body = kept[place % len(kept)]
        forged = recounted(body, count)
        assume(forged != body)
        forger.raw.execute("UPDATE outputs SET body = ? WHERE id = ?", (forged, row_id))
        assert any(f": row {row_id} is not the one that" in each for each in findings(path, forger))


@FEW
@given(
    state=st.sampled_from([each for each in STATES if each != "nothing"]),
    which=st.integers(0, 10**6),
    place=st.integers(0, 10**6),
    how=st.sampled_from(["a byte", "gone", "exchanged", "manifest", "registered otherwise"]),
)
def test_a_file_that_was_changed_is_named(
    journals: dict[str, Path], state: str, which: int, place: int, how: str
) -> None:
    with copied(journals[state]) as (path, forger):
        known = manifests(path)
        manifest = known[which % len(known)]
        assume(forger.raw.execute("SELECT 1 FROM archives WHERE id = ?", (manifest.number,)).fetchone())
        file = folder_of(path) / manifest.name
        if how == "a byte":
            content = bytearray(file.read_bytes())
            content[place % len(content)] ^= 1
            file.write_bytes(content)
        elif how == "gone":
            file.unlink()
        elif how == "exchanged":
            second = folder_of(path) / known[(which + 1) % len(known)].name
            assume(second != file)
            kept = file.read_bytes()
            file.write_bytes(second.read_bytes())
            second.write_bytes(kept)
        elif how == "manifest":
            file.with_name(manifest_name(file.name)).write_text(replace(manifest, made_us=7).text())
        else:
            name = REGISTERED[place % len(REGISTERED)]
            value = forger.row("archives", manifest.number)[name]
            other = (
                f"{value}0" if isinstance(value, str) else (value or 5) - 1 if name == "first_id" else (value or 5) + 1
            )
            try:
                forger.raw.execute(f"UPDATE archives SET {name} = ? WHERE id = ?", (other, manifest.number))
            except sqlite3.IntegrityError:
                # Two files of a kind that end at the same row: that the database itself does not take.
                reject()
        found = findings(path, forger)
        assert found
        assert any(manifest.name in each for each in found), found


@FEW
@given(seal=st.integers(0, 10**6))
def test_a_seal_that_stays_cannot_be_removed(journals: dict[str, Path], seal: int) -> None:
    with copied(journals["all"]) as (path, forger):
        stay = forger.raw.execute("SELECT id FROM seals WHERE id <= ?", (heads(forger)["seals"],)).fetchall()
        (seal_id,) = stay[seal % len(stay)]
        forger.raw.execute("DELETE FROM seals WHERE id = ?", (seal_id,))
        for whole in (False, True):
            assert any(
                each.startswith(f"seals: seal {seal_id} is missing") for each in findings(path, forger, whole=whole)
            )


def forge_a_file(path: Path, kind: Kind) -> None:
    """One number of one row of a file, and nothing else yet."""
    manifest = next(each for each in manifests(path) if each.kind is kind)
    file = folder_of(path) / manifest.name
    table = PARQUET.read_table(file)
    rows = table.to_pylist()
    name = next(name for name in COLUMNS[kind] if name in ("applied_us", "body"))
    value = rows[3][name]
    rows[3][name] = recounted(value, 12_345) if isinstance(value, str) else value + 1
    PARQUET.write_table(ARROW.Table.from_pylist(rows, schema=table.schema), file)


@pytest.mark.parametrize("kind", [Kind.MESSAGES, Kind.SAMPLES])
def test_a_file_forged_with_manifest_and_register_is_found_by_the_whole_alone(
    journals: dict[str, Path], kind: Kind
) -> None:
    with copied(journals["all"]) as (path, forger):
        forge_a_file(path, kind)
        register(forger, path, manifests(path))
        assert findings(path, forger) == []
        assert "is not the one that was recorded" in findings(path, forger, whole=True)[0]


@pytest.mark.parametrize("newest", [False, True])
def test_it_is_found_by_hashes_where_the_audit_trail_tells_of_the_file(journals: dict[str, Path], newest: bool) -> None:
    """As the service does whenever it takes one over; the manifest of the newest alone vouches for all before it."""
    with copied(journals["all"]) as (path, forger):
        known = manifests(path)
        told = known[-1:] if newest else known
        with Journal(path, site="demo") as journal:
            end_us = (journal.engine_us() or 0) + DAY_US
            facts = [Audited(end_us, "motewatch", "archived", f"archive/{each.name}", words(each)) for each in told]
            journal.commit(Batch(outputs=[(BY_TIME, each) for each in facts], engine_us=end_us))
            assert journal.verify(whole=False) == []
        forge_a_file(path, Kind.SAMPLES)
        register(forger, path, known)
        named = told[0] if newest else next(each for each in known if each.kind is Kind.SAMPLES)
        said = f"archive/{named.name} with another hash"
        for whole in (False, True):
            found = findings(path, forger, whole=whole)
            assert any(each.startswith("archives: row ") and said in each for each in found), found


def test_a_kept_row_forged_with_manifest_and_register_is_found_by_the_whole_alone(journals: dict[str, Path]) -> None:
    with copied(journals["all"]) as (path, forger):
        known = manifests(path)
        seals = next(each for each in known if each.kind is Kind.SEALS)
        assert seals.kept is not None
        query = "SELECT id, input_id, kind, body FROM outputs WHERE kind <> 'sample' AND id <= ? ORDER BY id"
        rows = forger.raw.execute(query, (seals.kept.output_id,)).fetchall()
        victim = next(row[0] for row in rows if row[2] == "alarm")
        old = forger.raw.execute("SELECT at_us FROM alarm_events WHERE output_id = ?", (victim,)).fetchone()[0]
        forged = canonical(replace(alarm(at_us=old), text="nothing to see"))
        forger.raw.execute("UPDATE outputs SET body = ? WHERE id = ?", (forged, victim))
        assert findings(path, forger)[0] == f"outputs: row {victim} is not the one that was recorded"
        rows = forger.raw.execute(query, (seals.kept.output_id,)).fetchall()
        digest = hashlib.sha256(b"".join(output_hashes(rows))).hexdigest()
        register(
            forger,
            path,
            [
                replace(each, kept=replace(seals.kept, outputs=digest)) if each.number == seals.number else each
                for each in known
            ],
        )
        assert findings(path, forger) == []
        whole = findings(path, forger, whole=True)
        assert whole[0] == f"outputs: row {victim} is not the one that was recorded"


def test_sums_over_archived_time_are_held_against_their_samples_by_the_whole_alone(journals: dict[str, Path]) -> None:
    with copied(journals["all"]) as (path, forger):
        hours = forger.raw.execute("SELECT location, hour FROM sample_hours ORDER BY hour").fetchall()
        assert hours
        (newest,) = forger.raw.execute("SELECT max(last_us) FROM archives WHERE kind = 'samples'").fetchone()
        old, new = hours[0], hours[-1]
        forger.raw.execute("UPDATE sample_hours SET body = '{}' WHERE location = ? AND hour = ?", old)
        assert old[1] * 3_600_000_000 < newest
        assert findings(path, forger) == []
        assert "sample_hours: hour" in findings(path, forger, whole=True)[0]
        if new[1] * 3_600_000_000 > newest:
            forger.raw.execute("UPDATE sample_hours SET body = '{}' WHERE location = ? AND hour = ?", new)
            assert "sample_hours: hour" in findings(path, forger)[0]


@pytest.mark.parametrize("what", ["command", "message", "sample", "column", "seal", "gone"])
def test_nothing_more_is_archived_where_a_row_is_not_what_was_sealed(tmp_path: Path, what: str) -> None:
    """Else file and manifest would vouch for a forgery."""
    path = tmp_path / "journal.db"
    recorded(path)
    forger = Forger(path)
    if what in ("command", "message"):
        forger.raw.execute("UPDATE inputs SET payload = x'00' WHERE kind = ? AND id BETWEEN 50 AND 60", (what,))
    elif what == "sample":
        query = "SELECT id, body FROM outputs WHERE kind = 'sample' AND id > 50"
        row_id, body = forger.raw.execute(query).fetchone()
        forger.raw.execute("UPDATE outputs SET body = ? WHERE id = ?", (recounted(body, 999), row_id))
    elif what == "column":
        forger.raw.execute("UPDATE samples SET readings = readings + 1 WHERE output_id BETWEEN 50 AND 60")
    elif what == "gone":
        forger.raw.execute("DELETE FROM inputs WHERE kind = 'command' AND id BETWEEN 50 AND 54")
    else:
        forger.raw.execute("UPDATE seals SET engine_us = engine_us + 1 WHERE id = 20")
    forger.raw.commit()
    forger.raw.close()
    with pytest.raises(Exception, match="nothing more is archived, because") as raised:
        archived(path, STAY)
    assert "ArchiveError" in type(raised.value).__name__
    kinds = {"command": Kind.SEALS, "sample": Kind.SAMPLES, "column": Kind.SAMPLES}
    made = [each for each in manifests(path) if each.kind is kinds.get(what, Kind.MESSAGES)]
    assert len(made) < 2, "none that holds the row or comes after it"
