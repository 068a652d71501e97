"""Archives hide nothing and let nothing be hidden: extremes stay in the sums for ever, who changes a file is found.

The forger here is a careful one, as in `test_record_chain`: after changing rows of a file he makes its manifest, the
register and the chain of manifests anew. What he cannot make anew without the seals is a row.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from motewatch.engine.records import SampleTaken
from motewatch.journal.archive_files import COLUMNS, load, sha256_of
from motewatch.journal.archives import FIRST, Kind, Manifest, folder_of, manifest_name
from motewatch.journal.archiving import make_all
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import let_go
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.journal.series import series
from motewatch.measure.samples import UL_PER_M3, Sample
from motewatch.wire.records import DAY_US, HOUR_US
from support.archive_journal import FULL, STAY, record
from support.sample_streams import samples

ARROW, PARQUET = load()
FAST = settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal most of whose messages and samples are archived."""
    path = tmp_path_factory.mktemp("archived") / "journal.db"
    with Journal(path, site="demo") as journal:
        record(journal, 62)
        make_all(journal.store, "demo", STAY, 1, full=FULL)
        let_go(journal.store, 2)
        journal.checkpoint()
        assert journal.verify() == []
    return path


@contextmanager
def copied(original: Path) -> Iterator[Path]:
    """To be forged."""
    with tempfile.TemporaryDirectory(prefix="archives-") as folder:
        path = Path(folder) / "journal.db"
        shutil.copy(original, path)
        shutil.copytree(folder_of(original), folder_of(path))
        yield path


def manifests(path: Path) -> list[Manifest]:
    """In their order."""
    files = folder_of(path).glob("*.json")
    return sorted((Manifest.read(each.read_text(), each.name) for each in files), key=lambda each: each.number)


def remake(path: Path, changed: list[Manifest]) -> None:
    """Manifests, register and their chain anew, over the files as they are."""
    raw = sqlite3.connect(path)
    for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        raw.execute(f"DROP TRIGGER {name}")
    previous = FIRST
    for manifest in changed:
        file = folder_of(path) / manifest.name
        rows = PARQUET.read_metadata(file).num_rows
        made = replace(manifest, previous=previous, sha256=sha256_of(file), size=file.stat().st_size, rows=rows)
        previous = made.hash
        (folder_of(path) / manifest_name(made.name)).write_text(made.text())
        raw.execute(
            "UPDATE archives SET sha256 = ?, bytes = ?, rows = ?, manifest = ?, hash = ? WHERE id = ?",
            (made.sha256, made.size, rows, made.text(), made.hash, made.number),
        )
    raw.commit()
    raw.close()


def rewrite(file: Path, change: Callable[[list[dict[str, Any]]], list[dict[str, Any]]]) -> None:
    """The file with other rows."""
    table = PARQUET.read_table(file)
    rows = change(table.to_pylist())
    PARQUET.write_table(ARROW.Table.from_pylist(rows, schema=table.schema), file)


def findings(path: Path) -> list[str]:
    with Journal.open_reader(path) as journal:
        return journal.verify()


@FAST
@given(which=st.integers(0, 10**6), row=st.integers(0, 10**6), column=st.integers(0, 10**6), careful=st.booleans())
def test_an_edited_row_of_a_file_is_found(original: Path, which: int, row: int, column: int, careful: bool) -> None:
    with copied(original) as path:
        known = manifests(path)
        manifest = known[which % len(known)]
        changed: dict[str, Any] = {}

        def edit(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
            one = rows[row % len(rows)]
            names = [name for name in COLUMNS[manifest.kind] if name != "id" and one[name] is not None]
            name = names[column % len(names)]
            value = one[name]
            one[name] = value + (1 if isinstance(value, int) else b"x" if isinstance(value, bytes) else "x")
            changed.update(id=one["id"])
            return rows

        rewrite(folder_of(path) / manifest.name, edit)
        if careful:
            remake(path, known)
        found = findings(path)
        assert found
        if not careful:
            assert found[0] == f"archives: {manifest.name} was changed after it was made. Lay it back from a backup"
        elif manifest.kind is Kind.SEALS:
            assert any("seal" in each for each in found)
        else:
            assert any(f" {changed['id']} " in f"{each} " for each in found), found


@FAST
@given(which=st.integers(0, 10**6), row=st.integers(0, 10**6), how=st.sampled_from(["removed", "doubled", "put in"]))
def test_a_row_removed_or_put_in_is_found_and_named(original: Path, which: int, row: int, how: str) -> None:
    with copied(original) as path:
        known = manifests(path)
        rowed = [each for each in known if each.kind is not Kind.SEALS]
        manifest = rowed[which % len(rowed)]
        named = 0

        def change(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
            nonlocal named
            place = row % len(rows)
            named = rows[place]["id"]
            if how == "removed":
                return rows[:place] + rows[place + 1 :]
            one = dict(rows[place])
            if how == "put in":
                one["id"] = manifest.last_id
                rows = [each for each in rows if each["id"] != manifest.last_id]
                named = manifest.last_id
                one["start_us"] = 5
            return [*rows[: place + 1], one, *rows[place + 1 :]]

        rewrite(folder_of(path) / manifest.name, change)
        remake(path, known)
        found = findings(path)
        assert found, how
        if how != "doubled":
            assert any(f" {named} " in f"{each} " for each in found), (named, found)


@FAST
@given(
    which=st.integers(0, 10**6), other=st.integers(1, 10**6), how=st.sampled_from(["removed", "exchanged", "put in"])
)
def test_a_file_removed_exchanged_or_put_in_is_found(original: Path, which: int, other: int, how: str) -> None:
    with copied(original) as path:
        known = manifests(path)
        manifest = known[which % len(known)]
        folder = folder_of(path)
        if how == "removed":
            (folder / manifest.name).unlink()
            (folder / manifest_name(manifest.name)).unlink()
            wanted = f"archives: {manifest.name} "
        elif how == "exchanged":
            second = known[(which + other % (len(known) - 1) + 1) % len(known)]
            if second.name == manifest.name:
                return
            kept = (folder / manifest.name).read_bytes()
            (folder / manifest.name).write_bytes((folder / second.name).read_bytes())
            (folder / second.name).write_bytes(kept)
            first = min(manifest, second, key=lambda each: each.number)
            wanted = f"archives: {first.name} was changed"
        else:
            name = f"samples-2026-01-{len(known) + 1:06d}"
            shutil.copy(folder / manifest.name, folder / f"{name}.parquet")
            stranger = replace(manifest, number=len(known) + 1, name=f"{name}.parquet", previous="1" * 64)
            (folder / f"{name}.json").write_text(stranger.text())
            wanted = f"archives: {name}.json is not registered"
        assert findings(path)[0].startswith(wanted)


@settings(max_examples=10, deadline=None)
@given(samples(period_s=600, most=60))
def test_the_least_and_greatest_sample_of_archived_hours_stay_for_ever(stream: list[Sample]) -> None:
    firsts = [replace(each, revision=1) for each in stream]
    location = firsts[0].location
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.db", site="demo") as journal:
        for each in firsts:
            journal.commit(Batch(outputs=[(BY_TIME, SampleTaken(each))], engine_us=each.end_us))
        end_us = max(each.end_us for each in firsts)
        journal.commit(Batch(engine_us=end_us + 400 * DAY_US))
        journal.commit(Batch(engine_us=end_us + 401 * DAY_US))
        made = make_all(journal.store, "demo", {Kind.SAMPLES: 35 * DAY_US}, 1)
        let_go(journal.store, 2)
        assert made
        assert journal.verify() == []
        # The files are gone for good: what the hours say needs none of them.
        shutil.rmtree(folder_of(Path(folder) / "journal.db"))
        begin_us = end_us - 100 * HOUR_US
        found = series(journal.store, location, begin_us, end_us, points=24, single=False, samples_max=0)
        for size_nm in {channel.size_nm for each in firsts for channel in each.channels}:
            said = [
                (channel.count * UL_PER_M3 / channel.volume_ul)
                for each in firsts
                if each.location == location
                for channel in each.channels
                if channel.size_nm == size_nm and channel.volume_ul
            ]
            if not said:
                continue
            peaks = [peak.per_m3 for bucket in found.buckets if (peak := bucket.stretch.peak(size_nm)) is not None]
            lows = [size.low_per_m3 for bucket in found.buckets if (size := bucket.stretch.size(size_nm)) is not None]
            assert max(peaks) == max(said)
            assert min(lows) == min(said)
