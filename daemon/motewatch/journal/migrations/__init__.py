"""From any older journal to the newest: an ordered list of steps, each applied and recorded in one transaction.

Rules: a published step never changes (its digest is on record, and `verify` compares); a new need is a new file. The
steps are SQL for SQLite, read as package data; what the tables mean is `tables`. A journal newer than the last step
is refused by name, because a program that misreads the record is worse than one that stops.
"""

from __future__ import annotations

import hashlib
import re
import sqlite3
from dataclasses import dataclass
from importlib import resources
from typing import Final

from sqlalchemy import Connection, insert, inspect, select

from motewatch.journal import tables
from motewatch.journal.errors import JournalNewerError, JournalOlderError
from motewatch.journal.store import Store

_FIRST: Final = """
CREATE TABLE journal_migrations (
    version INTEGER NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    digest TEXT NOT NULL
) STRICT
"""


@dataclass(frozen=True, slots=True)
class Migration:
    """One step: the SQL that leads from `version - 1` to `version`."""

    version: int
    name: str
    sql: str

    @property
    def digest(self) -> str:
        """SHA-256 of the SQL: shows that a journal was made by the step we know."""
        return hashlib.sha256(self.sql.encode()).hexdigest()

    def statements(self) -> list[str]:
        """The SQL's statements, one by one (a trigger is one statement, though it holds semicolons)."""
        found: list[str] = []
        pending = ""
        for line in self.sql.splitlines(keepends=True):
            pending += line
            if line.rstrip().endswith(";") and sqlite3.complete_statement(pending):
                found.append(pending.strip())
                pending = ""
        if re.sub(r"--.*", "", pending).strip():
            raise ValueError(f"migration {self.version} ({self.name}) ends in the middle of a statement")
        return found


def known() -> list[Migration]:
    """All steps this program knows, in order."""
    steps: list[Migration] = []
    for item in resources.files(__package__).iterdir():
        if match := re.fullmatch(r"(\d{4})_(\w+)\.sql", item.name):
            steps.append(Migration(int(match[1]), match[2], item.read_text(encoding="utf-8")))
    steps.sort(key=lambda step: step.version)
    if [step.version for step in steps] != list(range(1, len(steps) + 1)):
        raise ValueError(f"migrations must be numbered 1, 2, 3, ...; found {[step.version for step in steps]}")
    return steps


def migrate(store: Store, steps: list[Migration] | None = None) -> list[str]:
    """Apply what is missing; returns the names applied. Raises `JournalNewerError` before anything is touched."""
    steps = known() if steps is None else steps
    with store.reading() as connection:
        found = version_of(connection)
    if found > len(steps):
        raise JournalNewerError(store.path, found, len(steps))
    applied: list[str] = []
    for step in steps[found:]:
        with store.writing() as connection:
            if step.version == 1:
                connection.exec_driver_sql(_FIRST)
            for statement in step.statements():
                connection.exec_driver_sql(statement)
            row = {"version": step.version, "name": step.name, "digest": step.digest}
            connection.execute(insert(tables.journal_migrations), row)
        applied.append(step.name)
    return applied


def require_current(store: Store) -> None:
    """For readers, who change nothing: raises `JournalNewerError` or `JournalOlderError`."""
    newest = len(known())
    with store.reading() as connection:
        found = version_of(connection)
    if found > newest:
        raise JournalNewerError(store.path, found, newest)
    if found < newest:
        raise JournalOlderError(store.path, found, newest)


def version_of(connection: Connection) -> int:
    """The schema version on record; 0 for an empty file."""
    if not inspect(connection).has_table(tables.journal_migrations.name):
        return 0
    table = tables.journal_migrations
    return connection.execute(select(table.c.version).order_by(table.c.version.desc()).limit(1)).scalar() or 0


def foreign_steps(connection: Connection) -> list[str]:
    """Steps on record whose SQL was not ours, in sentences."""
    digests = {step.version: step.digest for step in known()}
    table = tables.journal_migrations
    rows = connection.execute(select(table.c.version, table.c.name, table.c.digest)).all()
    return [
        f"migrations: step {version} ({name}) on record is not the one this motewatch knows"
        for version, name, digest in rows
        if digests.get(version) != digest
    ]
