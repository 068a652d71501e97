"""Opening: new, existing, read-only, of another program, of another site, of another version."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import Inspector, create_engine, inspect

from motewatch.journal import migrations, tables
from motewatch.journal.errors import (
    JournalDefectError,
    JournalNewerError,
    JournalOlderError,
    JournalOpenError,
    NotAJournalError,
    OtherSiteError,
)
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch, SnapshotRow
from motewatch.journal.store import Store
from support.journal_records import one_of_each, reading_row


def test_the_database_is_opened_for_safety(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.db") as journal, journal.store.writing() as connection:
        settings = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys")
        }
    assert settings == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}


def test_a_path_with_odd_characters_works(tmp_path: Path) -> None:
    path = tmp_path / "a b?c#d%20é.db"
    with Journal(path) as journal:
        journal.commit(Batch([reading_row(1)], engine_us=1))
    with Journal.open_reader(path) as journal:
        assert journal.last_input_id() == 1
    assert path.exists()


def test_closing_twice_is_no_harm_and_use_afterwards_is_a_defect(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "journal.db")
    journal.close()
    journal.close()
    with pytest.raises(JournalDefectError, match="after it was closed"):
        journal.last_input_id()
    with pytest.raises(JournalDefectError, match="after it was closed"):
        journal.commit(Batch(engine_us=1))


def test_closing_leaves_one_file(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.db") as journal:
        journal.commit(one_of_each())
        assert journal.last_input_id() == 2
    assert [item.name for item in tmp_path.iterdir()] == ["journal.db"]


def test_a_reader_reads_beside_the_writer_and_never_writes(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with Journal(path) as writer, Journal.open_reader(path) as reader:
        writer.commit(one_of_each())
        assert reader.last_input_id() == 2
        assert reader.verify() == []
        for write in (
            lambda: reader.commit(Batch(engine_us=1)),
            lambda: reader.save_snapshot(SnapshotRow(1, 1, 1, 1, b"")),
            lambda: reader.delivered([1], 1),
            reader.checkpoint,
        ):
            with pytest.raises(JournalDefectError, match="reading only"):
                write()


def test_a_reader_of_nothing_says_so_and_makes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "missing.db"
    with pytest.raises(NotAJournalError, match=r"missing\.db: no journal here"):
        Journal.open_reader(path)
    assert not path.exists()


@pytest.mark.parametrize("opening", [Journal, Journal.open_reader])
def test_a_file_of_another_kind_is_refused_and_left_alone(tmp_path: Path, opening: type[Journal]) -> None:
    path = tmp_path / "site.toml"
    path.write_text("# a site file, longer than the head of a database\n" * 10)
    before = path.read_bytes()
    with pytest.raises(NotAJournalError, match="no motewatch journal"):
        opening(path)
    assert path.read_bytes() == before
    assert [item.name for item in tmp_path.iterdir()] == ["site.toml"]


@pytest.mark.parametrize("opening", [Journal, Journal.open_reader])
def test_another_program_s_database_is_refused_and_left_alone(tmp_path: Path, opening: type[Journal]) -> None:
    path = tmp_path / "other.db"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE t (x)")
    before = path.read_bytes()
    with pytest.raises(NotAJournalError, match="another database"):
        opening(path)
    assert path.read_bytes() == before


def test_a_directory_and_a_missing_directory_are_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(NotAJournalError, match="is a directory"):
        Journal(tmp_path)
    with pytest.raises(JournalOpenError, match=r"does not exist\. Make it first"):
        Journal(tmp_path / "no" / "journal.db")


def test_an_empty_file_becomes_a_journal_but_is_none_for_a_reader(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    path.touch()
    with pytest.raises(NotAJournalError):
        Journal.open_reader(path)
    with Journal(path) as journal:
        assert journal.verify() == []


def test_a_journal_belongs_to_its_site(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with Journal(path) as journal:
        assert journal.site() is None
    with Journal(path, site="plant-1") as journal:
        assert journal.site() == "plant-1"
    with Journal(path, site="plant-1"), pytest.raises(OtherSiteError, match="'plant-1', not of 'plant-2'"):
        Journal(path, site="plant-2")


def test_a_second_writer_is_found_out(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with Journal(path) as first, Journal(path) as second:
        first.commit(Batch([reading_row(1)], engine_us=1))
        with pytest.raises(JournalDefectError, match="another process has written this journal"):
            second.commit(Batch([reading_row(2)], engine_us=1))
        assert first.commit(Batch([reading_row(3)], engine_us=2)) == [2]


def test_migrations_run_once_and_are_recorded(tmp_path: Path) -> None:
    store = Store(tmp_path / "journal.db")
    try:
        assert migrations.migrate(store) == [step.name for step in migrations.known()]
        assert migrations.migrate(store) == []
        with store.reading() as connection:
            assert migrations.version_of(connection) == len(migrations.known())
            assert migrations.foreign_steps(connection) == []
    finally:
        store.close()


def test_a_failing_migration_leaves_the_version_before_it(tmp_path: Path) -> None:
    bad = migrations.Migration(2, "bad", "CREATE TABLE extra (x INTEGER);\nCREATE TABLE meta (again INTEGER);\n")
    store = Store(tmp_path / "journal.db")
    try:
        with pytest.raises(JournalDefectError, match="meta already exists"):
            migrations.migrate(store, [*migrations.known()[:1], bad])
        with store.reading() as connection:
            assert migrations.version_of(connection) == 1
            assert not inspect(connection).has_table("extra")
    finally:
        store.close()


def test_a_newer_journal_is_refused_by_name_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    Journal(path).close()
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("INSERT INTO journal_migrations VALUES (99, 'of tomorrow', 'x')")
        raw.commit()
    for opening in (Journal, Journal.open_reader):
        with pytest.raises(JournalNewerError, match=r"has schema version 99.*Install the motewatch") as caught:
            opening(path)
        assert (caught.value.found, caught.value.known) == (99, len(migrations.known()))


def test_a_reader_does_not_bring_an_older_journal_up_to_date(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    Journal(path).close()
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("DELETE FROM journal_migrations")
        raw.commit()
    with pytest.raises(JournalOlderError, match=r"version 0.*Start the service once"):
        Journal.open_reader(path)


def test_the_migrations_lead_to_the_tables_that_the_code_knows(tmp_path: Path) -> None:
    """The SQL and `tables` say the same: columns, types, keys and indexes."""
    Journal(tmp_path / "journal.db").close()
    made = create_engine(f"sqlite:///{tmp_path / 'journal.db'}")
    meant = create_engine(f"sqlite:///{tmp_path / 'meant.db'}")
    try:
        tables.metadata.create_all(meant)
        assert _shape(inspect(made)) == _shape(inspect(meant))
        assert set(inspect(made).get_table_names()) == set(tables.metadata.tables)
    finally:
        made.dispose()
        meant.dispose()


def _shape(inspector: Inspector) -> dict[str, object]:
    shape: dict[str, object] = {}
    for name in tables.metadata.tables:
        columns = [(one["name"], str(one["type"]), one["nullable"]) for one in inspector.get_columns(name)]
        indexes = {
            one["name"]: (one["column_names"], bool(one["unique"]), str(one["dialect_options"].get("sqlite_where")))
            for one in inspector.get_indexes(name)
        }
        keys = [(one["constrained_columns"], one["referred_table"]) for one in inspector.get_foreign_keys(name)]
        unique = [one["column_names"] for one in inspector.get_unique_constraints(name)]
        shape[name] = (columns, inspector.get_pk_constraint(name)["constrained_columns"], indexes, keys, unique)
    return shape


def test_statements_are_split_with_triggers_whole() -> None:
    sql = "-- a; comment;\nCREATE TABLE a (x);\nCREATE TRIGGER t BEFORE DELETE ON a\nBEGIN\n  SELECT 1;\nEND;\n-- end\n"
    first, second = migrations.Migration(1, "x", sql).statements()
    assert first.endswith("CREATE TABLE a (x);")
    assert second.endswith("END;")
    with pytest.raises(ValueError, match="middle of a statement"):
        migrations.Migration(1, "x", "CREATE TABLE a (x)").statements()
