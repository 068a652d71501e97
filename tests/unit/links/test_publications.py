"""Outputs of the engine as outbox rows: topics, retention, keys, and agreement with the models of the wire."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.codec import output_from
from motewatch.engine.records import AlarmChanged, Audited, Output, Priority, Repeated, Replied, SampleTaken, Turned
from motewatch.links.publications import Directory, Publications, iso, presence_of, quality_words, sample_payload
from motewatch.links.time_series import malformed
from motewatch.measure.samples import Channel, Quality, Sample, Spread
from motewatch.site.models import Site
from motewatch.wire.messages import AlarmEventMessage, AlarmMessage, ReplyMessage, SampleMessage, ServiceMessage
from motewatch.wire.outgoing import QUALITY_WORDS
from motewatch.wire.records import Refusal, RefusalReason
from motewatch.wire.topics import Topics
from support.calls import CALL
from support.facility import site_dict

TOPICS = Topics("motewatch/v1", "testing")
END_US = 1_780_000_080_000_000
NOW_US = END_US + 2_000_000

SAMPLE = Sample(
    location="fill-1",
    start_us=END_US - 60_000_000,
    end_us=END_US,
    revision=1,
    channels=(Channel(500, 100, 28_300_000), Channel(5000, 0, 28_300_000)),
    sampled_us=60_000_000,
    readings=6,
    sensors=("pc-1",),
    quality=Quality.GOOD,
    occupancy="operational",
    temperature=Spread(6, 129_000, 21_000, 22_000),
)
RAISED = AlarmChanged(
    alarm="location/fill-1/action/500",
    kind="action",
    priority=Priority.HIGH,
    event=Event.STARTS,
    before=State.NORMAL,
    after=State.UNACKNOWLEDGED,
    at_us=END_US,
    found_us=NOW_US,
    text="too many",
    value=3533.6,
    limit=3520.0,
    unit="1/m3",
    location="fill-1",
)


def publications(*, time_series: bool = True) -> Publications:
    return Publications(TOPICS, Directory.of(Site.model_validate(site_dict())), time_series=time_series)


def test_a_sample_goes_to_both_sinks_under_one_key() -> None:
    message, points = publications().rows([SampleTaken(SAMPLE)], NOW_US)
    assert message.sink == "mqtt"
    assert points.sink == "time-series"
    assert message.key == points.key == f"sample/fill-1/{END_US}/1"
    assert message.topic == "motewatch/v1/testing/sample/fill-1"
    assert message.retain
    assert (message.created_us, message.attempts, message.next_try_us) == (NOW_US, 0, 0)
    parsed = SampleMessage.model_validate_json(message.payload)
    assert (parsed.room, parsed.revision, parsed.coverage_pct) == ("fill", 1, 100.0)
    assert [channel.count for channel in parsed.channels] == [100, 0]
    assert parsed.channels[0].per_m3 == pytest.approx(100 / 0.0283)
    assert parsed.channels[1].upper_95_per_m3 == pytest.approx(3.68888 / 0.0283, rel=1e-5)  # -ln(0.025) counts
    assert parsed.temperature_c is not None
    assert (parsed.temperature_c.mean, parsed.temperature_c.low, parsed.temperature_c.high) == (21.5, 21.0, 22.0)
    assert malformed(points.payload) is None
    assert points.payload.startswith(b"sample,site=testing,room=fill,location=fill-1 ")


def test_without_a_time_series_server_there_are_no_points() -> None:
    rows = publications(time_series=False).rows([SampleTaken(SAMPLE), RAISED], NOW_US)
    assert {row.sink for row in rows} == {"mqtt", "mqtt-alarms"}


def test_alarms_and_answers_have_a_queue_of_their_own() -> None:
    rows = publications(time_series=False).rows([SampleTaken(SAMPLE), RAISED, Replied("c-1", True, "done")], NOW_US)
    assert [row.sink for row in rows] == ["mqtt", "mqtt-alarms", "mqtt-alarms", "mqtt-alarms"]


spreads = st.one_of(st.none(), st.builds(Spread, st.integers(1, 100), *[st.integers(-90_000, 150_000)] * 3))


@given(
    st.lists(st.tuples(st.integers(50, 100_000), st.integers(0, 10**9), st.integers(0, 10**9)), max_size=8),
    st.integers(0, 255),
    st.integers(0, 60_000_000),
    spreads,
    spreads,
    spreads,
)
def test_the_fast_way_writes_what_the_model_would(
    channels: list[tuple[int, int, int]],
    quality: int,
    sampled_us: int,
    temperature: Spread | None,
    humidity: Spread | None,
    pressure: Spread | None,
) -> None:
    made = replace(
        SAMPLE,
        channels=tuple(Channel(*channel) for channel in channels),
        quality=Quality(quality),
        sampled_us=sampled_us,
        temperature=temperature,
        humidity=humidity,
        pressure=pressure,
    )
    payload = sample_payload(made, "fill")
    assert json.loads(SampleMessage.model_validate_json(payload).to_payload()) == json.loads(payload)


def test_every_quality_flag_has_the_word_of_the_wire() -> None:
    assert quality_words(sum(Quality)) == QUALITY_WORDS
    assert quality_words(0) == ()


@pytest.mark.parametrize(
    ("us", "text"),
    [
        (0, "1970-01-01T00:00:00Z"),
        (1_780_000_020_000_000, "2026-05-28T20:27:00Z"),
        (1_780_000_020_250_000, "2026-05-28T20:27:00.250000Z"),
    ],
)
def test_instants_are_utc_with_z(us: int, text: str) -> None:
    assert iso(us) == text


def test_a_late_revision_does_not_stand_as_the_present_sample() -> None:
    made = publications(time_series=False)
    later = replace(SAMPLE, start_us=END_US, end_us=END_US + 60_000_000)
    late = replace(SAMPLE, revision=2)
    rows = made.rows([SampleTaken(SAMPLE), SampleTaken(later), SampleTaken(late)], NOW_US)
    assert [row.retain for row in rows] == [True, True, False]
    (amended,) = made.rows([SampleTaken(replace(later, revision=2))], NOW_US)
    assert amended.retain, "a revision of the latest period is the present sample"


def test_after_a_start_a_revision_is_not_taken_for_the_latest() -> None:
    (row,) = publications(time_series=False).rows([SampleTaken(replace(SAMPLE, revision=2))], NOW_US)
    assert not row.retain


def test_a_step_of_an_alarm_is_a_retained_state_an_event_and_a_point() -> None:
    state, event, point = publications().rows([RAISED], NOW_US)
    assert state.topic == "motewatch/v1/testing/alarm/location/fill-1/action/500"
    assert state.retain
    now = AlarmMessage.model_validate_json(state.payload)
    assert (now.state, now.room, now.area, now.value, now.limit) == ("unacknowledged", "fill", "north", 3533.6, 3520.0)
    assert event.topic == "motewatch/v1/testing/event"
    assert not event.retain
    step = AlarmEventMessage.model_validate_json(event.payload)
    assert (step.event, step.before, step.after) == ("starts", "normal", "unacknowledged")
    assert step.id in event.key
    assert b'"by"' not in event.payload
    assert point.payload.endswith(f"active=1i {END_US}".encode())


def test_an_alarm_that_is_normal_again_stays_retained_as_normal() -> None:
    gone = replace(RAISED, event=Event.ACKNOWLEDGE, before=State.RETURNED_UNACKNOWLEDGED, after=State.NORMAL, by="kim")
    state = publications().rows([gone], NOW_US)[0]
    assert state.retain
    parsed = AlarmMessage.model_validate_json(state.payload)
    assert (parsed.state, parsed.by) == ("normal", "kim")


def test_keys_are_unique_even_when_all_times_stand_still() -> None:
    made = publications()
    reply = Replied("c-1", True, "done")
    rows = [*made.rows([RAISED, RAISED, reply], NOW_US), *made.rows([RAISED, reply], NOW_US)]
    keys = [(row.sink, row.key) for row in rows]
    assert len(set(keys)) == len(keys)


def test_a_reply_goes_to_its_topic_and_to_the_one_that_was_asked_for() -> None:
    rows = publications().rows([Replied("c-1", False, "no such alarm")], NOW_US, {"c-1": "panel/answers"})
    assert [row.topic for row in rows] == ["motewatch/v1/testing/reply/c-1", "panel/answers"]
    assert all(row.expiry_s == 3600 and not row.retain for row in rows)
    parsed = ReplyMessage.model_validate_json(rows[0].payload)
    assert (parsed.id, parsed.accepted, parsed.text) == ("c-1", False, "no such alarm")
    (only,) = publications().rows([Replied("c-2", True, "done")], NOW_US)
    assert only.topic == "motewatch/v1/testing/reply/c-2"


def test_what_concerns_nobody_outside_makes_no_row() -> None:
    outputs: list[Output] = [
        Turned(Refusal(RefusalReason.TOO_OLD, "old")),
        Repeated("pc-1", "b", 1),
        Audited(NOW_US, "kim", "acknowledge", "x"),
    ]
    assert publications().rows(outputs, NOW_US) == []


def test_the_presence_of_the_service() -> None:
    parsed = ServiceMessage.model_validate_json(presence_of("testing")(False, NOW_US))
    assert (parsed.site, parsed.online) == ("testing", False)
    assert presence_of("testing")(True, 1_780_000_020_000_000).endswith(b'"at":"2026-05-28T20:27:00Z"}')


def test_states_are_said_again_under_keys_of_their_own() -> None:
    made = publications()
    first = made.rows([RAISED], NOW_US)
    again = made.states([RAISED], NOW_US)
    state = next(row for row in first if row.retain and row.sink == "mqtt-alarms")
    assert [(row.topic, row.payload, row.retain) for row in again] == [(state.topic, state.payload, True)]
    assert not {row.key for row in again} & {row.key for row in first}


def test_a_call_waits_for_its_channel_under_its_own_id_as_the_record_has_it() -> None:
    mail = replace(CALL, id="call-2", channel="mail", note="Überfüllt “x”")
    first, second = publications().rows([CALL, mail], NOW_US)
    assert (first.sink, first.key, first.topic, first.retain) == ("call/sms", "call-1", "", False)
    assert (second.sink, second.key, second.expiry_s) == ("call/mail", "call-2", None)
    assert [output_from("told", row.payload.decode()) for row in (first, second)] == [CALL, mail]
