"""Backups by the clock: when one is due, in a real process of its own, and what the audit trail is told."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from motewatch.engine.records import Entered
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.links.backup import make_backup, read_manifest, scheduled, scheduled_name
from motewatch.links.clock import Clock, TimeSource
from motewatch.service.backups import AGAIN_S, Backups, last_due_us
from motewatch.site.backup import Backup
from motewatch.site.instants import instant, instant_us
from motewatch.wire.records import DAY_US
from support.command_line import write_site
from support.facility import site_dict
from support.journal_records import fact
from support.links_fakes import FakeClock
from support.servers import wait_until

BERLIN = ZoneInfo("Europe/Berlin")
NAME = site_dict()["site"]["id"]


@pytest.mark.parametrize(
    ("now", "due"),
    [
        ("2026-03-02T01:29:59+00:00", "2026-03-01T01:30:00+00:00"),
        ("2026-03-02T01:30:00+00:00", "2026-03-02T01:30:00+00:00"),
        ("2026-03-02T23:30:00+00:00", "2026-03-02T01:30:00+00:00"),
        # The night in which 02:30 does not come, and the one in which it comes twice: once each.
        ("2026-03-29T12:00:00+00:00", "2026-03-29T01:30:00+00:00"),
        ("2026-10-25T12:00:00+00:00", "2026-10-25T00:30:00+00:00"),
    ],
)
def test_when_one_is_due(now: str, due: str) -> None:
    from datetime import datetime

    at_us = last_due_us("02:30", BERLIN, instant_us(datetime.fromisoformat(now)))
    assert instant(at_us).isoformat() == due


class Bench:
    def __init__(self, folder: Path, keep: int = 1, clock: TimeSource | None = None, backups: str = "backups") -> None:
        self.site = write_site(folder, site_dict())
        with Journal(folder / "motewatch.db", site=NAME) as journal:
            journal.commit(Batch(outputs=[(BY_TIME, fact())], engine_us=1))
        self.told: list[Entered] = []
        settings = Backup(folder=backups, at="00:00", keep=keep)
        self.went: list[tuple[bool, str]] = []
        self.backups = Backups(
            settings,
            self.site,
            NAME,
            BERLIN,
            self.told.append,
            clock or Clock(),
            lambda well, said: self.went.append((well, said)),
        )

    def until_told(self) -> Entered:
        def look() -> bool:
            self.backups.look()
            return bool(self.told)

        wait_until(look, "the end of the backup", 60)
        return self.told[-1]


def test_one_that_is_due_is_made_once_and_put_on_the_audit_trail(tmp_path: Path) -> None:
    (tmp_path / "backups").mkdir()
    bench = Bench(tmp_path)
    told = bench.until_told()
    ((_, path),) = scheduled(tmp_path / "backups", NAME)
    assert told == Entered("motewatch", "backup", f"backup/{path.name}", "made and checked")
    bench.backups.look()
    bench.backups.look()
    assert len(bench.told) == 1
    assert bench.went == [(True, "")]
    assert [each.name for each in (tmp_path / "backups").iterdir()] == [path.name]


def test_an_oldest_that_cannot_be_removed_is_told_and_the_backup_counts(tmp_path: Path) -> None:
    folder, elsewhere = tmp_path / "backups", tmp_path / "elsewhere"
    folder.mkdir()
    clock = FakeClock()
    bench = Bench(tmp_path, clock=clock)
    make_backup(bench.site, elsewhere, clock.wall_us - DAY_US)
    # A link is not removed with what it leads to: an error for root, too, as a read-only folder is for others.
    old = folder / scheduled_name(NAME, clock.wall_us - DAY_US)
    old.symlink_to(elsewhere)
    told = bench.until_told()
    assert (told.action, bench.went) == ("backup", [(True, "")])
    assert told.detail.startswith("made and checked; the oldest could not be removed, so there are more than 1: ")
    assert old.is_symlink()


def test_one_that_fails_is_told_with_the_reason_and_not_tried_at_once_again(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    told = bench.until_told()
    assert told.action == "backup-failed"
    assert "does not exist. Make it first." in told.detail
    ((well, said),) = bench.went
    assert not well
    assert "does not exist. Make it first." in said
    bench.backups.look()
    bench.backups.look()
    assert len(bench.told) == 1


def test_a_folder_that_cannot_be_looked_at_is_told_like_a_backup_that_failed(tmp_path: Path) -> None:
    # Longer than a file system allows: an error for root, too, as one that may not be entered is for others.
    bench = Bench(tmp_path, backups="€" * 120)
    bench.backups.look()
    told = bench.until_told()
    assert told.action == "backup-failed"
    assert told.detail.endswith("The service must be able to read and write there.")
    ((well, said),) = bench.went
    assert (well, said.startswith("no backup could be begun: [Errno ")) == (False, True)
    bench.backups.look()
    assert len(bench.told) == 1


def test_one_dated_after_now_neither_stands_for_a_backup_nor_takes_the_place_of_one(tmp_path: Path) -> None:
    folder = tmp_path / "backups"
    folder.mkdir()
    clock = FakeClock()
    bench = Bench(tmp_path, clock=clock)
    later = folder / scheduled_name(NAME, clock.wall_us + 300 * DAY_US)
    make_backup(bench.site, later, clock.wall_us + 300 * DAY_US)
    for day in range(2):
        clock.wall_us += DAY_US
        bench.told.clear()
        told = bench.until_told()
        made = folder / scheduled_name(NAME, clock.wall_us)
        assert (told.action, told.subject) == ("backup", f"backup/{made.name}")
        assert told.detail.endswith(f"; dated after now and not counted: {later.name}")
        assert ("1 of the oldest removed" in told.detail) == (day == 1)
        assert sorted(path.name for path in folder.iterdir()) == sorted([made.name, later.name])
        # By the time that the service takes it to be, whatever this machine's clock says.
        assert read_manifest(made).at_us == clock.wall_us


def test_one_that_failed_is_tried_again_though_the_clock_is_set_back(tmp_path: Path) -> None:
    clock = FakeClock()
    bench = Bench(tmp_path, clock=clock)
    assert bench.until_told().action == "backup-failed"
    bench.told.clear()
    (tmp_path / "backups").mkdir()
    clock.wall_us -= 300 * DAY_US
    clock.go(AGAIN_S)
    assert bench.until_told().action == "backup"


def test_one_under_way_ends_with_the_service_and_leaves_no_backup(tmp_path: Path) -> None:
    (tmp_path / "backups").mkdir()
    bench = Bench(tmp_path)
    bench.backups.look()
    bench.backups.stop()
    bench.backups.stop()
    assert scheduled(tmp_path / "backups", NAME) == []
