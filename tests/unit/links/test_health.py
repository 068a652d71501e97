"""Is the service well, asked of real journals: what is over is over, what is hidden may hold, time may stand still."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from motewatch.engine.records import Link, LinkChanged
from motewatch.journal.rows import Batch, InputRow
from motewatch.links.health import Look, facts_of
from motewatch.links.publications import iso
from motewatch.picture.health import Answer, BackupFacts, Sign, findings
from motewatch.service.writer import Posted
from motewatch.site.models import Site
from motewatch.wire.records import HOUR_US, SECOND_US
from support.facility import T0
from support.manifests import backup
from support.writer_bench import TOPICS, Bench, Step, count, delivery, event

S = SECOND_US
READINGS, KEPT, GO_ON, BACKUPS = (
    "Do readings come in?",
    "Are they kept?",
    "Do they go on?",
    "Are backups made?",
)


class Night:
    """A service whose messages come as the test says, and its journal."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._steps: list[Step] = []
        self._at_us = T0
        self._seq = 0

    def goes(self, seconds: int, *sensors: str) -> Night:
        """Time passes, ten seconds at a time, while these sensors are heard."""
        for _ in range(seconds // 10):
            self._at_us += 10 * S
            self._seq += 1
            self._steps.append(lambda: self.bench.clock.go(10))
            self._steps += [count(sensor, self._seq, self._at_us) for sensor in sensors]
        return self

    def says(self, word: str, **more: Any) -> Night:
        """A person's command."""
        body = {"v": 1, "id": f"c-{len(self._steps)}", "command": word, "by": "ada", "comment": "being mended", **more}
        self._steps.append(delivery(TOPICS.command, json.dumps(body).encode(), 9_000 + len(self._steps), self._at_us))
        return self

    def hears(self, *steps: Step) -> Night:
        """Anything else."""
        self._steps += steps
        return self

    def asked(
        self, later_s: int = 0, sign: Callable[[int], Sign | None] | None = None, process: str | None = "812"
    ) -> dict[str, tuple[Answer, str]]:
        """The night is played, and then it is asked; the service's last sign of life is from its end."""
        self.bench.run_script(event("up"), event("drained"), *self._steps)
        self._steps.clear()
        ended_us = self.bench.clock.now_us()
        given = Sign(ended_us, ended_us, ended_us, connected=True) if sign is None else sign(ended_us)
        site = Site.model_validate(self.bench.site)
        facts = facts_of(self.bench.journal, site, self.bench.path.parent, process, given, ended_us + later_s * S)
        return {each.question: (each.answer, each.text) for each in findings(facts, ZoneInfo("UTC"))}


@pytest.fixture
def night(tmp_path: Path) -> Iterator[Night]:
    with Bench(tmp_path / "journal.db") as bench:
        yield Night(bench)


def test_before_anything_was_ever_sent_nobody_is_heard(night: Night) -> None:
    answer, text = night.asked()[READINGS]
    assert (answer, text) == (Answer.CANNOT_TELL, "nothing has ever come")


def test_what_cannot_be_used_is_no_reading(night: Night) -> None:
    night.hears(delivery(TOPICS.counts("pc-1"), b"{", 1, T0), count("pc-9", 0, T0 + S))
    assert night.asked()[READINGS] == (Answer.CANNOT_TELL, "nothing has ever come")


def test_a_sensor_that_never_came_is_not_heard_although_no_alarm_says_so_yet(night: Night) -> None:
    answer, text = night.goes(10, "pc-1").asked()[READINGS]
    assert answer is Answer.SEE_TO
    assert text.startswith("1 of 2 fixed sensors are heard, silent: pc-2; newest ")


def test_a_sensor_whose_connection_is_gone_is_silent_at_once(night: Night) -> None:
    will = {"v": 1, "sensor": "pc-1", "boot": "boot-1", "online": False, "at": "2026-05-28T20:27:00Z"}
    gone = json.dumps(will).encode()
    night.goes(60, "pc-1", "pc-2").hears(delivery(TOPICS.presence("pc-1"), gone, 8_000, T0 + 60 * S))
    answer, text = night.asked()[READINGS]
    assert (answer, text.partition(";")[0]) == (Answer.SEE_TO, "1 of 2 fixed sensors are heard, silent: pc-1")


def test_all_are_heard(night: Night) -> None:
    answer, text = night.goes(60, "pc-1", "pc-2").asked()[READINGS]
    assert (answer, text.partition(";")[0]) == (Answer.WELL, "2 of 2 fixed sensors are heard")


def test_silence_is_over_with_the_next_reading_whether_or_not_anybody_has_acknowledged(night: Night) -> None:
    night.goes(300, "pc-2").goes(20, "pc-1", "pc-2")
    answer, text = night.asked()[READINGS]
    (change,) = [each for each in night.bench.journal.standing_alarms() if each.kind == "sensor-silent"]
    assert change.after.value == "returned-unacknowledged"
    assert (answer, text.partition(";")[0]) == (Answer.WELL, "2 of 2 fixed sensors are heard")


def shelve(night: Night) -> Night:
    """For two hours."""
    return night.says("shelve", alarm="sensor/pc-1/silent", until=iso_later(night.bench))


def iso_later(bench: Bench) -> str:
    """In two hours."""
    return iso(bench.clock.now_us() + 2 * HOUR_US)


def take_out(night: Night) -> Night:
    """Under a permit."""
    return night.says("remove-from-service", alarm="sensor/pc-1/silent", permit="WP-7")


@pytest.mark.parametrize(("hide", "state"), [(shelve, "shelved"), (take_out, "out-of-service")])
def test_a_silent_sensor_is_not_heard_because_its_alarm_is_hidden(
    night: Night, hide: Callable[[Night], Night], state: str
) -> None:
    hide(night.goes(300, "pc-2")).goes(60, "pc-2")
    answer, text = night.asked()[READINGS]
    (change,) = [each for each in night.bench.journal.hidden_alarms() if each.kind == "sensor-silent"]
    assert (change.after.value, change.holds) == (state, True)
    assert answer is Answer.SEE_TO
    assert text.startswith("1 of 2 fixed sensors are heard, silent: pc-1")


def test_a_hidden_alarm_whose_condition_is_over_says_nothing(night: Night) -> None:
    shelve(night.goes(300, "pc-2")).goes(60, "pc-1", "pc-2")
    answer, _ = night.asked()[READINGS]
    (change,) = [each for each in night.bench.journal.hidden_alarms() if each.kind == "sensor-silent"]
    assert change.holds is False
    assert answer is Answer.WELL


def test_links_that_are_back_are_back_whether_or_not_anybody_has_acknowledged(night: Night) -> None:
    night.goes(10, "pc-1", "pc-2")
    for link in (Link.BROKER, Link.TIME_SERIES):
        night.hears(Posted(LinkChanged(link, False, T0, "refused")))
    night.goes(10, "pc-1", "pc-2")
    for link in (Link.BROKER, Link.TIME_SERIES):
        night.hears(Posted(LinkChanged(link, True, T0 + 20 * S)))
    told = night.goes(10, "pc-1", "pc-2").asked(sign=lambda at_us: None)
    standing = {each.kind: each.after.value for each in night.bench.journal.standing_alarms()}
    assert standing["broker-down"] == standing["time-series-down"] == "returned-unacknowledged"
    assert told[READINGS][0] is Answer.WELL
    assert told[GO_ON][0] is Answer.WELL


def test_links_that_are_down_are_down_also_where_their_alarms_are_shelved(night: Night) -> None:
    night.goes(10, "pc-1", "pc-2")
    for link, alarm in ((Link.BROKER, "service/broker"), (Link.TIME_SERIES, "service/time-series")):
        night.hears(Posted(LinkChanged(link, False, T0, "refused")))
        night.says("shelve", alarm=alarm, until=iso_later(night.bench))
    told = night.asked(sign=lambda at_us: None)
    assert {each.kind for each in night.bench.journal.hidden_alarms()} == {"broker-down", "time-series-down"}
    assert (told[READINGS][0], told[READINGS][1].partition(";")[0]) == (Answer.NOT_WELL, "the broker is not reached")
    assert told[GO_ON][0] is Answer.SEE_TO


def test_a_record_that_stalls_is_never_well_and_nobody_says_that_readings_come_in(night: Night) -> None:
    told = night.goes(60, "pc-1", "pc-2").asked(later_s=69)
    assert told["Does the service run?"][0] is Answer.NOT_WELL
    assert told[READINGS][0] is Answer.CANNOT_TELL
    assert "the service hangs; newest " in told[READINGS][1]
    assert told[KEPT][0] is Answer.NOT_WELL


def test_without_a_sign_of_life_the_record_itself_tells_that_it_stalls(night: Night) -> None:
    told = night.goes(60, "pc-1", "pc-2").asked(later_s=3 * 3600, sign=lambda at_us: None)
    assert {each: told[each][0] for each in (READINGS, KEPT)} == {READINGS: Answer.CANNOT_TELL, KEPT: Answer.NOT_WELL}


def test_a_service_that_is_started_after_hours_does_not_find_its_sensors_heard(night: Night) -> None:
    """The engine has not moved yet, so no alarm tells; the sign of life is new."""
    later_us = 2 * HOUR_US
    told = night.goes(60, "pc-1", "pc-2").asked(
        later_s=7200, sign=lambda at_us: Sign(at_us + later_us, at_us + later_us, at_us, connected=True)
    )
    assert told[READINGS][0] is Answer.NOT_WELL
    assert told[READINGS][1].startswith("0 of 2 fixed sensors are heard, silent: pc-1, pc-2; newest 119 min ago")
    assert told[KEPT][0] is Answer.SEE_TO


def test_the_record_goes_by_the_services_time_where_it_doubts_this_machines_clock(night: Night) -> None:
    ahead_us = 24 * HOUR_US
    told = night.goes(60, "pc-1", "pc-2").asked(
        later_s=24 * 3600, sign=lambda at_us: Sign(at_us + ahead_us, at_us, at_us, connected=True)
    )
    assert told["Does the service run?"][0] is Answer.SEE_TO
    assert "clock is 24 h 00 min ahead of" in told["Does the service run?"][1]
    assert (told[READINGS][0], told[KEPT][0]) == (Answer.WELL, Answer.WELL)


def test_readings_are_found_behind_many_rows_that_are_none(night: Night) -> None:
    night.goes(10, "pc-1", "pc-2").asked()
    at_us = night.bench.clock.now_us()
    rows = [InputRow(0, "refused", at_us, at_us, "", b"[]") for _ in range(2_500)]
    night.bench.journal.commit(Batch(inputs=rows, engine_us=at_us))
    facts = facts_of(
        night.bench.journal, Site.model_validate(night.bench.site), night.bench.path.parent, "812", None, at_us + S
    )
    assert facts.silent_sensors == []
    assert facts.last_reading_us is not None


def test_backups_are_asked_for_where_the_site_makes_some(night: Night) -> None:
    assert BACKUPS not in night.asked()
    night.bench.site["backup"] = {"folder": "backups"}
    assert night.asked()[BACKUPS] == (Answer.SEE_TO, "the backup folder is not there")
    folder = night.bench.path.parent / "backups"
    folder.mkdir()
    assert night.asked()[BACKUPS] == (Answer.SEE_TO, "there is none")
    backup(folder, T0 - 3 * HOUR_US, night.bench.site["site"]["id"])
    assert night.asked()[BACKUPS] == (Answer.WELL, "the newest is 3 h 00 min old")
    assert night.asked(later_s=34 * 3600)[BACKUPS] == (Answer.SEE_TO, "the newest is 37 h 00 min old")
    night.hears(Posted(LinkChanged(Link.BACKUP, False, T0, "no room")))
    night.hears(Posted(LinkChanged(Link.ARCHIVES, False, T0, "no room")))
    told = night.asked()
    assert told[BACKUPS] == (Answer.SEE_TO, "the last try failed; the newest is 3 h 00 min old")
    assert told[KEPT][0] is Answer.SEE_TO
    assert "archives could not be made" in told[KEPT][1]
    night.hears(Posted(LinkChanged(Link.BACKUP, True, T0)), Posted(LinkChanged(Link.ARCHIVES, True, T0)))
    told = night.asked()
    assert (told[BACKUPS][0], told[KEPT][0]) == (Answer.WELL, Answer.WELL)


def test_a_backup_folder_that_hangs_or_fails_holds_nothing_up(night: Night) -> None:
    night.bench.site["backup"] = {"folder": "backups"}
    site, at_us = Site.model_validate(night.bench.site), night.bench.clock.now_us()
    over = Event()

    def asked(look: Look, wait_s: float) -> BackupFacts | None:
        journal, folder = night.bench.journal, night.bench.path.parent
        return facts_of(journal, site, folder, "812", None, at_us, look=look, backup_wait_s=wait_s).backup

    def hangs(folder: Path, name: str, now_us: int) -> int | None:
        over.wait()
        return now_us

    def fails(folder: Path, name: str, now_us: int) -> int | None:
        raise OSError(5, "Input/output error", str(folder))

    try:
        found = asked(hangs, 0.05)
    finally:
        over.set()
    assert found == BackupFacts(None, unread="the backup folder does not answer: is its disk there?")
    found = asked(fails, 60)
    assert found is not None
    assert found.unread.endswith("backups cannot be read: Input/output error"), "that is not for want of a right"
