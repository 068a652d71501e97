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


def test_steps_of_a_time_and_the_last_before_it_of_each_alarm(tmp_path: Path) -> None:
    steps = [replace(STARTED, found_us=2), replace(OTHER, found_us=3), replace(RETURNED, found_us=10)]
    steps += [replace(NOTED, found_us=20), replace(STARTED, found_us=30)]
    with Journal(tmp_path / "journal.db") as journal:
        journal.commit(Batch(outputs=[(BY_TIME, out) for out in steps], engine_us=40))

        def found(since_us: int, until_us: int) -> list[tuple[str, int]]:
            return [(one.alarm, one.found_us) for one in journal.alarm_steps(since_us, until_us)]

        broker, clock = "service/broker", "service/clock"
        assert found(0, 100) == [(broker, 2), (clock, 3), (broker, 10), (broker, 20), (broker, 30)]
        assert found(20, 30) == [(clock, 3), (broker, 10), (broker, 20)]
        assert found(2, 3) == [(broker, 2)]
        first = journal.alarm_steps(0, 3)[0]
        assert (first.kind, first.priority, first.event) == (STARTED.kind, STARTED.priority, STARTED.event)
        assert (first.before, first.after, first.at_us) == (STARTED.before, STARTED.after, STARTED.at_us)
