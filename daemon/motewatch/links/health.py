"""Finds what `picture.health` judges: from the journal and its disk alone, beside a running service or without one."""

from __future__ import annotations

import shutil
from pathlib import Path

from motewatch.alarms.lifecycle import HIDDEN, State
from motewatch.callout.records import Outcome
from motewatch.callout.roster import Roster
from motewatch.engine.records import AlarmChanged
from motewatch.engine.subject import CHANNEL_PART, NOBODY_ALARM, OUT_OF_USE
from motewatch.journal.archives import archive_bytes
from motewatch.journal.journal import Journal
from motewatch.picture.health import Facts, Waiting
from motewatch.site.models import Site
from motewatch.site.targets import named_rotas
from motewatch.wire.records import DAY_US, HOUR_US

_ACTIVE = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
_UNACKNOWLEDGED = (State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED)
_BROKER_KIND, _SERIES_KIND, _SILENT_KIND, _TEST_KIND = (
    "broker-down",
    "time-series-down",
    "sensor-silent",
    "callout-test",
)
MANY = 10_000


def facts_of(journal: Journal, site: Site, file: Path, process: str | None, now_us: int) -> Facts:
    """`file`: the journal's; `process`: of the service that runs on it."""
    standing = journal.standing_alarms()
    kinds = {change.kind for change in standing}
    # One that is over and not acknowledged yet still stands; its part is in use.
    out = [each for each in standing if each.alarm.startswith(OUT_OF_USE) and each.after in (*_ACTIVE, *HIDDEN)]
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
        last_input_us=journal.last_input_us(),
        engine_us=journal.engine_us(),
        journal_bytes=sum(part.stat().st_size for part in _parts(file)),
        free_bytes=shutil.disk_usage(file.parent).free,
        archive_bytes=archive_bytes(journal.store),
        first_input_us=journal.first_input_us(),
        fixed_sensors=sum(sensor.kind == "fixed" for sensor in site.sensors),
        silent_sensors=sorted({change.sensor for change in standing if change.kind == _SILENT_KIND and change.sensor}),
        unusable=sum(each.received_us >= now_us - HOUR_US for each in journal.query_dead_letters(MANY)),
        waiting={sink: Waiting(*found) for sink, found in journal.backlogs().items()},
        broker_down=_BROKER_KIND in kinds,
        time_series_down=_SERIES_KIND in kinds,
        open_alarms=open_alarms,
        standing_alarms=len(standing),
        nobody_on_call=[rota for rota, persons in on_call.items() if not persons],
        on_call=sorted({names.get(person, person) for persons in on_call.values() for person in persons}),
        callout=bool(site.escalations),
        nobody_reached=any(change.alarm == NOBODY_ALARM for change in standing),
        calls=len(calls),
        failed_calls=sum(call.outcome in (Outcome.REFUSED, Outcome.GIVEN_UP) for call in calls),
        channels=len(site.channels),
        channels_out=sorted(change.alarm.removeprefix(OUT_OF_USE + CHANNEL_PART) for change in out if _channel(change)),
        parts_out=sorted(change.alarm.removeprefix(OUT_OF_USE) for change in out if not _channel(change)),
        failing_tests=sorted(change.alarm for change in standing if change.kind == _TEST_KIND),
    )


def _channel(change: AlarmChanged) -> bool:
    return change.alarm.startswith(OUT_OF_USE + CHANNEL_PART)


def _parts(file: Path) -> list[Path]:
    """The journal's file, and those that its database keeps beside it."""
    beside = [file, file.with_name(f"{file.name}-wal"), file.with_name(f"{file.name}-shm")]
    return [part for part in beside if part.exists()]
