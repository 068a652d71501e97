"""Archives go into backups and come back; a file that an earlier backup holds is not copied again."""

from __future__ import annotations

from pathlib import Path

import pytest

from motewatch.journal.archives import folder_of
from motewatch.journal.archiving import make_all
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import let_go
from motewatch.links.backup import BackupError, make_backup, restore_backup, scheduled_name
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
    files = sorted(each.name for each in folder_of(path).iterdir())
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


def test_the_command_says_that_nothing_leaves_where_nothing_was_said(tmp_path: Path) -> None:
    site, _ = site_with_archives(tmp_path / "site")
    assert "Nothing leaves the journal" in run("archive", str(site)).output


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
