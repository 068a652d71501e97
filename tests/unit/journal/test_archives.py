"""What leaves the journal for archive files is still on record: every question gets the answer it got before."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from motewatch.journal import tables
from motewatch.journal.archive_files import read_groups
from motewatch.journal.archive_upkeep import one_run, set_aside
from motewatch.journal.archives import Kind, folder_of, heads, waiting
from motewatch.journal.archiving import make_all
from motewatch.journal.errors import ArchiveError
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import is_leaving, let_go
from motewatch.journal.rows import Batch, InputRow, SnapshotRow
from motewatch.journal.signature import SigningKey
from motewatch.wire.records import DAY_US
from support.archive_journal import FULL, START_US, STAY, all_rows, everything, record
from support.journal_records import fact

KEY = SigningKey.parse("07" * 32)


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """A journal of 75 days, nothing archived yet, and all that can be asked of it."""
    path = tmp_path_factory.mktemp("archives") / "journal.db"
    with Journal(path, site="demo") as journal:
        record(journal)
        journal.anchor("demo", 1, KEY, lambda anchor: [])
        journal.checkpoint()
    return path, everything(path)


@pytest.fixture
def path(original: tuple[Path, dict[str, Any]], tmp_path: Path) -> Path:
    shutil.copy(original[0], tmp_path / "journal.db")
    return tmp_path / "journal.db"


def archive(path: Path, turn: Callable[[], bool] = lambda: True, **settings: Any) -> int:
    """Make all files that are due and let the rows go; returns how many files were made."""
    with Journal(path, site="demo") as journal:
        made = make_all(journal.store, "demo", STAY, 1, full=settings.pop("full", FULL), **settings)
        let_go(journal.store, 2, turn)
        return len(made)


def test_every_question_gets_the_same_answer_as_before(original: tuple[Path, dict[str, Any]], path: Path) -> None:
    assert archive(path, key=KEY) >= 10

    with Journal.open_reader(path) as journal:
        with journal.store.reading() as connection:
            left = {kind: head for kind, head in heads(connection).items() if head}
            assert set(left) == {Kind.MESSAGES, Kind.SAMPLES, Kind.SEALS}
            messages = select(func.count()).where(
                tables.inputs.c.kind == "message", tables.inputs.c.id <= left[Kind.MESSAGES]
            )
            assert connection.execute(messages).scalar_one() == 0
            commands = select(func.count()).where(tables.inputs.c.kind == "command")
            assert connection.execute(commands).scalar_one() == 150, "only what is many leaves"
        assert journal.verify(public_key=KEY.public) == []
        assert journal.verify(public_key=KEY.public, whole=False) == []
        assert journal.archive_files() >= 10
    answers = everything(path)
    for question, answer in original[1].items():
        assert answers[question] == answer, question


def test_the_record_goes_on_after_rows_have_left(
    original: tuple[Path, dict[str, Any]], path: Path, tmp_path: Path
) -> None:
    archive(path)
    undisturbed = tmp_path / "undisturbed.db"
    shutil.copy(original[0], undisturbed)
    for each in (path, undisturbed):
        with Journal(each, site="demo") as journal:
            record(journal, 40, first_day=75)
    assert archive(path) > 5
    assert everything(path) == everything(undisturbed)
    with Journal.open_reader(path) as journal:
        assert journal.verify() == []
        assert journal.verify(whole=False) == []


def test_nothing_is_due_twice_and_the_last_days_stay(path: Path) -> None:
    archive(path)
    assert archive(path) == 0
    with Journal.open_reader(path) as journal, journal.store.reading() as connection:
        end_us = journal.engine_us() or 0
        oldest = connection.execute(select(func.min(tables.samples.c.end_us))).scalar() or 0
    assert oldest <= end_us - STAY[Kind.SAMPLES]


def test_nothing_leaves_from_behind_the_oldest_snapshot(path: Path) -> None:
    with Journal(path, site="demo") as journal:
        journal.save_snapshot(SnapshotRow(100, 1, 100, 1, b"x"))
    archive(path)
    with Journal.open_reader(path) as journal, journal.store.reading() as connection:
        assert 0 < heads(connection)[Kind.MESSAGES] <= 100


def test_an_end_at_any_step_loses_and_doubles_nothing(original: tuple[Path, dict[str, Any]], path: Path) -> None:
    """Every file made and every transaction of leaving is once the last one before the end."""
    rows = original[1]["rows"]
    steps = 0
    while True:
        budget = [3]

        def step(_: object = None, budget: list[int] = budget) -> bool:
            budget[0] -= 1
            if budget[0] < 0:
                raise KeyboardInterrupt
            return True

        try:
            with Journal(path, site="demo") as journal:
                make_all(journal.store, "demo", STAY, 1, made=step, full=FULL)
                let_go(journal.store, 2, step, step)
            break
        except KeyboardInterrupt:
            steps += 1
        with Journal.open_reader(path) as journal:
            assert all_rows(journal) == rows
            assert journal.verify(whole=False) == []
    assert steps > 10
    with Journal.open_reader(path) as journal:
        assert not is_leaving(journal.store)
        assert journal.verify() == []
    assert everything(path) == original[1]


def test_what_a_killed_run_left_behind_is_removed(path: Path) -> None:
    folder = folder_of(path)
    folder.mkdir()
    (folder / ".samples-2026-01-000001.parquet.part").write_bytes(b"half")
    (folder / "messages-2026-01-000001.parquet").write_bytes(b"whole, but without a manifest")
    archive(path)
    with Journal.open_reader(path) as journal:
        assert journal.verify() == []


def test_a_second_run_beside_the_first_changes_nothing(path: Path) -> None:
    with Journal(path, site="demo") as journal:
        with one_run(journal.store):
            part = folder_of(path) / ".samples-2026-01-000001.parquet.part"
            part.write_bytes(b"of the first run")
            with pytest.raises(ArchiveError, match="another run is making archive files here"):
                make_all(journal.store, "demo", STAY, 1, full=FULL)
            with pytest.raises(ArchiveError, match="another run"):
                set_aside(journal.store)
            assert part.read_bytes() == b"of the first run"
        assert make_all(journal.store, "demo", STAY, 1, full=FULL)


@pytest.mark.parametrize("absent", ["samples", "both"])
def test_archives_go_on_after_months_in_which_nothing_of_a_kind_came(tmp_path: Path, absent: str) -> None:
    """The seals of such a time leave before the next row of that kind does."""
    path = tmp_path / "journal.db"
    with Journal(path, site="demo") as journal:
        record(journal, 31)
        for half in range(2 * 31, 2 * 111):
            end_us = START_US + (half + 1) * DAY_US // 2
            inputs = [InputRow(0, "command", end_us, end_us, "t/command", b"{}")]
            if absent == "samples":
                inputs.append(InputRow(0, "message", end_us, end_us, "t/0", b"status"))
            journal.commit(Batch(inputs, [(0, fact(f"half {half}", at_us=end_us))], engine_us=end_us))
    archive(path)
    with Journal(path, site="demo") as journal:
        record(journal, 60, first_day=111)
        made = make_all(journal.store, "demo", STAY, 1, full=FULL)
        assert {Kind.MESSAGES, Kind.SAMPLES, Kind.SEALS} <= {each.kind for each in made}
        let_go(journal.store, 2)
        assert (journal.verify(), journal.verify(whole=False)) == ([], [])


def test_a_folder_that_is_a_link_to_nowhere_is_named(path: Path) -> None:
    folder_of(path).symlink_to(path.parent / "not-mounted")
    with pytest.raises(ArchiveError, match=r"leads to .*not-mounted, which is not there. Mount its disk"):
        archive(path)


@pytest.mark.skipif(os.getuid() != 0, reason="only root can go on as another user")
def test_a_run_by_another_user_locks_nobody_out(path: Path) -> None:
    with tempfile.TemporaryDirectory() as name:
        # A folder that everybody may enter.
        folder = Path(name)
        folder.chmod(0o755)
        shutil.copy(path, folder / "journal.db")
        (folder / "journal.db").chmod(0o644)
        with Journal(folder / "journal.db", site="demo") as journal:
            with one_run(journal.store):
                pass
            folder_of(folder / "journal.db").chmod(0o755)
            os.seteuid(65534)
            try:
                with one_run(journal.store), pytest.raises(ArchiveError, match="another run"), one_run(journal.store):
                    pass
            finally:
                os.seteuid(0)


def test_rows_that_no_archive_holds_cannot_be_deleted(path: Path) -> None:
    archive(path)
    raw = sqlite3.connect(path)
    for table in ("inputs", "outputs", "samples", "dead_letters", "seals", "archives"):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            raw.execute(f"DELETE FROM {table}")
    raw.close()


def test_a_turn_that_says_no_leaves_the_rest_for_later(path: Path) -> None:
    turns = iter([True, True, True])
    archive(path, lambda: next(turns, False))
    with Journal.open_reader(path) as journal:
        assert is_leaving(journal.store)
        assert journal.verify() == []
        assert waiting(journal.store)


def test_a_file_changed_before_its_rows_left_is_refused(path: Path) -> None:
    with Journal(path, site="demo") as journal:
        made = make_all(journal.store, "demo", STAY, 1, full=FULL)
        file = folder_of(path) / made[0].name
        file.write_bytes(file.read_bytes() + b"x")
        with pytest.raises(ArchiveError, match="not as it was when it was made"):
            let_go(journal.store, 2)
        with journal.store.reading() as connection:
            assert not any(heads(connection).values())


def test_an_archive_that_is_missing_is_told_and_not_passed_over(path: Path) -> None:
    archive(path)
    next(folder_of(path).glob("samples-2026-01-*.parquet")).unlink()
    with Journal.open_reader(path) as journal:
        with pytest.raises(ArchiveError, match="missing"):
            journal.query_samples("l1", limit=10**6)
        assert "is missing" in journal.verify()[0]


def test_files_are_bounded_and_end_with_their_month(path: Path) -> None:
    archive(path, full=10**6)
    names = sorted(each.name for each in folder_of(path).glob("*.parquet"))
    assert [name.rsplit("-", 1)[0] for name in names] == ["messages-2026-01", "samples-2026-01", "seals-2026-01"]
    with Journal.open_reader(path) as journal:
        assert journal.verify() == []
        assert (journal.engine_us() or 0) > DAY_US
    groups = [len(group) for group in read_groups(folder_of(path) / names[0], Kind.MESSAGES)]
    assert sum(groups) == 31 * 2 * 3 - 3, "the batch that ends with the month belongs to the next"
