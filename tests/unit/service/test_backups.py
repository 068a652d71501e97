"""Backups by the clock: when one is due, in a real process of its own, and what the audit trail is told."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from motewatch.engine.records import Entered
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.links.backup import scheduled
from motewatch.links.clock import Clock
from motewatch.service.backups import Backups, last_due_us
from motewatch.site.backup import Backup
from motewatch.site.instants import instant, instant_us
from support.command_line import write_site
from support.facility import site_dict
from support.journal_records import fact
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
    def __init__(self, folder: Path, keep: int = 1) -> None:
        self.site = write_site(folder, site_dict())
        with Journal(folder / "motewatch.db", site=NAME) as journal:
            journal.commit(Batch(outputs=[(BY_TIME, fact())], engine_us=1))
        self.told: list[Entered] = []
        settings = Backup(folder="backups", at="00:00", keep=keep)
        self.backups = Backups(settings, self.site, NAME, BERLIN, self.told.append, Clock())

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
    assert [each.name for each in (tmp_path / "backups").iterdir()] == [path.name]


def test_one_that_fails_is_told_with_the_reason_and_not_tried_at_once_again(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    told = bench.until_told()
    assert told.action == "backup-failed"
    assert "does not exist. Make it first." in told.detail
    bench.backups.look()
    bench.backups.look()
    assert len(bench.told) == 1


def test_one_under_way_ends_with_the_service_and_leaves_no_backup(tmp_path: Path) -> None:
    (tmp_path / "backups").mkdir()
    bench = Bench(tmp_path)
    bench.backups.look()
    bench.backups.stop()
    bench.backups.stop()
    assert scheduled(tmp_path / "backups", NAME) == []
