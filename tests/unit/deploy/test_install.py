"""The install script in a scratch root, with small wheels of the test's own: again, upgrade, refused upgrade, back.

What needs a machine of its own (the user, systemd) is left out by the script below a DESTDIR, and not shown here.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import zipfile
from pathlib import Path
from typing import Final

import pytest

SCRIPT: Final = Path(__file__).parents[3] / "deploy" / "install"
SITE: Final = '[service]\njournal = "/var/lib/motewatch/motewatch.db"\n'
PROGRAM: Final = """
import pathlib, sys

def main():
    if sys.argv[1:] == ["--version"]:
        print("VERSION")
        return 0
    command, site, *more = sys.argv[1:]
    if command == "check" and "VERSION" in pathlib.Path(site).read_text():
        print("this version does not take it")
        return 1
    if command == "backup":
        if "disk is full" in pathlib.Path(site).read_text():
            print("No space left on device")
            return 1
        pathlib.Path(more[0]).mkdir()
        (pathlib.Path(more[0]) / "made-by").write_text("VERSION")
    return 0
"""


def wheel(folder: Path, version: str, needs: str = "") -> Path:
    """A wheel named as ours, with a command that refuses site files in which its own version stands."""
    path = folder / f"motewatch-{version}-py3-none-any.whl"
    about = f"motewatch-{version}.dist-info"
    with zipfile.ZipFile(path, "w") as made:
        made.writestr("motewatch_stub.py", PROGRAM.replace("VERSION", version))
        about_it = f"Metadata-Version: 2.1\nName: motewatch\nVersion: {version}\n{needs}"
        made.writestr(f"{about}/METADATA", about_it)
        made.writestr(
            f"{about}/WHEEL", "Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
        )
        made.writestr(f"{about}/entry_points.txt", "[console_scripts]\nmotewatch = motewatch_stub:main\n")
        made.writestr(f"{about}/RECORD", "")
    return path


def install(root: Path, *arguments: str | Path, fails: bool = False, lock: str = "") -> str:
    """Run the script below that root, with the text of a list of libraries (none: the small wheels need none)."""
    listed = root.with_name(f"{root.name}.lock")
    listed.write_text(lock)
    done = subprocess.run(
        [SCRIPT, *arguments],
        env={
            **os.environ,
            "DESTDIR": str(root),
            "MOTEWATCH_PIP_OPTIONS": f"--no-index --find-links {root.parent}",
            "MOTEWATCH_LOCK": str(listed),
        },
        capture_output=True,
        text=True,
    )
    assert (done.returncode != 0) is fails, done.stdout + done.stderr
    return done.stdout + done.stderr


def backups(root: Path) -> list[str]:
    """By which version each backup before an upgrade was made, oldest first."""
    folder = root / "var/backups/motewatch"
    return [(each / "made-by").read_text() for each in sorted(folder.iterdir())]


def tree(root: Path) -> dict[str, str]:
    """Every folder, file and link outside the environments, with what is in it."""
    found = {}
    for path in sorted(root.rglob("*")):
        name = str(path.relative_to(root))
        if "/versions/" not in name:
            found[name] = os.readlink(path) if path.is_symlink() else path.read_text() if path.is_file() else "folder"
    return found


def test_it_is_sound_bash() -> None:
    subprocess.run(["bash", "-n", SCRIPT], check=True)


def test_a_dry_run_changes_nothing(tmp_path: Path) -> None:
    said = install(tmp_path / "root", "--dry-run", wheel(tmp_path, "1.0.0"))
    assert "would run" in said
    assert not (tmp_path / "root").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "sudo deploy/install"),
        (("no-such.whl",), "there is no file no-such.whl"),
        ((__file__,), "is no wheel of motewatch"),
        (("--back", "9.9"), "version 9.9 is not there"),
        (("--back", "../../etc"), "is not there"),
        (("--sideways",), "unknown option --sideways"),
    ],
)
def test_what_cannot_be_done_is_said_and_nothing_is_made(tmp_path: Path, arguments: tuple[str, ...], said: str) -> None:
    assert said in install(tmp_path / "root", *arguments, fails=True)
    assert not (tmp_path / "root").exists()


def test_first_again_upgrade_refused_and_back(tmp_path: Path) -> None:
    root = tmp_path / "root"
    old, new, bad = (wheel(tmp_path, version) for version in ("1.0.0", "1.1.0", "2.0.0"))
    etc, current = root / "etc/motewatch", root / "opt/motewatch/current"

    assert "no site file yet" in install(root, old)
    assert os.readlink(current) == "versions/1.0.0"
    assert os.readlink(root / "usr/local/bin/motewatch") == "/opt/motewatch/current/bin/motewatch"
    unit = (root / "etc/systemd/system/motewatch.service").read_text()
    assert unit == (SCRIPT.parent / "systemd/motewatch.service").read_text()
    assert oct((etc / "secrets").stat().st_mode)[-3:] == "700"
    assert oct((root / "var/lib/motewatch").stat().st_mode)[-3:] == "700"

    # Again: nothing but the switch to the same.
    before = tree(root)
    said = install(root, old)
    assert tree(root) == before
    assert "folder" not in said
    assert "file /" not in said

    # The site's own files stay as they are; secrets are handed over, each by a line.
    (etc / "site.toml").write_text(f"# not for 2.0.0\n{SITE}")
    (etc / "secrets/broker.password").write_text("hush\n")
    (root / "var/lib/motewatch/motewatch.db").write_text("rows\n")
    install(root, new)
    assert os.readlink(current) == "versions/1.1.0"
    assert (etc / "site.toml").read_text() == f"# not for 2.0.0\n{SITE}"
    handed = (root / "etc/systemd/system/motewatch.service.d/credentials.conf").read_text()
    assert handed.splitlines()[-2:] == [
        "[Service]",
        "LoadCredential=broker.password:/etc/motewatch/secrets/broker.password",
    ]
    assert "hush" not in handed
    # The version before backed up before it was left.
    assert backups(root) == ["1.0.0"]
    assert "backing up" not in install(root, new)
    assert backups(root) == ["1.0.0"], "the same version again changes nothing that could be lost"

    # A version that does not take the site file is not switched to.
    assert "nothing was switched" in install(root, bad, fails=True)
    assert os.readlink(current) == "versions/1.1.0"

    install(root, "--back", "1.0.0")
    assert os.readlink(current) == "versions/1.0.0"
    assert (current / "bin/motewatch").exists()


def test_no_other_version_gets_a_journal_that_was_not_backed_up_just_before(tmp_path: Path) -> None:
    root = tmp_path / "root"
    old, new = (wheel(tmp_path, version) for version in ("1.0.0", "1.1.0"))
    site, current = root / "etc/motewatch/site.toml", root / "opt/motewatch/current"
    journal = root / "var/lib/motewatch/motewatch.db"
    install(root, old)
    site.write_text(SITE)

    # No journal yet: nothing to back up, and that holds up nobody.
    install(root, new)
    install(root, "--back", "1.0.0")
    assert backups(root) == []

    journal.write_text("rows\n")
    site.write_text(f"# the disk is full\n{SITE}")
    said = install(root, new, fails=True)
    assert os.readlink(current) == "versions/1.0.0"
    assert "No space left on device" in said
    for word in (str(journal), str(journal.parents[3] / "var/backups/motewatch"), "--without-backup"):
        assert word in said
    # Nothing but a word of its own goes on without.
    assert "NOT backed up" in install(root, "--without-backup", new)
    assert os.readlink(current) == "versions/1.1.0"
    assert backups(root) == []

    # A second try after a way back has a backup of its own: what came meanwhile is in no earlier one.
    site.write_text(SITE)
    install(root, "--back", "1.0.0")
    install(root, new)
    install(root, "--back", "1.0.0")
    (earlier,) = (root / "var/backups/motewatch").iterdir()
    earlier.rename(earlier.with_name("before-1.1.0-20260101T000000Z"))
    install(root, new)
    assert backups(root) == ["1.0.0", "1.0.0"]
    assert os.readlink(current) == "versions/1.1.0"


def test_a_journal_beside_a_version_that_cannot_run_is_not_taken_over_unasked(tmp_path: Path) -> None:
    root = tmp_path / "root"
    old, new = (wheel(tmp_path, version) for version in ("1.0.0", "1.1.0"))
    install(root, old)
    (root / "etc/motewatch/site.toml").write_text(SITE.replace("/var/lib/motewatch/", ""))
    (root / "etc/motewatch/motewatch.db").write_text("rows\n")
    # As after an upgrade of the system, whose new Python the old environment does not know.
    (root / "opt/motewatch/versions/1.0.0/bin/python").unlink()
    said = install(root, new, fails=True)
    assert "no version in use that could back it up" in said
    assert os.readlink(root / "opt/motewatch/current") == "versions/1.0.0"
    install(root, "--without-backup", new)
    assert os.readlink(root / "opt/motewatch/current") == "versions/1.1.0"


def library(folder: Path, body: str) -> str:
    """A library as a wheel in that folder; returns its line in a list with hashes."""
    path = folder / "little-1.0-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as made:
        made.writestr("little.py", body)
        made.writestr("little-1.0.dist-info/METADATA", "Metadata-Version: 2.1\nName: little\nVersion: 1.0\n")
        made.writestr(
            "little-1.0.dist-info/WHEEL",
            "Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        )
        made.writestr("little-1.0.dist-info/RECORD", "")
    return f"little==1.0 --hash=sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}\n"


def test_libraries_come_by_their_hashes_and_any_other_file_is_refused(tmp_path: Path) -> None:
    root, needs = tmp_path / "root", "Requires-Dist: little>=1\n"
    lock = library(tmp_path, "made = 'by us'\n")
    assert "done: motewatch 1.0.0" in install(root, wheel(tmp_path, "1.0.0", needs), lock=lock)
    assert list((root / "opt/motewatch/versions/1.0.0").rglob("little.py"))
    # The same name and version with other content: the version in use stays.
    library(tmp_path, "made = 'by a stranger'\n")
    assert "DO NOT MATCH THE HASHES" in install(root, wheel(tmp_path, "1.1.0", needs), lock=lock, fails=True)
    assert os.readlink(root / "opt/motewatch/current") == "versions/1.0.0"
