"""Backup and restore on a small real journal: what is in one, what is refused, and what never appears half made."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.links.backup import (
    BackupError,
    make_backup,
    read_manifest,
    remove_oldest,
    remove_unfinished,
    restore_backup,
    scheduled,
    scheduled_name,
)
from motewatch.links.backup_age import newest_backup
from support.command_line import run, write_site
from support.facility import site_dict
from support.journal_records import fact, reading_row, taken

NOW_US = 1_780_000_020_000_000
DAY_US = 86_400_000_000


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = tmp_path / "site"
    folder.mkdir()
    plain = site_dict()
    plain["service"] = {"journal": "data/journal.db", "broker": {"username": "mw", "password_file": "broker.password"}}
    (folder / "data").mkdir()
    (folder / "broker.password").write_text("do-not-copy-me")
    with Journal(folder / "data" / "journal.db", site=plain["site"]["id"]) as journal:
        journal.commit(Batch([reading_row(1, at_us=10)], [(0, taken(60)), (BY_TIME, fact())], engine_us=10))
    return write_site(folder, plain)


def names(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def test_a_backup_holds_journal_site_file_and_manifest_but_no_secret(site: Path, tmp_path: Path) -> None:
    made = make_backup(site, tmp_path / "b", NOW_US)
    assert names(tmp_path / "b") == ["journal.db", "manifest.json", "site.toml"]
    assert read_manifest(tmp_path / "b") == made
    assert (made.inputs, made.outputs, made.seals, made.missing) == (1, 2, 1, ["broker.password"])
    assert made.last_input_at == "1970-01-01T00:00:00.000010+00:00"
    assert made.at_us == NOW_US
    assert (made.whole, made.archives) == (True, 0), "without archives both extents are one"
    assert not any(b"do-not-copy-me" in path.read_bytes() for path in (tmp_path / "b").iterdir())


def test_it_is_made_beside_a_writer_and_holds_what_was_committed_before(site: Path, tmp_path: Path) -> None:
    with Journal(site.parent / "data" / "journal.db") as journal:
        journal.commit(Batch([reading_row(2, at_us=20)], engine_us=20))
        assert make_backup(site, tmp_path / "b", NOW_US).inputs == 2
        journal.commit(Batch([reading_row(3, at_us=30)], engine_us=30))
    with Journal.open_reader(tmp_path / "b" / "journal.db") as copy:
        assert copy.last_input_id() == 2


def test_files_that_the_site_file_names_come_along(site: Path, tmp_path: Path) -> None:
    (site.parent / "tls").mkdir()
    (site.parent / "tls" / "ca.crt").write_text("certificate")
    text = site.read_text().replace("[service.broker]", '[service.broker]\ntls = true\nca_file = "tls/ca.crt"')
    assert "ca_file" in text
    site.write_text(text)
    make_backup(site, tmp_path / "b", NOW_US)
    restore_backup(tmp_path / "b", tmp_path / "r")
    assert (tmp_path / "r" / "tls" / "ca.crt").read_text() == "certificate"


def test_a_restore_gives_a_folder_that_is_in_order(site: Path, tmp_path: Path) -> None:
    make_backup(site, tmp_path / "b", NOW_US)
    manifest, restored = restore_backup(tmp_path / "b", tmp_path / "r")
    assert names(tmp_path / "r") == ["data/journal.db", "restored-from.json", "site.toml"]
    assert restored == tmp_path / "r" / "site.toml"
    result = run("verify", restored)
    assert (result.exit_code, "1 inputs and 2 outputs" in result.output) == (0, True)
    with Journal(tmp_path / "r" / "data" / "journal.db", site=manifest.site) as journal:
        assert journal.commit(Batch([reading_row(2, at_us=20)], engine_us=20)) == [2]


def test_nothing_is_ever_overwritten(site: Path, tmp_path: Path) -> None:
    make_backup(site, tmp_path / "b", NOW_US)
    for target in (tmp_path / "b", site.parent, site):
        with pytest.raises(BackupError, match=r"nothing is ever overwritten|no folder"):
            make_backup(site, target, NOW_US)
        with pytest.raises(BackupError, match=r"nothing is ever overwritten|no folder"):
            restore_backup(tmp_path / "b", target)
    (tmp_path / "empty").mkdir()
    restore_backup(tmp_path / "b", tmp_path / "empty")
    with pytest.raises(BackupError, match="Make it first"):
        make_backup(site, tmp_path / "no" / "b", NOW_US)


def test_where_nothing_can_be_written_folder_reason_and_remedy_are_named(site: Path) -> None:
    unwritable = Path("/proc")  # where nobody may make a folder, not even root
    reason = r"^/proc: nothing can be written in this folder: .+\. Make the disk writable, give .* or name another"
    with pytest.raises(BackupError, match=reason):
        make_backup(site, unwritable / "b", NOW_US)


@pytest.mark.parametrize("victim", ["journal.db", "site.toml"])
def test_a_backup_that_was_changed_or_is_not_whole_is_refused(site: Path, tmp_path: Path, victim: str) -> None:
    make_backup(site, tmp_path / "b", NOW_US)
    with (tmp_path / "b" / victim).open("ab") as file:
        file.write(b"x")
    with pytest.raises(BackupError, match=f"{victim} was changed since"):
        restore_backup(tmp_path / "b", tmp_path / "r")
    (tmp_path / "b" / victim).unlink()
    with pytest.raises(BackupError, match=f"{victim} is not there"):
        restore_backup(tmp_path / "b", tmp_path / "r")
    (tmp_path / "b" / "manifest.json").unlink()
    with pytest.raises(BackupError, match="this is no backup"):
        restore_backup(tmp_path / "b", tmp_path / "r")
    assert not (tmp_path / "r").exists()


@pytest.mark.parametrize("at", ["yesterday", "2026-05-28T20:27:00", "0001-01-01T00:00:00+14:00"])
def test_a_manifest_without_an_instant_is_refused_and_takes_no_other_along(site: Path, tmp_path: Path, at: str) -> None:
    name = site_dict()["site"]["id"]
    good, bad = (tmp_path / scheduled_name(name, at_us) for at_us in (NOW_US - DAY_US, NOW_US))
    make_backup(site, good, NOW_US - DAY_US)
    shutil.copytree(good, bad)
    plain = json.loads((bad / "manifest.json").read_text())
    (bad / "manifest.json").write_text(json.dumps(plain | {"at": at}))
    with pytest.raises(BackupError, match=r"at = .* is no instant with a time zone\. Take another backup"):
        read_manifest(bad)
    assert scheduled(tmp_path, name) == [(NOW_US - DAY_US, good)]
    assert newest_backup(tmp_path, name, NOW_US) == NOW_US - DAY_US
    assert remove_oldest(tmp_path, name, 1, NOW_US) == []


def test_a_manifest_cannot_lead_out_of_the_folder(site: Path, tmp_path: Path) -> None:
    make_backup(site, tmp_path / "b", NOW_US)
    manifest = tmp_path / "b" / "manifest.json"
    plain = json.loads(manifest.read_text())
    plain["files"]["../outside"] = "0" * 64
    manifest.write_text(json.dumps(plain))
    (tmp_path / "outside").write_text("x")
    with pytest.raises(BackupError, match="is not there"):
        restore_backup(tmp_path / "b", tmp_path / "r")


def test_a_journal_that_is_not_in_order_makes_no_backup(site: Path, tmp_path: Path) -> None:
    with Journal(site.parent / "data" / "journal.db") as journal, journal.store.writing() as connection:
        connection.exec_driver_sql("DROP TRIGGER inputs_unchanged")
        connection.exec_driver_sql("UPDATE inputs SET payload = x'00'")
    with pytest.raises(BackupError, match="no backup was made: inputs: row 1 is not the one that was recorded"):
        make_backup(site, tmp_path / "b", NOW_US)
    assert [path.name for path in tmp_path.iterdir()] == ["site"]


def test_a_journal_elsewhere_is_put_into_the_folder_and_said(site: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere.db"
    shutil.move(site.parent / "data" / "journal.db", elsewhere)
    site.write_text(site.read_text().replace('"data/journal.db"', f'"{elsewhere}"'))
    assert run("backup", site, tmp_path / "b").exit_code == 0
    result = run("restore", tmp_path / "b", tmp_path / "r")
    assert result.exit_code == 0, result.output
    assert f"its journal at {elsewhere}: move elsewhere.db from {tmp_path / 'r'} to {tmp_path}" in result.output
    assert (tmp_path / "r" / "elsewhere.db").is_file()


def test_the_commands_say_what_they_did_and_what_is_lost(site: Path, tmp_path: Path) -> None:
    made = run("backup", site, tmp_path / "b")
    assert made.exit_code == 0, made.output
    assert "checked and in order: site" in made.output
    assert "walked" not in made.output
    assert "secrets, lie elsewhere or are gone: broker.password" in made.output
    again = run("backup", site, tmp_path / "b")
    assert (again.exit_code, "nothing is ever overwritten" in again.output) == (1, True)
    restored = run("restore", tmp_path / "b", tmp_path / "r")
    assert restored.exit_code == 0, restored.output
    assert f"What was recorded after {read_manifest(tmp_path / 'b').at} is not in it" in restored.output
    assert f"motewatch serve {tmp_path / 'r' / 'site.toml'}" in restored.output


def test_the_oldest_scheduled_ones_go_and_nothing_else(site: Path, tmp_path: Path) -> None:
    name = site_dict()["site"]["id"]
    folder = tmp_path / "backups"
    folder.mkdir()
    for day in range(4):
        make_backup(site, folder / scheduled_name(name, NOW_US + day * DAY_US), NOW_US + day * DAY_US)
    (folder / "mine").mkdir()
    (folder / f"{name}-20200101T000000Z").mkdir()
    (folder / f".{name}-20260101T000000Z.part-x").mkdir()
    gone = remove_oldest(folder, name, 2, NOW_US + 3 * DAY_US)
    remove_unfinished(folder, name)
    assert [path.name for path in gone] == [scheduled_name(name, NOW_US + day * DAY_US) for day in (0, 1)]
    assert [at for at, _ in scheduled(folder, name)] == [NOW_US + 2 * DAY_US, NOW_US + 3 * DAY_US]
    assert sorted(path.name for path in folder.iterdir()) == sorted(
        [f"{name}-20200101T000000Z", "mine", *(scheduled_name(name, NOW_US + day * DAY_US) for day in (2, 3))]
    )
