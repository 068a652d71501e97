"""The last word on each alarm."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import AlarmChanged, Priority
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch

STARTED = AlarmChanged(
    "service/broker",
    "broker-down",
    Priority.HIGH,
    Event.STARTS,
    State.NORMAL,
    State.UNACKNOWLEDGED,
    1,
    2,
    "away",
)
RETURNED = replace(
    STARTED, event=Event.RETURNS, before=State.UNACKNOWLEDGED, after=State.RETURNED_UNACKNOWLEDGED, at_us=3
)
NOTED = replace(STARTED, event=Event.ACKNOWLEDGE, before=State.RETURNED_UNACKNOWLEDGED, after=State.NORMAL, at_us=4)
OTHER = replace(STARTED, alarm="service/clock")


def test_the_last_event_of_each_alarm_and_those_that_stand(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.db") as journal:
        journal.commit(Batch(outputs=[(BY_TIME, out) for out in (STARTED, OTHER, RETURNED)], engine_us=5))
        assert journal.last_alarm_events() == [OTHER, RETURNED]
        assert journal.standing_alarms() == [OTHER, RETURNED]
        journal.commit(Batch(outputs=[(BY_TIME, NOTED)], engine_us=6))
        assert journal.last_alarm_events() == [OTHER, NOTED]
        assert journal.standing_alarms() == [OTHER]
