"""Outgoing messages: their bytes, and that their words are those of the packages they come from."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone

import pytest
from pydantic import ValidationError

from motewatch.alarms.lifecycle import State
from motewatch.callout.records import Cause
from motewatch.engine.records import Priority
from motewatch.measure.samples import Quality
from motewatch.site.models import Occupancy
from motewatch.wire import examples, outgoing
from motewatch.wire.decode import decode
from motewatch.wire.messages import (
    AlarmEventMessage,
    AlarmMessage,
    CommandMessage,
    CountMessage,
    Counts,
    PresenceMessage,
    ReplyMessage,
    SampleChannel,
    SampleMessage,
    ServiceMessage,
    Span,
    instant,
)
from motewatch.wire.records import Reading, SetOccupancy
from motewatch.wire.topics import Topics

TOPICS = Topics("motewatch/v1", "demo")


def test_an_instant_is_exact() -> None:
    assert instant(0) == datetime(1970, 1, 1, tzinfo=UTC)
    assert instant(1_772_439_240_000_001) == datetime(2026, 3, 2, 8, 14, 0, 1, tzinfo=UTC)


def test_the_bytes_of_a_reply() -> None:
    message = ReplyMessage(id="c1", accepted=False, text="no such alarm: Tür", at=instant(1_772_439_240_000_000))
    expected = '{"v":1,"id":"c1","accepted":false,"text":"no such alarm: Tür","at":"2026-03-02T08:14:00Z"}'
    assert message.to_payload() == expected.encode()


def test_the_bytes_of_the_services_presence() -> None:
    message = ServiceMessage(site="demo", online=True, at=instant(1_772_439_240_500_000))
    assert message.to_payload() == b'{"v":1,"site":"demo","online":true,"at":"2026-03-02T08:14:00.500000Z"}'


def test_the_bytes_of_a_sample_without_air() -> None:
    message = SampleMessage(
        location="line-1",
        room="filling",
        start=instant(0),
        end=instant(60_000_000),
        revision=1,
        occupancy=Occupancy.AT_REST,
        coverage_pct=0,
        readings=0,
        sensors=(),
        quality=("missing",),
        channels=(SampleChannel(size_um=0.5, count=0, volume_l=0),),
        temperature_c=Span(mean=20.5, low=20, high=21),
    )
    assert message.to_payload() == (
        b'{"v":1,"location":"line-1","room":"filling","start":"1970-01-01T00:00:00Z","end":"1970-01-01T00:01:00Z",'
        b'"revision":1,"occupancy":"at-rest","coverage_pct":0.0,"readings":0,"sensors":[],"quality":["missing"],'
        b'"channels":[{"size_um":0.5,"count":0,"volume_l":0.0}],'
        b'"temperature_c":{"mean":20.5,"low":20.0,"high":21.0}}'
    )


def test_the_bytes_of_an_alarm_event() -> None:
    message = AlarmEventMessage(
        alarm="sensor/counter-01/silent",
        kind="sensor-silent",
        priority="medium",
        state="unacknowledged",
        since=instant(0),
        found=instant(1_000_000),
        text="counter-01 is silent",
        sensor="counter-01",
        event="starts",
        before="normal",
        after="unacknowledged",
        id="12-0",
    )
    assert message.to_payload() == (
        b'{"v":1,"alarm":"sensor/counter-01/silent","kind":"sensor-silent","priority":"medium",'
        b'"state":"unacknowledged","since":"1970-01-01T00:00:00Z","found":"1970-01-01T00:00:01Z",'
        b'"text":"counter-01 is silent","unit":"","sensor":"counter-01","late":false,"event":"starts",'
        b'"before":"normal","after":"unacknowledged","id":"12-0"}'
    )


def test_times_are_told_in_utc() -> None:
    berlin = datetime(2026, 3, 2, 9, 14, tzinfo=timezone(timedelta(hours=1)))
    assert b'"at":"2026-03-02T08:14:00Z"' in ServiceMessage(site="demo", online=True, at=berlin).to_payload()


def test_what_is_sent_reads_back_the_same() -> None:
    assert (
        json.loads(SampleMessage.model_validate_json(json.dumps(examples.SAMPLE[0])).to_payload())
        == (examples.SAMPLE[0])
    )
    alarm = {**examples.ALARM[0], "by": "j.doe", "comment": "seen"}
    assert json.loads(AlarmMessage.model_validate_json(json.dumps(alarm)).to_payload()) == alarm


def test_wrong_things_are_not_sent() -> None:
    good = {"site": "demo", "online": True}
    with pytest.raises(ValidationError, match="timezone"):
        ServiceMessage.model_validate({**good, "at": datetime(2026, 3, 2, 8, 14)})  # noqa: DTZ001
    with pytest.raises(ValidationError, match="valid datetime"):
        ServiceMessage.model_validate({**good, "at": 1_772_439_240_000_000})
    with pytest.raises(ValidationError, match="must be one of low, medium, high"):
        AlarmMessage.model_validate({**examples.ALARM[0], "since": instant(0), "found": instant(0), "priority": "top"})
    with pytest.raises(ValidationError, match="finite"):
        Span(mean=float("nan"), low=0, high=0)


def test_the_words_are_those_of_the_packages_that_mean_them() -> None:
    words = tuple(flag.name.lower().replace("_", "-") for flag in Quality if flag.name is not None)
    assert words == outgoing.QUALITY_WORDS
    assert tuple(state.value for state in State) == outgoing.STATE_WORDS
    assert tuple(priority.value for priority in Priority) == outgoing.PRIORITY_WORDS
    assert tuple(cause.value for cause in Cause) == outgoing.CAUSE_WORDS
    occupancy = CommandMessage.model_json_schema()["properties"]["occupancy"]["anyOf"][0]["enum"]
    assert occupancy == [state.value for state in Occupancy]


def test_incoming_messages_can_be_made_in_python_too() -> None:
    counts = CountMessage(
        v=1,
        sensor="counter-01",
        boot="b",
        seq=0,
        start=instant(1_000_000),
        duration_s=60,
        volume_l=28.3,
        counts=Counts(kind="cumulative", sizes_um=(0.5, 5.0), values=(3, 1)),
    )
    assert decode(TOPICS, TOPICS.counts("counter-01"), counts.to_payload()) == Reading(
        "counter-01", "b", 0, 1_000_000, 60_000_000, 28_300_000, (500, 5000), (3, 1)
    )
    back = CommandMessage(v=1, id="c1", command="set-occupancy", by="me", room="filling", occupancy=None)
    assert decode(TOPICS, TOPICS.command, back.to_payload()) == SetOccupancy("c1", "me", "filling", None)
    online = PresenceMessage(v=1, sensor="counter-01", boot="b", online=True, at=instant(0))
    assert online.to_payload() == (
        b'{"v":1,"sensor":"counter-01","boot":"b","online":true,"at":"1970-01-01T00:00:00Z"}'
    )
