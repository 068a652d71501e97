"""What `check` says of the folder that backups go to."""

from __future__ import annotations

from pathlib import Path

import pytest

from motewatch.links.folder_checks import check_folders
from motewatch.site.models import Site
from support.command_line import run, write_site
from support.facility import site_dict


def told(base_dir: Path, folder: str) -> list[str]:
    site = Site.model_validate(site_dict(backup={"folder": folder}))
    found = check_folders(site, base_dir / "site.toml")
    assert all((each.key, each.severity.value) == ("backup.folder", "warning") for each in found)
    return [str(each) for each in found]


def test_a_site_without_backups_needs_no_folder(tmp_path: Path) -> None:
    assert check_folders(Site.model_validate(site_dict()), tmp_path / "site.toml") == []


def test_one_that_is_there_is_fine_beside_the_site_file_and_elsewhere(tmp_path: Path) -> None:
    (tmp_path / "backups").mkdir()
    assert told(tmp_path, "backups") == told(tmp_path / "x", str(tmp_path / "backups")) == []


def test_one_that_is_not_there_is_told_with_what_to_do(tmp_path: Path) -> None:
    (text,) = told(tmp_path, "mnt/backups")
    assert "backup.folder" in text
    assert "mnt/backups" in text
    assert "is not there now; no backup could be made" in text
    assert "let the service's user write in it" in text


def test_a_file_is_none(tmp_path: Path) -> None:
    (tmp_path / "backups").write_text("")
    (text,) = told(tmp_path, "backups")
    assert "this is no folder" in text
    (text,) = told(tmp_path, "backups/below")
    assert "is not there now" in text


@pytest.mark.parametrize("folder", ["/proc/self", "/proc/1"])
def test_one_that_may_not_be_written_is_told(tmp_path: Path, folder: str) -> None:
    """Nobody may write there, not even root."""
    (text,) = told(tmp_path, folder)
    assert "may not write in this folder; the service's user must" in text


def test_check_says_it_and_the_site_file_is_still_fine(tmp_path: Path) -> None:
    path = write_site(tmp_path, site_dict(backup={"folder": "backups"}))
    said = run("check", path)
    assert "backup.folder" in said.output
    assert said.exit_code == 0
    (tmp_path / "backups").mkdir()
    assert "backup.folder" not in run("check", path).output
