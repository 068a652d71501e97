"""Kept reports go into backups and come back; each file that a site file may name is copied, or said to be missed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from motewatch.journal.journal import Journal
from motewatch.journal.reports import Made
from motewatch.links import backup
from motewatch.links.backup import make_backup, read_manifest, restore_backup, scheduled_name
from motewatch.links.report_shelf import Shelf, check
from motewatch.picture.report_scope import Scope
from motewatch.site.models import Site
from support.command_line import run, write_site
from support.report_record import DAY, MINUTE, T0, make_record, report_site

NOW_US = T0 + 1500 * MINUTE
DAY_US = 86_400_000_000


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site file; its journal has a day of record and is in a folder of its own."""
    folder = tmp_path / "site"
    (folder / "data").mkdir(parents=True)
    make_record(folder / "data" / "journal.db")
    return write_site(folder, report_site(service={"journal": "data/journal.db"}))


def kept(site: Path) -> Made:
    """A report made and kept."""
    with Journal(site.parent / "data" / "journal.db") as journal:
        return Shelf(journal.store).make(Scope(DAY), "quality-1", NOW_US)[0]


def test_a_kept_report_is_in_the_backup_and_proves_itself_after_a_restore(site: Path, tmp_path: Path) -> None:
    made = kept(site)
    result = run("backup", site, tmp_path / "b")
    assert result.exit_code == 0, result.output
    assert "1 kept reports" in result.output
    restored = tmp_path / "r"
    _, file = restore_backup(tmp_path / "b", restored)
    with Journal.open_reader(restored / "data" / "journal.db") as journal:
        shelf = Shelf(journal.store)
        found = check(journal.store, shelf.data(shelf.find(made.id)), made.hash)
    assert (found.problems, found.since) == ((), ())
    assert run("check-report", file, made.id).exit_code == 0


def test_a_report_that_an_earlier_backup_holds_takes_no_more_room(site: Path, tmp_path: Path) -> None:
    made = kept(site)
    folders = [tmp_path / scheduled_name("testing", NOW_US + day * DAY_US) for day in range(2)]
    for day, folder in enumerate(folders):
        make_backup(site, folder, NOW_US + day * DAY_US)
    first, second = (folder / "journal.db.reports" / made.file for folder in folders)
    assert first.stat().st_ino == second.stat().st_ino
    assert first.stat().st_ino != (site.parent / "data" / "reports" / made.file).stat().st_ino


def test_a_report_that_is_gone_ends_no_backup_and_is_said(site: Path, tmp_path: Path) -> None:
    made = kept(site)
    (site.parent / "data" / "reports" / made.file).unlink()
    result = run("backup", site, tmp_path / "b")
    assert (result.exit_code, f"are gone: reports/{made.file}" in result.output) == (0, True), result.output
    assert read_manifest(tmp_path / "b").missing == [f"reports/{made.file}"]
    restore_backup(tmp_path / "b", tmp_path / "r")
    with Journal(tmp_path / "r" / "data" / "journal.db") as journal:
        shelf = Shelf(journal.store)
        assert shelf.make(Scope(DAY), "quality-1", NOW_US) == (made, False)
        assert shelf.data(made)["record"]["seal"] == made.seal


@pytest.mark.parametrize("damage", ['{"damaged', "{}", "[]"])
def test_a_changed_report_is_not_backed_up_as_if_it_were_good(site: Path, tmp_path: Path, damage: str) -> None:
    made = kept(site)
    file = site.parent / "data" / "reports" / made.file
    good = file.read_bytes()
    file.write_text(damage)
    assert make_backup(site, tmp_path / "b", NOW_US).missing == [f"reports/{made.file}"]
    # Where an earlier backup has it, that one stands in.
    file.write_bytes(good)
    first = tmp_path / scheduled_name("testing", NOW_US)
    make_backup(site, first, NOW_US)
    file.write_text(damage)
    second = tmp_path / scheduled_name("testing", NOW_US + DAY_US)
    assert make_backup(site, second, NOW_US + DAY_US).missing == []
    assert (second / "journal.db.reports" / made.file).read_bytes() == good


def test_the_restore_names_all_that_has_to_be_moved(site: Path, tmp_path: Path) -> None:
    kept(site)
    text = site.read_text()
    assert 'journal = "data/journal.db"' in text
    site.write_text(text.replace('"data/journal.db"', f'"{site.parent}/data/journal.db"'))
    make_backup(site, tmp_path / "b", NOW_US)
    result = run("restore", tmp_path / "b", tmp_path / "r")
    assert f"move journal.db and reports from {tmp_path / 'r'} to {site.parent}/data" in result.output, result.output
    assert (tmp_path / "r" / "journal.db").is_file()
    assert (tmp_path / "r" / "reports").is_dir()


def test_a_name_in_the_register_leads_nowhere_else(site: Path, tmp_path: Path) -> None:
    made = kept(site)
    (site.parent / "data" / "secret.json").write_text("{}")
    with Journal(site.parent / "data" / "journal.db") as journal, journal.store.writing() as connection:
        connection.exec_driver_sql("DROP TRIGGER IF EXISTS reports_unchanged")
        connection.exec_driver_sql("UPDATE reports SET file = '../secret.json'")
    make_backup(site, tmp_path / "b", NOW_US)
    assert "reports/../secret.json" in read_manifest(tmp_path / "b").missing
    assert not list((tmp_path / "b").rglob("secret.json"))
    assert not (tmp_path / "b" / "journal.db.reports" / made.file).exists()


def test_a_changed_report_in_a_backup_is_refused(site: Path, tmp_path: Path) -> None:
    made = kept(site)
    make_backup(site, tmp_path / "b", NOW_US)
    path = tmp_path / "b" / "journal.db.reports" / made.file
    path.write_text(json.dumps(json.loads(path.read_text()) | {"x": 1}))
    with pytest.raises(backup.BackupError, match="was changed since the backup was made"):
        restore_backup(tmp_path / "b", tmp_path / "r")


def test_each_file_that_a_site_file_may_name_is_copied_or_said_to_be_missed() -> None:
    def keys(plain: Any) -> Iterator[str]:
        if isinstance(plain, dict):
            for name, value in plain.items():
                if name == "properties":
                    yield from value
                yield from keys(value)
        elif isinstance(plain, list):
            for value in plain:
                yield from keys(value)

    files = {name for name in keys(Site.model_json_schema()) if name.endswith(("_file", "_files"))}
    assert {"calendar_file", "client_secret_file"} <= files
    assert files == {*backup._COPIED, *backup._SECRET}
