"""Small hand-made records for tests of the journal. Times are small integers, so that a test reads at a glance."""

from __future__ import annotations

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import AlarmChanged, Audited, Priority, SampleTaken
from motewatch.journal.rows import Batch, InputRow, OutboxRow
from motewatch.measure.samples import Channel, Quality, Sample
from motewatch.wire.records import Reading


def reading_row(seq: int, sensor: str = "s1", boot: str = "b1", at_us: int = 0) -> InputRow:
    """A reading's input; it starts at `seq * 60`."""
    topic = f"motewatch/site/counts/{sensor}"
    payload = f"{sensor} {boot} {seq}".encode()
    return InputRow(0, "reading", at_us, at_us, topic, payload, sensor, boot, seq, start_us=seq * 60)


def reading(seq: int, sensor: str = "s1", boot: str = "b1") -> Reading:
    """The reading of `reading_row`."""
    return Reading(sensor, boot, seq, seq * 60, 60, 1_000_000, (500,), (7,))


def plain_row(kind: str = "command", payload: bytes = b"{}") -> InputRow:
    """An input that is no reading."""
    return InputRow(0, kind, 0, 0, "motewatch/site/command", payload)


def sample(end_us: int = 60, revision: int = 1, location: str = "l1", count: int = 7) -> Sample:
    """A sample of one minute of microseconds, ending at `end_us`."""
    return Sample(
        location=location,
        start_us=end_us - 60,
        end_us=end_us,
        revision=revision,
        channels=(Channel(500, count, 28_300_000), Channel(5000, 0, 28_300_000)),
        sampled_us=60,
        readings=1,
        sensors=("s1",),
        quality=Quality.GOOD,
        occupancy="operational",
    )


def taken(end_us: int = 60, revision: int = 1, location: str = "l1", count: int = 7) -> SampleTaken:
    """The output that carries `sample`."""
    return SampleTaken(sample(end_us, revision, location, count))


def alarm(
    after: State = State.UNACKNOWLEDGED,
    alarm_id: str = "level/l1/500/action",
    at_us: int = 60,
    event: Event = Event.STARTS,
    before: State = State.NORMAL,
) -> AlarmChanged:
    """One step of one alarm."""
    return AlarmChanged(
        alarm=alarm_id,
        kind="action-level",
        priority=Priority.HIGH,
        event=event,
        before=before,
        after=after,
        at_us=at_us,
        found_us=at_us + 5,
        text="3600 per m3 exceed 3520",
        value=3600.5,
        limit=3520.0,
        unit="per m3",
        location="l1",
        room="r1",
    )


def fact(action: str = "acknowledge", at_us: int = 60, detail: str = "seen “it” \n") -> Audited:
    """A fact for the audit trail; the detail has what trips naive text handling."""
    return Audited(at_us=at_us, by="op-7", action=action, subject="level/l1/500/action", detail=detail)


def outbox_row(key: str, sink: str = "mqtt", next_try_us: int = 0, payload: bytes = b"{}") -> OutboxRow:
    """Something to tell."""
    return OutboxRow(0, sink, key, f"motewatch/site/{key}", payload, False, next_try_us, 0, next_try_us)


def one_of_each() -> Batch:
    """A batch that touches every table."""
    return Batch(
        inputs=[reading_row(1), plain_row()],
        outputs=[(0, taken()), (0, alarm()), (1, fact())],
        outbox=[outbox_row("sample/1"), outbox_row("sample/1", "time-series")],
        engine_us=100,
    )
