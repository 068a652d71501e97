"""The unit file: as hard as it says, and fed by the daemon in the rhythm that the daemon keeps."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import Final

from motewatch.service.calling import TURN_S
from support.missing import find_program

UNIT: Final = Path(__file__).parents[3] / "deploy" / "systemd" / "motewatch.service"
TEXT: Final = UNIT.read_text()


def setting(key: str) -> list[str]:
    return re.findall(rf"^{key}=(.*)$", TEXT, flags=re.MULTILINE)


def test_the_stated_score_is_the_one_that_it_gets() -> None:
    said = subprocess.run(
        [find_program("systemd-analyze"), "security", "--offline=true", "--no-pager", str(UNIT)],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    found = re.search(r"exposure level for motewatch.service: ([\d.]+)", said)
    stated = re.search(r"rates this file ([\d.]+)", TEXT)
    assert found is not None
    assert stated is not None
    # Another version of systemd asks other questions: the stated figure is that of one, and none may be far from it.
    assert abs(float(found[1]) - float(stated[1])) <= 0.3


def test_systemd_understands_every_line() -> None:
    said = subprocess.run(
        [find_program("systemd-analyze"), "verify", "--man=no", str(UNIT)], capture_output=True, text=True
    ).stderr
    lines = [line for line in said.splitlines() if "is not executable" not in line and str(UNIT) in line]
    assert lines == []
    assert "Unknown" not in said


def test_the_daemon_tells_the_manager_and_is_ended_only_when_its_writer_hangs() -> None:
    assert setting("Type") == ["notify"]
    assert setting("ExecReload") == ["/bin/kill -HUP $MAINPID"]
    (watchdog_s,) = setting("WatchdogSec")
    # A writer is said to hang after `TURN_S`; a shorter patience would end one that only has much to do.
    assert int(watchdog_s) >= TURN_S
    assert setting("Restart") == ["always"]
    assert setting("StartLimitIntervalSec") == ["0"]


def test_the_page_lets_the_unit_write_where_it_lays_folders() -> None:
    # Under ProtectSystem=strict every other path is read-only, and a backup or archive there fails.
    assert setting("ProtectSystem") == ["strict"]
    assert setting("ReadWritePaths") == ["-/var/backups/motewatch"]
    page = (UNIT.parents[1] / "docs" / "install.md").read_text()
    section = page.split("\n## Backups and archives on another disk\n")[1].split("\n## ")[0]
    made = re.findall(r"^install -d -m 700 -o motewatch -g motewatch (\S+)$", section, flags=re.MULTILINE)
    allowed = re.findall(r"'ReadWritePaths=-(\S+)' \\$", section, flags=re.MULTILINE)
    # The minus: a disk that is not there must not keep the service from starting.
    assert made == allowed == ["/mnt/backups/motewatch", "/mnt/archives/motewatch"]
    for path, after in zip(made, re.findall(r"'After=(\S+)'", section), strict=True):
        escaped = subprocess.run(
            [find_program("systemd-escape"), "--path", "--suffix=mount", str(Path(path).parent)],
            capture_output=True,
            text=True,
            check=True,
        ).stdout.strip()
        assert after == escaped


def test_a_core_dump_gives_no_secret_away() -> None:
    assert setting("LimitCORE") == ["0"]
