"""How old the newest backup is: by what lies in the folder, told when it becomes too old and when one is made again."""

from __future__ import annotations

from pathlib import Path

import pytest

from motewatch.links.backup import MANIFEST, scheduled_name
from motewatch.links.backup_age import FIRST_S, OLD_US, BackupAge, newest_backup, unread
from motewatch.wire.records import HOUR_US, SECOND_US
from support.another_user import asked, close, open_folder
from support.links_fakes import FakeClock
from support.manifests import backup

NOW = 1_780_000_020_000_000
DAY_S = 86_400


def test_the_newest_whole_one_of_the_site_counts(tmp_path: Path) -> None:
    assert newest_backup(tmp_path / "nowhere", "plant", NOW) is None
    assert newest_backup(tmp_path, "plant", NOW) is None
    backup(tmp_path, NOW - 50 * HOUR_US)
    newest = backup(tmp_path, NOW - 26 * HOUR_US)
    assert newest_backup(tmp_path, "plant", NOW) == NOW - 26 * HOUR_US
    backup(tmp_path, NOW - HOUR_US, site="plant-2")
    (tmp_path / "plant-by-hand").mkdir()
    (tmp_path / "plant-20269999T000000Z").mkdir()
    (tmp_path / scheduled_name("plant", NOW - 2 * HOUR_US)).mkdir()
    assert newest_backup(tmp_path, "plant", NOW) == NOW - 26 * HOUR_US, "none of these is a backup of this site"
    (newest / MANIFEST).write_text("{")
    assert newest_backup(tmp_path, "plant", NOW) == NOW - 50 * HOUR_US


def test_one_that_may_not_be_looked_at_is_not_passed_over() -> None:
    ask = "from motewatch.links.backup_age import newest_backup", f"newest_backup(path, 'plant', {NOW})"
    with open_folder() as folder:
        backup(folder, NOW - 50 * HOUR_US)
        assert asked(*ask, folder) == str(NOW - 50 * HOUR_US)
        newest = backup(folder, NOW - 26 * HOUR_US)
        close(newest)
        found = asked(*ask, folder)
        newest.chmod(0o755)
    assert found.startswith("PermissionError: "), "what is older is not the newest"


@pytest.mark.parametrize("name_us", [NOW + HOUR_US, NOW - HOUR_US])
def test_one_from_the_future_proves_nothing(tmp_path: Path, name_us: int) -> None:
    backup(tmp_path, NOW + HOUR_US, name_us=name_us)
    backup(tmp_path, NOW - 90 * HOUR_US)
    assert newest_backup(tmp_path, "plant", NOW) == NOW - 90 * HOUR_US


class Watched:
    def __init__(self, folder: Path) -> None:
        self.clock = FakeClock(NOW)
        self.told: list[tuple[bool, str]] = []
        self.age = BackupAge(folder, "plant", self._hear, self.clock)

    def _hear(self, well: bool, since_us: int, detail: str) -> None:
        assert since_us == self.clock.now_us()
        self.told.append((well, detail))

    def goes(self, seconds: float) -> list[tuple[bool, str]]:
        """What is told after so long, once the folder was read."""
        self.clock.go(seconds)
        self.age.learn()
        self.age.look()
        told, self.told = self.told, []
        return told


def test_it_is_told_once_when_there_is_no_new_one_and_again_when_there_is(tmp_path: Path) -> None:
    backup(tmp_path, NOW - HOUR_US)
    watched = Watched(tmp_path)
    assert watched.goes(1) == [(True, "the newest is of 2026-05-28 19:27 UTC")]
    assert watched.goes(58 * 3_600) == []
    assert watched.goes(3_600) == [(False, "the newest is of 2026-05-28 19:27 UTC")]
    assert watched.goes(DAY_S) == []
    backup(tmp_path, watched.clock.now_us())
    assert [well for well, _ in watched.goes(60)] == [True]


def test_a_service_that_was_just_started_has_an_hour_to_make_one(tmp_path: Path) -> None:
    backup(tmp_path, NOW - OLD_US - HOUR_US)
    watched = Watched(tmp_path)
    assert watched.goes(FIRST_S - 1) == []
    assert [well for well, _ in watched.goes(1)] == [False]
    fresh = Watched(tmp_path / "nothing-here")
    assert fresh.goes(FIRST_S) == [(False, "the backup folder is not there")]
    (tmp_path / "empty").mkdir()
    assert Watched(tmp_path / "empty").goes(FIRST_S) == [(False, "none was found")]
    hangs = Watched(tmp_path / "empty")
    hangs.clock.go(FIRST_S)
    hangs.age.look()  # and nobody was able to learn anything yet
    assert hangs.told == [(False, "the backup folder has not answered yet")]


def test_why_a_folder_cannot_be_read_is_told(tmp_path: Path) -> None:
    watched = Watched(tmp_path / ("long" * 100))
    ((_, detail),) = watched.goes(FIRST_S)
    assert detail.startswith(f"{tmp_path}/longlong")
    assert detail.endswith("cannot be read: File name too long")


def test_a_folder_that_goes_away_or_hangs_leaves_what_was_known_to_grow_older(tmp_path: Path) -> None:
    backup(tmp_path / "disk", NOW - HOUR_US)
    watched = Watched(tmp_path / "disk")
    assert [well for well, _ in watched.goes(1)] == [True]
    (tmp_path / "disk").rename(tmp_path / "unmounted")
    assert watched.goes(3_600) == []
    watched.clock.go(OLD_US / SECOND_US)
    watched.age.look()  # without a look into the folder, which may take for ever
    assert watched.told == [(False, "the newest is of 2026-05-28 19:27 UTC; the backup folder is not there")]


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (PermissionError(13, "Permission denied", "/b"), "whoever asks may not read the backup folder"),
        (TimeoutError(), "the backup folder does not answer"),
        (OSError(5, "Input/output error", "/b"), "/b cannot be read: Input/output error"),
    ],
)
def test_each_reason_has_its_words(error: OSError, says: str) -> None:
    assert unread(error).startswith(says)


def test_one_that_somebody_removed_is_missed(tmp_path: Path) -> None:
    path = backup(tmp_path, NOW - HOUR_US)
    watched = Watched(tmp_path)
    assert [well for well, _ in watched.goes(FIRST_S)] == [True]
    path.rename(tmp_path / "elsewhere")
    assert watched.goes(60) == [(False, "none was found")]
