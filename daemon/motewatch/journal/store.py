"""The one place that knows SQLite: how connections are made, how transactions begin, what its errors mean.

Rules: one connection writes, under one lock, in transactions that begin IMMEDIATE, in WAL with synchronous FULL, so
that what was committed outlives a power cut. The lock is ours, because SQLite's own waiting sleeps in steps and would
add latency. Readers have short connections of their own and never wait for the writer; every read fetches all it asks
for before it ends, because an open cursor pins the write-ahead log. Everything above speaks SQLAlchemy Core and must
not name a dialect; another database gets another module like this one.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import QueuePool

from motewatch.journal.errors import (
    DiskFullError,
    JournalBusyError,
    JournalCorruptError,
    JournalDefectError,
    JournalError,
    JournalIoError,
    JournalOpenError,
    NotAJournalError,
)

BUSY_S: Final = 5.0
"""How long to wait for another PROCESS that holds the write lock (a backup tool); our own threads never get there."""

CHECKPOINT_PAGES: Final = 4000
"""Pages in the write-ahead log (16 MiB) before a commit moves them into the file. Four times SQLite's default: the
same index pages are touched again and again, and a longer log moves each of them once."""

_MARK: Final = "journal_migrations"
"""A database that holds this table is ours."""


class Store:
    """The database file: `reading()` and `writing()` give a Core connection inside a transaction."""

    def __init__(self, path: Path, *, read_only: bool = False) -> None:
        """Open `path`; a missing file is created unless `read_only`.

        Raises `NotAJournalError` where something else lies there (it is left untouched), `JournalOpenError` where
        the file cannot be used.
        """
        self.path = str(path)
        self.read_only = read_only
        self._lock = threading.Lock()
        self._closed = False
        self._raw: sqlite3.Connection | None = None
        self._writer: Connection | None = None
        self._readers = _engine(self._connect_reader, "BEGIN", size=4)
        self._writers = _engine(self._connect_writer, "BEGIN IMMEDIATE", size=1)
        try:
            self._examine(path)
            if not read_only:
                with self._translated():
                    self._writer = self._writers.connect()
        except JournalError:
            self.close()
            raise

    def close(self) -> None:
        """Wait for a running write and let go of the file. Calling it again does nothing."""
        with self._lock:
            self._closed = True
            if self._writer is not None:
                self._writer.close()
                self._writer = None
            self._raw = None
            # Readers first: the last connection to close empties the write-ahead log, and readers may not.
            self._readers.dispose()
            self._writers.dispose()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the journal throughout. Fetch everything before leaving."""
        if self._closed:
            raise JournalDefectError(self.path, "the journal was used after it was closed")
        with self._translated(), self._readers.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def scratch(self) -> Iterator[Connection]:
        """Like `reading`, on a connection of its own, which may keep tables of its own for as long as it lasts."""
        if self._closed:
            raise JournalDefectError(self.path, "the journal was used after it was closed")
        with self._translated(), self._readers.connect() as connection:
            # Taken out of the pool: it is closed at the end, and its tables with it.
            connection.detach()
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """The write transaction: committed when the block ends, rolled back whole when anything is raised in it.

        Not nestable: the lock would wait for itself.
        """
        with self._lock:
            if self._closed:
                raise JournalDefectError(self.path, "the journal was used after it was closed")
            if self._writer is None:
                raise JournalDefectError(self.path, "this journal was opened for reading only")
            try:
                with self._translated(), self._writer.begin():
                    yield self._writer
            finally:
                self._leave_no_transaction()

    def checkpoint(self) -> bool:
        """Move the write-ahead log into the file and give its space back; False while a reader still needs it."""
        with self._lock, self._translated():
            if self._raw is None:
                raise JournalDefectError(self.path, "this journal was opened for reading only, or is closed")
            # Without this SQLite would wait for the reader, and the service's writer for SQLite.
            self._raw.execute("PRAGMA busy_timeout = 0")
            try:
                busy, _, _ = self._raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            finally:
                self._raw.execute(f"PRAGMA busy_timeout = {BUSY_S * 1000:.0f}")
            return not busy

    def copy_to(self, target: Path) -> None:
        """Make a copy of the journal as it is now in the new file `target`, which is flushed to the disk.

        One read transaction: whoever writes goes on, and what it commits meanwhile is not in the copy. The copy is one
        file, without a write-ahead log, until a service opens it. Raises `JournalOpenError` where `target` is there or
        cannot be made, and the errors of a full or failing disk.
        """
        try:
            os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        except OSError as error:
            raise JournalOpenError(str(target), f"cannot be made: {error.strerror}.") from None
        with self._translated(), closing(self._connect_reader()) as source, closing(sqlite3.connect(target)) as copy:
            # All pages in one step: in several, each commit of the service in between would begin the copy anew.
            source.backup(copy, pages=-1)
            copy.execute("PRAGMA journal_mode = DELETE")
        with target.open("rb") as file:
            os.fsync(file.fileno())

    def limit_pages(self, pages: int) -> int:
        """Let the file grow to `pages` pages of 4 KiB and no further; returns the limit in force.

        For sites that keep room for other things on the same disk; a write beyond it raises `DiskFullError`. SQLite
        never sets the limit below the present size.
        """
        with self._lock, self._translated():
            if self._raw is None:
                raise JournalDefectError(self.path, "this journal was opened for reading only, or is closed")
            (limit,) = self._raw.execute(f"PRAGMA max_page_count = {pages:d}").fetchone()
            return int(limit)

    def integrity(self) -> list[str]:
        """SQLite's own check of the file and its indexes, in sentences; empty when all is well. Reads every page."""
        with self.reading() as connection:
            rows = connection.exec_driver_sql("PRAGMA integrity_check(20)").scalars().all()
        return [str(row) for row in rows if row != "ok"]

    def _examine(self, path: Path) -> None:
        if not path.exists():
            if self.read_only:
                raise NotAJournalError(
                    self.path,
                    "no journal here. Check the path; the service makes the journal when it first runs.",
                )
            if not path.parent.is_dir():
                raise JournalOpenError(self.path, f"the directory {path.parent} does not exist. Make it first.")
            return
        if path.is_dir():
            raise NotAJournalError(self.path, "this is a directory. Give the path of the journal file in it.")
        if path.stat().st_size == 0 and not self.read_only:
            return
        try:
            with self.reading() as connection:
                names = (
                    connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'").scalars().all()
                )
        except JournalCorruptError as error:
            raise NotAJournalError(
                self.path, "this is no motewatch journal (no database, or its head is damaged). Check the path."
            ) from error
        if _MARK not in names and (names or self.read_only):
            raise NotAJournalError(
                self.path, "this is no motewatch journal but another database. Check the path; nothing was changed."
            )

    def _connect_reader(self) -> sqlite3.Connection:
        uri = f"file:{quote(self.path)}?mode=ro"
        return sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False, timeout=BUSY_S)

    def _connect_writer(self) -> sqlite3.Connection:
        # isolation_level None: the driver begins nothing by itself, BEGIN is ours (see _engine).
        raw = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False, timeout=BUSY_S)
        try:
            (mode,) = raw.execute("PRAGMA journal_mode = WAL").fetchone()
            if mode != "wal":
                raise JournalOpenError(
                    self.path,
                    f"its file system does not let SQLite keep a write-ahead log (mode stays '{mode}'). Put the "
                    "journal on a local disk.",
                )
            raw.execute("PRAGMA synchronous = FULL")
            raw.execute("PRAGMA foreign_keys = ON")
            raw.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
        except BaseException:
            raw.close()
            raise
        self._raw = raw
        return raw

    def _leave_no_transaction(self) -> None:
        # A full disk ends the transaction inside SQLite, other failures of COMMIT leave it open: settle both alike.
        if self._raw is not None and self._raw.in_transaction:
            with suppress(sqlite3.Error):
                self._raw.rollback()

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as error:
            raise _meaning(self.path, error.orig) from error
        except sqlite3.Error as error:
            raise _meaning(self.path, error) from error
        except OverflowError as error:
            raise JournalDefectError(self.path, f"a number does not fit into 64 bits: {error}") from error


def _engine(connect: Any, begin: str, *, size: int) -> Engine:
    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool, pool_size=size, max_overflow=16)

    # SQLAlchemy's documented way to have real transactions with the standard library's driver.
    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine


def _meaning(path: str, error: BaseException | None) -> JournalError:
    """What SQLite's error means for us."""
    name = str(getattr(error, "sqlite_errorname", ""))
    if name == "SQLITE_FULL":
        return DiskFullError(path)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return JournalBusyError(path)
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return JournalCorruptError(path, str(error))
    if name.startswith("SQLITE_CANTOPEN"):
        return JournalOpenError(path, f"cannot be opened ({error}). Check that its directory may be read and written.")
    if name.startswith("SQLITE_READONLY"):
        return JournalIoError(path, "may not be written. Check the owner and the mode of the file and its directory.")
    if name.startswith("SQLITE_IOERR"):
        return JournalIoError(path, f"the disk or the file system failed ({name}: {error}). Check the disk.")
    return JournalDefectError(path, f"{name or type(error).__name__}: {error}")
