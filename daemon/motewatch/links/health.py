"""Finds what `picture.health` judges: from the journal and its disk alone, beside a running service or without one."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import Future
from pathlib import Path
from threading import Thread
from typing import Final

from motewatch.alarms.lifecycle import STANDING, State
from motewatch.callout.records import Outcome
from motewatch.callout.roster import Roster
from motewatch.engine.plan import silent_us
from motewatch.engine.records import AlarmChanged
from motewatch.engine.subject import CHANNEL_PART, NOBODY_ALARM, OUT_OF_USE
from motewatch.journal.archives import archive_bytes
from motewatch.journal.heard import heard_since, newest_reading_us
from motewatch.journal.journal import Journal
from motewatch.links.backup_age import newest_backup, unread
from motewatch.picture.health import BackupFacts, Facts, Sign, Waiting
from motewatch.site.models import Site
from motewatch.site.targets import named_rotas
from motewatch.wire.records import DAY_US, HOUR_US, SECOND_US

_UNACKNOWLEDGED = (State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED)
_BROKER_KIND, _SERIES_KIND, _SILENT_KIND, _TEST_KIND, _BACKUP_KIND, _ARCHIVES_KIND = (
    "broker-down",
    "time-series-down",
    "sensor-silent",
    "callout-test",
    "backup-failed",
    "archives-failed",
)
MANY = 10_000


BACKUP_WAIT_S: Final = 3.0
"""So long the backup folder, which may be on another machine, has for its answer: the rest is worth more than that."""

Look = Callable[[Path, str, int], int | None]
"""(folder, site, now): the instant of the newest backup; raises `OSError`, or does not come back."""

SLACK_US = 10 * SECOND_US
"""A reading is on its way for so long at most, and so is what tells of it."""


def facts_of(
    journal: Journal,
    site: Site,
    base_dir: Path,
    process: str | None,
    sign: Sign | None,
    now_us: int,
    unseen: str = "",
    *,
    look: Look = newest_backup,
    backup_wait_s: float = BACKUP_WAIT_S,
) -> Facts:
    """`base_dir`: the site file's folder; `process`: of the service that runs on the journal, and its sign of life;
    `unseen`: why that could not be found out."""
    file = Path(journal.store.path)
    if process is not None and sign is not None:
        # What is on record goes by the service's time, also where it does not believe this machine's clock.
        now_us -= sign.clock_off_us
    events = journal.last_alarm_events()
    standing = [each for each in events if each.after in STANDING]
    # One that is over and not acknowledged yet still stands, and what it was about is in order; a hidden one may hold.
    holding = [each for each in events if each.holds]
    kinds = {change.kind for change in holding}
    out = [each for each in holding if each.alarm.startswith(OUT_OF_USE)]
    calls = journal.query_calls(since_us=now_us - DAY_US, limit=MANY)
    roster = Roster.of(site)
    on_call = {rota.id: roster.on_call(rota.id, now_us) for rota in named_rotas(site)}
    names = {person.id: person.name for person in site.persons}
    open_alarms = dict.fromkeys(("high", "medium", "low"), 0)
    for change in standing:
        if change.after in _UNACKNOWLEDGED:
            open_alarms[change.priority.value] += 1
    return Facts(
        now_us=now_us,
        process=process,
        unseen=unseen,
        sign=None if process is None else sign,
        last_reading_us=newest_reading_us(journal.store),
        engine_us=journal.engine_us(),
        journal_bytes=sum(part.stat().st_size for part in _parts(file)),
        free_bytes=shutil.disk_usage(file.parent).free,
        archive_bytes=archive_bytes(journal.store),
        first_input_us=journal.first_input_us(),
        fixed_sensors=sum(sensor.kind == "fixed" for sensor in site.sensors),
        silent_sensors=_silent(journal, site, holding, now_us),
        unusable=sum(each.received_us >= now_us - HOUR_US for each in journal.query_dead_letters(MANY)),
        waiting={sink: Waiting(*found) for sink, found in journal.backlogs().items()},
        broker_down=_BROKER_KIND in kinds,
        time_series_down=_SERIES_KIND in kinds,
        open_alarms=open_alarms,
        standing_alarms=len(standing),
        nobody_on_call=[rota for rota, persons in on_call.items() if not persons],
        on_call=sorted({names.get(person, person) for persons in on_call.values() for person in persons}),
        callout=bool(site.escalations),
        nobody_reached=any(change.alarm == NOBODY_ALARM for change in holding),
        calls=len(calls),
        failed_calls=sum(call.outcome in (Outcome.REFUSED, Outcome.GIVEN_UP) for call in calls),
        channels=len(site.channels),
        channels_out=sorted(change.alarm.removeprefix(OUT_OF_USE + CHANNEL_PART) for change in out if _channel(change)),
        parts_out=sorted(change.alarm.removeprefix(OUT_OF_USE) for change in out if not _channel(change)),
        backup=_backup(site, base_dir, kinds, now_us, look, backup_wait_s),
        archives_fail=_ARCHIVES_KIND in kinds,
        failing_tests=sorted(change.alarm for change in holding if change.kind == _TEST_KIND),
    )


def _silent(journal: Journal, site: Site, holding: Sequence[AlarmChanged], now_us: int) -> list[str]:
    """Fixed sensors of which nothing is on record for longer than they may be quiet, and those with an alarm of that.

    By the record and not by the alarms alone: these come when time has passed, and the service's may stand still."""
    may_be_quiet = {sensor.id: silent_us(sensor) + SLACK_US for sensor in site.sensors if sensor.kind == "fixed"}
    since_us = now_us - max(may_be_quiet.values(), default=0)
    heard = heard_since(journal.store, since_us, frozenset(may_be_quiet))
    told = {change.sensor for change in holding if change.kind == _SILENT_KIND}
    return [
        sensor
        for sensor, quiet_us in sorted(may_be_quiet.items())
        if sensor in told or heard.get(sensor, 0) < now_us - quiet_us
    ]


def _backup(
    site: Site, base_dir: Path, kinds: Collection[str], now_us: int, look: Look, wait_s: float
) -> BackupFacts | None:
    if site.backup is None:
        return None
    folder, failed = base_dir / site.backup.folder, _BACKUP_KIND in kinds
    told: Future[BackupFacts] = Future()

    def ask() -> None:
        try:
            told.set_result(BackupFacts(look(folder, site.site.id, now_us), failed, folder.is_dir()))
        except Exception as error:
            told.set_exception(error)

    # A thread of its own that nobody waits for at the end: on a disk that hangs it never ends.
    Thread(target=ask, name="backup-folder", daemon=True).start()
    try:
        return told.result(wait_s)
    except OSError as error:
        return BackupFacts(None, failed, unread=unread(error))


def _channel(change: AlarmChanged) -> bool:
    return change.alarm.startswith(OUT_OF_USE + CHANNEL_PART)


def _parts(file: Path) -> list[Path]:
    """The journal's file, and those that its database keeps beside it."""
    beside = [file, file.with_name(f"{file.name}-wal"), file.with_name(f"{file.name}-shm")]
    return [part for part in beside if part.exists()]
