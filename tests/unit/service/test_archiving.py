"""Archives by the clock: made in a real process of its own, rows let go by the one that writes, told on the trail."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from motewatch.engine.records import Audited, Entered
from motewatch.journal.archive_upkeep import ASIDE, one_run
from motewatch.journal.archives import folder_of, waiting
from motewatch.journal.archiving import make_all
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import is_leaving, let_go
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.links.archives import words
from motewatch.links.clock import Clock, TimeSource
from motewatch.service.archiving import AGAIN_S, OTHER_S, Archiving
from motewatch.service.backups import Went
from motewatch.service.only_one import only_service
from motewatch.service.patient import Patient
from motewatch.site.retention import Retention
from motewatch.wire.records import DAY_US
from support.archive_journal import FULL, STAY, everything, record
from support.command_line import write_site
from support.facility import site_dict
from support.links_fakes import FakeClock
from support.servers import wait_until

NAME = site_dict()["site"]["id"]


def start(
    folder: Path,
    journal: Journal,
    clock: TimeSource | None = None,
    went: Went = lambda well, said: None,
    making: Patient | None = None,
    rest: Callable[[float], object] | None = None,
    **retention: Any,
) -> tuple[Archiving, list[Entered]]:
    """The job as the service runs it."""
    rest = rest or threading.Event().wait
    site = write_site(folder, site_dict() | {"retention": retention, "service": {"journal": "journal.db"}})
    told: list[Entered] = []
    settings = Retention(**retention)
    return (
        Archiving(settings, site, journal, ZoneInfo("UTC"), told.append, clock or Clock(), rest, went, making),
        told,
    )


def test_what_is_due_is_made_beside_and_leaves_and_is_told(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with only_service(path), Journal(path, site=NAME) as journal:
        record(journal)
        before = everything(path)
        went: list[tuple[bool, bool]] = []

        def hear(well: bool, _: str) -> None:
            went.append((well, is_leaving(journal.store)))

        job, told = start(tmp_path, journal, went=hear, messages_days=35, samples_days=35, at="00:00")

        def archived() -> bool:
            job.look()
            return len(told) >= 3 and bool(went)

        wait_until(archived, "archived rows to leave", 120)
        names = sorted(each.name for each in folder_of(path).glob("*.parquet"))
        assert sorted(each.subject for each in told) == [f"archive/{name}" for name in names]
        assert {each.action for each in told} == {"archived"}
        assert all("sha256 " in each.detail for each in told)
        # The process beside let no row go: the journal is this one's.
        assert everything(path) == before
        assert journal.verify() == []
        job.look()
        assert len(told) == 3, "the next run is tomorrow's"
        assert went == [(True, False)], "it went well once the rows had left"
        job.stop()


def test_a_run_that_fails_is_told_with_the_reason(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with only_service(path), Journal(path, site=NAME) as journal:
        went: list[tuple[bool, str]] = []
        job, told = start(
            tmp_path, journal, went=lambda well, said: went.append((well, said)), messages_days=35, at="00:00"
        )
        (tmp_path / "site.toml").write_text("format = 2\n")

        def said() -> bool:
            job.look()
            return bool(told)

        wait_until(said, "the end of the run", 60)
        assert told[0].action == "archive-failed"
        assert "format" in told[0].detail
        job.look()
        assert went == [(False, told[0].detail)], "rows of earlier runs that leave make no success of it"
        job.stop()


class Refused(Patient):
    """No process can be begun."""

    def begin(self, *arguments: str) -> None:
        raise OSError(28, "No space left on device")


def test_a_run_that_cannot_be_begun_is_told_and_tried_again_later(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    clock, went = FakeClock(), list[tuple[bool, str]]()
    with only_service(path), Journal(path, site=NAME) as journal:
        job, told = start(
            tmp_path,
            journal,
            clock,
            lambda well, said: went.append((well, said)),
            Refused(15),
            messages_days=35,
            at="00:00",
        )
        for _ in range(4):
            job.look()
        why = "no archives could be begun: [Errno 28] No space left on device"
        assert told == [Entered("motewatch", "archive-failed", "archive", why)]
        assert went == [(False, why)]
        clock.go(AGAIN_S)
        job.look()
        assert len(told) == 2
        job.stop()


def test_another_run_is_waited_for_and_told_only_where_it_does_not_end(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with only_service(path), Journal(path, site=NAME) as journal:
        clock = FakeClock()
        job, told = start(tmp_path, journal, clock, messages_days=35, at="00:00")
        with one_run(journal.store):
            for _ in range(round(OTHER_S / AGAIN_S)):
                job.look()
                job.look()
                job.look()
                assert told == []
                clock.go(AGAIN_S)

            def said() -> bool:
                job.look()
                return bool(told)

            wait_until(said, "the end of the run", 60)
        assert told[0].action == "archive-failed"
        assert "another run is making archive files here" in told[0].detail
        job.stop()


def test_no_row_is_let_go_once_the_service_stops(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with only_service(path), Journal(path, site=NAME) as journal:
        record(journal)
        made = make_all(journal.store, NAME, STAY, 1, full=FULL)
        job, _ = start(tmp_path, journal, FakeClock(), rest=lambda _: True, messages_days=35, at="00:00")
        for _ in range(3):
            job.look()
        assert len(list(waiting(journal.store))) == len(made), "the journal is about to be closed"
        job.stop()


def test_what_was_archived_by_hand_is_told_by_the_next_service_once(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with only_service(path), Journal(path, site=NAME) as journal:
        record(journal)
        made = make_all(journal.store, NAME, STAY, 1, full=FULL)
        let_go(journal.store, 2)
        job, told = start(tmp_path, journal, FakeClock(), messages_days=35, at="00:00")
        job.look()
        assert told == [Entered("motewatch", "archived", f"archive/{each.name}", words(each)) for each in made]
        job.look()
        assert len(told) == len(made)
        job.stop()

        facts = [Audited(10**18, each.by, each.action, each.subject, each.detail) for each in told[:-1]]
        journal.commit(Batch(outputs=[(BY_TIME, each) for each in facts], engine_us=10**18))
        job, again = start(tmp_path, journal, FakeClock(), messages_days=35, at="00:00")
        job.look()
        job.stop()
        assert again == told[-1:]
        assert journal.verify() == []


def damaged(folder: Path) -> Path:
    path = sorted(folder.glob("*.parquet"))[0]
    data = bytearray(path.read_bytes())
    data[40] ^= 1
    path.write_bytes(data)
    return path


def no_manifest(folder: Path) -> Path:
    (folder / "put-in-000099.json").write_text("[")
    return folder / "put-in-000099.json"


def unreadable(folder: Path) -> Path:
    (folder / "put-in-000099.json").mkdir()
    return folder / "put-in-000099.json"


@pytest.mark.parametrize("spoil", [damaged, no_manifest, unreadable])
def test_a_file_that_is_of_no_use_is_told_set_aside_and_made_anew(
    tmp_path: Path, spoil: Callable[[Path], Path]
) -> None:
    path = tmp_path / "journal.db"
    with only_service(path), Journal(path, site=NAME) as journal:
        record(journal)
        before = everything(path)
        make_all(journal.store, NAME, STAY, 1, full=FULL)
        spoiled = spoil(folder_of(path))
        clock = FakeClock(2_000_000_000_000_000)
        job, told = start(tmp_path, journal, clock, messages_days=35, samples_days=35, at="00:00")
        job.look()
        job.look()
        failed = told[-1]
        assert (failed.action, failed.subject) == ("archive-failed", "archive")
        assert spoiled.name in failed.detail
        assert "Set aside, to be made anew: " in failed.detail
        assert not spoiled.exists()
        assert spoiled.with_name(spoiled.name + ASIDE).exists()
        assert waiting(journal.store) == []
        job.look()
        assert told[-1] is failed, "tried again after half an hour, not at every look"

        # However the clock is set meanwhile.
        clock.wall_us -= 400 * DAY_US
        clock.go(AGAIN_S)

        def archived() -> bool:
            job.look()
            assert [each.detail for each in told if each.action == "archive-failed"] == [failed.detail]
            return told[-1].action == "archived" and not is_leaving(journal.store)

        wait_until(archived, "archived rows to leave", 120)
        assert everything(path) == before
        assert journal.verify() == []
        job.stop()
