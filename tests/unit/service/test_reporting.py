"""Reports by the clock: made once their time is over, made up for, mailed to a real server, and tried again."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from motewatch.engine.records import Entered
from motewatch.journal.journal import Journal
from motewatch.journal.reports import made_reports, mails_of
from motewatch.service.reporting import Reporting, mail_opener, ways
from motewatch.site.models import Site
from support.links_fakes import FakeClock
from support.mail import MailServer
from support.report_record import DAY, MINUTE, T0, commit, make_record, report_site

MORNING = DAY.end_us + 15 * MINUTE
DAY_US = 1440 * MINUTE


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("record") / "journal.db"
    make_record(path)
    return path


@pytest.fixture
def server() -> Iterator[MailServer]:
    with MailServer() as made:
        yield made


@dataclass
class Ground:
    """One site's reports, without the thread."""

    folder: Path
    journal: Journal
    clock: FakeClock
    port: int
    entered: list[Entered] = field(default_factory=list)

    def site(self, *schedules: dict[str, Any]) -> Site:
        made = report_site(reports=list(schedules))
        made["site"]["shifts"] = ["06:00", "14:00", "22:00"]
        made["channels"] = [
            {"id": "mail", "kind": "e-mail", "host": "127.0.0.1", "port": self.port, "tls": "none",
             "sender": "air@example.org"}
        ]  # fmt: skip
        made["persons"] = [
            {"id": "quinn", "name": "Quinn", "reach": [{"channel": "mail", "address": "quinn@example.org"}]}
        ]
        return Site.model_validate(made)

    def reporting(self, *schedules: dict[str, Any]) -> Reporting:
        """A service that has just started."""
        opener = mail_opener(self.folder, self.clock)
        return Reporting(self.site(*schedules), self.journal, self.entered.append, opener, self.clock)

    def work(self, reporting: Reporting) -> None:
        """All there is to do at this moment."""
        while reporting.look():
            continue

    def starts(self) -> list[int]:
        """The reports that there are, oldest first: days from the first."""
        return [(made.start_us - T0) // DAY_US for _, made in reversed(made_reports(self.journal.store))]


@pytest.fixture
def ground(record: Path, tmp_path: Path, server: MailServer) -> Iterator[Ground]:
    shutil.copy(record, tmp_path / "journal.db")
    with Journal(tmp_path / "journal.db", site="testing") as journal:
        yield Ground(tmp_path, journal, FakeClock(MORNING - 1), server.port)


DAILY = {"id": "daily", "kind": "day", "mail_to": ["quinn", "qa@example.org"], "formats": ["pdf", "json"]}


def test_a_day_is_reported_once_it_is_over_and_mailed(ground: Ground, server: MailServer) -> None:
    reporting = ground.reporting(DAILY)
    assert not reporting.look()
    ground.clock.wall_us = MORNING
    ground.work(reporting)
    assert ground.starts() == [0]
    assert [mail["To"] for mail in server.mails] == ["quinn@example.org", "qa@example.org"]
    mail = server.mails[0]
    (_, made), *_ = made_reports(ground.journal.store)
    body = mail.get_body()
    assert body is not None
    text = body.get_content()
    assert "- Locations without any data: Door side" in text
    assert made.hash in text
    files = {part.get_filename(): part.get_payload(decode=True) for part in mail.iter_attachments()}
    assert [*files] == [f"{made.id}.pdf", f"{made.id}.json"]
    assert bytes(files[f"{made.id}.pdf"] or b"").startswith(b"%PDF")
    assert [each.action for each in ground.entered] == ["report-made", "report-mailed", "report-mailed"]
    # The same again is neither made nor mailed, also not by the next service.
    ground.work(ground.reporting(DAILY))
    assert len(server.mails) == 2


def test_missed_days_are_made_up_for_oldest_first(ground: Ground) -> None:
    ground.clock.wall_us = MORNING
    schedule = {"id": "daily", "kind": "day"}
    ground.work(ground.reporting(schedule))
    commit(ground.journal, [], MORNING + 3 * DAY_US)
    ground.clock.wall_us = MORNING + 3 * DAY_US
    ground.work(ground.reporting(schedule))
    assert ground.starts() == [0, 1, 2, 3]


def test_a_record_that_is_behind_is_waited_for(ground: Ground) -> None:
    schedule = {"id": "daily", "kind": "day"}
    ground.clock.wall_us = MORNING + DAY_US
    ground.work(ground.reporting(schedule))
    assert ground.starts() == []
    ground.clock.wall_us = MORNING + DAY_US + 360 * MINUTE
    ground.work(ground.reporting(schedule))
    assert ground.starts() == [1]


def test_a_mail_that_is_not_taken_is_tried_again_and_its_end_is_on_record(ground: Ground, server: MailServer) -> None:
    server.refuse = {"quinn@example.org": "451 later", "qa@example.org": "550 no such user"}
    ground.clock.wall_us = MORNING
    reporting = ground.reporting(DAILY)
    ground.work(reporting)
    assert server.mails == []
    assert [each.action for each in ground.entered] == ["report-made", "report-mail-failed"]
    assert "qa@example.org" in ground.entered[1].detail
    assert "550 no such user" in ground.entered[1].detail
    server.refuse = {}
    ground.work(reporting)
    assert server.mails == []
    ground.clock.go(60)
    ground.work(reporting)
    assert [mail["To"] for mail in server.mails] == ["quinn@example.org"]
    assert ground.entered[-1].detail == "to quinn@example.org over mail, try 2"
    (_, made), *_ = made_reports(ground.journal.store)
    assert [(each.address, each.sent, each.attempts) for each in mails_of(ground.journal.store, made.id)] == [
        ("qa@example.org", False, 1),
        ("quinn@example.org", True, 2),
    ]


def test_a_mail_is_given_up_after_a_day(ground: Ground, server: MailServer) -> None:
    server.refuse = {"qa@example.org": "451 later"}
    ground.clock.wall_us = MORNING
    reporting = ground.reporting({"id": "daily", "kind": "day", "mail_to": ["qa@example.org"]})
    for _ in range(40):
        ground.work(reporting)
        ground.clock.go(3600)
    assert [each.action for each in ground.entered][:2] == ["report-made", "report-mail-failed"]
    (_, made), *_ = reversed(made_reports(ground.journal.store))
    (mail,) = mails_of(ground.journal.store, made.id)
    assert 20 < mail.attempts < 32


def test_a_time_before_the_record_is_no_failure(ground: Ground) -> None:
    ground.clock.wall_us = T0 - 59 * MINUTE
    ground.work(ground.reporting({"id": "daily", "kind": "day"}))
    assert (ground.starts(), ground.entered) == ([], [])


def test_shifts_of_a_room(ground: Ground) -> None:
    ground.clock.wall_us = T0 + (14 * 60 + 15) * MINUTE
    ground.work(ground.reporting({"id": "s", "kind": "shift", "rooms": ["fill"]}))
    ((_, made),) = made_reports(ground.journal.store)
    assert (made.start_us, made.end_us) == (T0 + 360 * MINUTE, T0 + 840 * MINUTE)


def test_a_report_at_its_time_of_day(ground: Ground) -> None:
    reporting = ground.reporting({"id": "d", "kind": "day", "at": "07:30"})
    ground.clock.wall_us = DAY.end_us + 449 * MINUTE
    assert not reporting.look()
    ground.clock.wall_us = DAY.end_us + 450 * MINUTE
    assert reporting.look()


def test_what_cannot_be_made_is_told_once(ground: Ground) -> None:
    ground.clock.wall_us = MORNING
    reporting = ground.reporting({"id": "d", "kind": "day", "locations": ["gone"]}, DAILY)
    site = ground.site({"id": "d", "kind": "day", "rooms": ["nowhere"]})
    assert ways(site, site.reports[0]) == []
    # No location is left of it: told, and the next schedule is not held up.
    ground.work(reporting)
    assert [each.action for each in ground.entered][:2] == ["report-failed", "report-made"]
    assert [each.action for each in ground.entered].count("report-failed") == 1


def test_the_thread_ends_when_it_is_told(ground: Ground) -> None:
    reporting = ground.reporting(DAILY)
    reporting.start()
    reporting.know(ground.site())
    reporting.stop(5.0)
    assert reporting.job.name == "reports"
