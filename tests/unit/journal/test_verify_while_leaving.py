"""Rows leave while the record is proved: whatever the instant, nothing is missed and nobody is accused."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Connection

from motewatch.journal.archiving import make_all
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import let_go
from motewatch.journal.store import Store
from motewatch.journal.verify import verify
from support.archive_journal import FULL, STAY, record


def archive(path: Path) -> None:
    with Journal(path, site="demo") as journal:
        make_all(journal.store, "demo", STAY, 1, full=FULL)
        let_go(journal.store, 2)


class Beside(Store):
    """A store beside which all that is due leaves, before the reading of that number."""

    def __init__(self, path: Path, leaves_before: int) -> None:
        self.leaves_before = leaves_before
        self.readings = 0
        super().__init__(path, read_only=True)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        self.readings += 1
        if self.readings == self.leaves_before:
            archive(Path(self.path))
        with super().reading() as connection:
            yield connection


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Much has left, and much is due."""
    path = tmp_path_factory.mktemp("beside") / "journal.db"
    with Journal(path, site="demo") as journal:
        record(journal, 75)
    archive(path)
    with Journal(path, site="demo") as journal:
        record(journal, 45, first_day=75)
        journal.checkpoint()
    return path


@pytest.mark.parametrize("whole", [False, True])
def test_rows_that_leave_in_the_middle_are_not_missing(original: Path, tmp_path: Path, whole: bool) -> None:
    store = Beside(original, 0)
    assert verify(store, whole=whole) == []
    store.close()
    every = store.readings
    # The first ones one by one: they read the register and look at the folder.
    for number in sorted({*range(2, 9), *range(9, every + 1, max(1, every // 10))}):
        path = tmp_path / f"{number}.db"
        shutil.copy(original, path)
        shutil.copytree(original.with_name("journal.db.archive"), path.with_name(path.name + ".archive"))
        store = Beside(path, number)
        try:
            assert verify(store, whole=whole) == [], number
        finally:
            store.close()
