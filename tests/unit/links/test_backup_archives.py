"""Archives go into backups and come back; a file that an earlier backup holds is not copied again."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from motewatch.journal.archive_files import load, sha256_of
from motewatch.journal.archives import FIRST, Kind, folder_of, manifest_name, manifests
from motewatch.journal.archiving import make_all
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import let_go
from motewatch.links.backup import BackupError, how_made, make_backup, read_manifest, restore_backup, scheduled_name
from motewatch.service.only_one import only_service
from support.archive_journal import FULL, STAY, everything, record
from support.command_line import run, write_site
from support.facility import site_dict

NOW_US = 1_780_000_020_000_000
DAY_US = 86_400_000_000


def site_with_archives(folder: Path) -> tuple[Path, Path]:
    """The site file and its journal."""
    plain = site_dict()
    plain["service"] = {"journal": "data/journal.db"}
    (folder / "data").mkdir(parents=True)
    path = folder / "data" / "journal.db"
    name = plain["site"]["id"]
    with Journal(path, site=name) as journal:
        record(journal, 50)
        make_all(journal.store, name, STAY, 1, full=FULL)
        let_go(journal.store, 2)
    return write_site(folder, plain), path


def test_archives_are_in_a_backup_linked_to_and_come_back(tmp_path: Path) -> None:
    site, path = site_with_archives(tmp_path / "site")
    before = everything(path)
    backups = tmp_path / "backups"
    backups.mkdir()
    name = site_dict()["site"]["id"]
    made = [backups / scheduled_name(name, NOW_US + day * DAY_US) for day in range(2)]
    for day, target in enumerate(made):
        make_backup(site, target, NOW_US + day * DAY_US)
    files = sorted(each.name for each in folder_of(path).iterdir() if not each.name.startswith("."))
    assert files
    for file in files:
        first, second = (target / "journal.db.archive" / file for target in made)
        assert first.stat().st_ino == second.stat().st_ino, "the second one takes no room"
        assert first.stat().st_ino != (folder_of(path) / file).stat().st_ino, "and none is the archive itself"

    restored = tmp_path / "restored"
    restore_backup(made[1], restored)
    assert everything(restored / "data" / "journal.db") == before


def test_a_backup_whose_archive_was_changed_is_refused(tmp_path: Path) -> None:
    site, path = site_with_archives(tmp_path / "site")
    make_backup(site, tmp_path / "b", NOW_US)
    file = next((tmp_path / "b" / "journal.db.archive").glob("samples*.parquet"))
    file.write_bytes(file.read_bytes() + b"x")
    with pytest.raises(BackupError, match="was changed since the backup was made"):
        restore_backup(tmp_path / "b", tmp_path / "restored")
    next(folder_of(path).glob("messages*.parquet")).unlink()
    with pytest.raises(BackupError, match="is missing"):
        make_backup(site, tmp_path / "b2", NOW_US)


def forge_a_file(path: Path) -> str:
    """One message of an archive file with another topic, and its manifest and the register to fit; its name."""
    arrow, parquet = load()
    with Journal.open_reader(path) as journal, journal.store.reading() as connection:
        known = [each for kind in Kind for each in manifests(connection, kind)]
    previous, forged = FIRST, ""
    raw = sqlite3.connect(path)
    (trigger,) = raw.execute("SELECT sql FROM sqlite_master WHERE name = 'archives_unchanged'").fetchone()
    raw.execute("DROP TRIGGER archives_unchanged")
    for manifest in sorted(known, key=lambda each: each.number):
        file = folder_of(path) / manifest.name
        if not forged and manifest.kind is Kind.MESSAGES:
            forged = manifest.name
            table = parquet.read_table(file)
            rows = table.to_pylist()
            rows[0]["topic"] = "t/another"
            parquet.write_table(arrow.Table.from_pylist(rows, schema=table.schema), file)
        made = replace(manifest, previous=previous, sha256=sha256_of(file), size=file.stat().st_size)
        previous = made.hash
        file.with_name(manifest_name(file.name)).write_text(made.text())
        raw.execute(
            "UPDATE archives SET sha256 = ?, bytes = ?, manifest = ?, hash = ? WHERE id = ?",
            (made.sha256, made.size, made.text(), made.hash, made.number),
        )
    raw.execute(trigger)
    raw.commit()
    raw.close()
    return forged


def test_each_command_says_what_it_walked_and_the_whole_finds_what_hashes_cannot(tmp_path: Path) -> None:
    site, path = site_with_archives(tmp_path / "site")
    files = len(list(folder_of(path).glob("*.parquet")))
    small = f"All that the journal holds was walked, and {files} archive files checked by SHA-256. Not walked: the rows"
    whole = f"All of it was walked, the rows of {files} archive files too."
    restored = tmp_path / "restored" / "site.toml"
    for command, words, proof in (
        (("backup", site, tmp_path / "b"), small, site),
        (("backup", site, tmp_path / "bw", "--whole"), whole, None),
        (("restore", tmp_path / "b", tmp_path / "restored"), small, restored),
        (("restore", tmp_path / "b", tmp_path / "rw", "--whole"), whole, None),
        (("verify", site), whole, None),
        (("verify", site, "--by-hashes"), small, site),
    ):
        result = run(*command)
        assert result.exit_code == 0, result.output
        assert words in result.output
        assert (f"motewatch verify {proof}\n" in result.output) is (proof is not None)
    assert (read_manifest(tmp_path / "b").whole, read_manifest(tmp_path / "bw").whole) == (False, True)
    assert how_made(tmp_path / "b") == f"made and checked, {files} archive files by their hashes"
    assert how_made(tmp_path / "nothing") == "made and checked"
    assert how_made(tmp_path / "bw") == f"made and checked, {files} archive files by their rows"

    forge_a_file(path)
    assert run("backup", site, tmp_path / "b2").exit_code == 0
    assert run("verify", site, "--by-hashes").exit_code == 0
    for command in (("backup", site, tmp_path / "bw2", "--whole"), ("verify", site)):
        result = run(*command)
        assert (result.exit_code, "inputs: row 1 is not the one that was recorded" in result.output) == (1, True)
    refused = run("restore", tmp_path / "b2", tmp_path / "rw2", "--whole")
    assert (refused.exit_code, "is not the one that was recorded" in refused.output) == (1, True)
    assert not (tmp_path / "bw2").exists()
    assert not (tmp_path / "rw2").exists()


def test_a_row_changed_in_the_journal_makes_no_backup_by_hashes(tmp_path: Path) -> None:
    """Also one of a time whose seals are in a file."""
    site, path = site_with_archives(tmp_path / "site")
    with Journal(path) as journal, journal.store.writing() as connection:
        connection.exec_driver_sql("DROP TRIGGER inputs_unchanged")
        connection.exec_driver_sql("UPDATE inputs SET topic = 't/x' WHERE id = 4")
    with pytest.raises(BackupError, match="no backup was made: inputs: row 4 is not the one that was recorded"):
        make_backup(site, tmp_path / "b", NOW_US)


def test_the_command_says_that_nothing_leaves_where_nothing_was_said(tmp_path: Path) -> None:
    site, _ = site_with_archives(tmp_path / "site")
    assert "Nothing leaves the journal" in run("archive", str(site)).output


def test_the_command_says_when_a_running_service_lets_the_rows_go(tmp_path: Path) -> None:
    plain = site_dict() | {"service": {"journal": "journal.db"}, "retention": {"messages_days": 35}}
    path = tmp_path / "journal.db"
    with only_service(path), Journal(path, site=plain["site"]["id"]) as journal:
        record(journal)
        said = run("archive", write_site(tmp_path, plain)).output
    assert said.endswith(" MB\nThe running service lets their rows go with its next run.\n")


def test_the_command_archives_by_the_site_file_where_no_service_runs(tmp_path: Path) -> None:
    folder = tmp_path / "site"
    plain = site_dict()
    plain["service"] = {"journal": "journal.db"}
    plain["retention"] = {"messages_days": 35}
    folder.mkdir()
    path = folder / "journal.db"
    with Journal(path, site=plain["site"]["id"]) as journal:
        record(journal)
    before = everything(path)
    site = write_site(folder, plain)
    said = run("archive", str(site)).output
    assert "messages-2026-01-000001.parquet: 183 messages" in said
    assert "183 rows left the journal.\nThe service puts the files on the audit trail when it starts." in said
    assert "No archive file is due" in run("archive", str(site)).output
    assert everything(path) == before
    assert run("verify", str(site)).exit_code == 0
