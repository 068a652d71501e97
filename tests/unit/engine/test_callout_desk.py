"""Calls as the engine makes them: what is told together, what a flood makes of it, and what a pause takes away."""

from __future__ import annotations

from typing import Any

from motewatch.callout.records import Cause, Delivered, Outcome, Told
from motewatch.engine import Engine
from motewatch.engine.records import (
    Act,
    AlarmChanged,
    Answered,
    Link,
    LinkChanged,
    Memory,
    Output,
    Replied,
    Resumed,
)
from motewatch.wire.records import MINUTE_US
from support.facility import T0, at, engine, heard, reading
from support.reachable import reachable

BROKER = "service/broker"
NOBODY = "callout/nobody-reached"


def everyone(**changes: Any) -> Engine:
    """An engine that calls Ada at once and Ben after five minutes, for every priority."""
    steps = [{"after_min": 0, "tell": ["person:ada"]}, {"after_min": 5, "tell": ["person:ben"]}]
    tables: dict[str, Any] = {"callout": {}, "escalations": [{"id": "all", "steps": steps}]}
    return engine(reachable(**(tables | changes)))


def calls(outputs: list[Output]) -> list[Told]:
    return [output for output in outputs if isinstance(output, Told)]


def brief(outputs: list[Output]) -> list[str]:
    """Minute, person, way and reason of each call."""
    return [
        f"{(told.at_us - T0) / MINUTE_US:g} {told.person} {told.channel} {told.cause.value}" for told in calls(outputs)
    ]


def broker_down(at_us: int) -> Any:
    return at(at_us, LinkChanged(Link.BROKER, False, at_us))


def test_what_starts_at_one_instant_is_one_message_with_the_first_cause_first() -> None:
    watch = everyone()
    watch.apply(heard(reading("pc-1", 1, T0 + MINUTE_US, (90_000, 900))))
    (told,) = [told for told in calls(watch.advance(T0 + MINUTE_US + 30_000_000)) if told.cause is Cause.RAISED]
    assert [fact.priority for fact in told.facts] == ["high", "high", "medium"]
    assert told.urgent
    assert told.answer == told.facts[0].alarm
    assert all(fact.where == "Needle side, Filling" and fact.action for fact in told.facts)


def test_one_press_takes_every_alarm_of_the_call() -> None:
    watch = everyone()
    watch.apply(heard(reading("pc-1", 1, T0 + MINUTE_US, (90_000, 900))))
    told = calls(watch.advance(T0 + MINUTE_US + 30_000_000))[0]
    others = tuple(fact.alarm for fact in told.facts[1:])
    answered = Answered("answer-1", told.id, T0 + 90 * MINUTE_US, "ada", Act.ACKNOWLEDGE, told.answer, others=others)
    outputs = watch.apply(at(T0 + 2 * MINUTE_US, answered))
    taken = [out.alarm for out in outputs if isinstance(out, AlarmChanged) and out.after.value == "acknowledged"]
    assert sorted(taken) == sorted(fact.alarm for fact in told.facts)
    (reply,) = [out for out in outputs if isinstance(out, Replied)]
    assert reply.accepted
    assert reply.text.startswith("3 of 3 alarms are acknowledged")
    later = [fact.alarm for told in calls(watch.advance(T0 + 20 * MINUTE_US)) for fact in told.facts]
    assert later, "other alarms go on"
    assert not set(later) & set(taken)


def test_of_several_alarms_those_that_can_be_are_acknowledged_and_none_is_a_refusal() -> None:
    watch = everyone()
    watch.apply(broker_down(T0 + MINUTE_US))
    told = calls(watch.advance(T0 + 2 * MINUTE_US))[-1]
    for number, (others, accepted) in enumerate([(("location/no/such",), True), (("location/no/such",), False)]):
        id_, call = f"answer-{number}", f"{told.id}-{number}"
        answered = Answered(id_, call, T0 + 90 * MINUTE_US, "ada", Act.ACKNOWLEDGE, BROKER, others=others)
        outputs = watch.apply(at(T0 + (3 + number) * MINUTE_US, answered))
        assert [out.accepted for out in outputs if isinstance(out, Replied)] == [accepted]


def test_a_flood_is_one_message_and_drops_nothing() -> None:
    watch = everyone(callout={"flood_alarms": 2})
    outputs = watch.apply(heard(reading("pc-1", 1, T0 + MINUTE_US, (90_000, 900))))
    outputs += watch.advance(T0 + 3 * MINUTE_US)
    flood = [told for told in calls(outputs) if told.cause is Cause.MANY]
    assert len(flood) == 1
    assert len(flood[0].facts) == 3
    assert flood[0].note.startswith("3 alarms in one message")
    assert flood[0].found_us == flood[0].at_us + 30_000_000
    starts = [out for out in outputs if isinstance(out, AlarmChanged) and out.event.value == "starts"]
    before = {out.alarm for out in starts if out.found_us <= flood[0].found_us}
    assert {fact.alarm for told in calls(outputs) for fact in told.facts} == before


def test_the_next_way_is_tried_and_then_the_next_step() -> None:
    watch = everyone()
    watch.apply(broker_down(T0 + MINUTE_US))
    told = calls(watch.advance(T0 + MINUTE_US))[-1]
    said = watch.apply(at(T0 + 2 * MINUTE_US, Delivered(told.id, Outcome.GIVEN_UP, T0, 3, "no answer")))
    said += watch.advance(T0 + 2 * MINUTE_US)
    assert brief(said) == ["2 ada mail other-way"]
    said = watch.apply(at(T0 + 3 * MINUTE_US, Delivered(calls(said)[0].id, Outcome.REFUSED, T0, 1, "no such user")))
    said += watch.advance(T0 + 3 * MINUTE_US)
    assert brief(said) == ["3 ben sms climbed"]
    assert calls(said)[0].note == "Could not be reached: Ada."


def test_nobody_reached_wakes_everybody_over_every_way_once() -> None:
    watch = everyone()
    watch.apply(broker_down(T0 + MINUTE_US))
    said = watch.advance(T0 + 60 * MINUTE_US)
    of_broker = [told for told in calls(said) if any(fact.alarm == BROKER for fact in told.facts)]
    assert brief(list(of_broker))[-3:] == [
        "21 ada sms nobody-reached",
        "21 ada mail nobody-reached",
        "21 ben sms nobody-reached",
    ]
    assert [out.after.value for out in said if isinstance(out, AlarmChanged) and out.alarm == NOBODY] == [
        "unacknowledged"
    ]


def test_after_a_pause_nobody_is_pressed_for_a_call_that_was_never_made() -> None:
    watch = everyone()
    watch.apply(at(T0 + MINUTE_US, Resumed(T0 + 120 * MINUTE_US)))
    watch.apply(broker_down(T0 + 2 * MINUTE_US))
    said = watch.advance(T0 + 124 * MINUTE_US)
    of_broker = [told for told in calls(said) if any(fact.alarm == BROKER for fact in told.facts)]
    assert [(told.person, (told.found_us - T0) / MINUTE_US) for told in of_broker] == [("ada", 120)]
    (climbed,) = [told for told in calls(watch.advance(T0 + 126 * MINUTE_US)) if told.person == "ben"]
    assert (climbed.found_us - T0) / MINUTE_US == 125


def test_calls_under_way_survive_a_snapshot() -> None:
    def story(restored_at: int | None) -> list[Output]:
        watch = everyone(callout={"flood_alarms": 2})
        said = watch.apply(heard(reading("pc-1", 1, T0 + MINUTE_US, (90_000, 900))))
        for number in range(1, 60):
            if number == restored_at:
                watch = Engine.restore(watch.snapshot(), Memory())
            said += watch.advance(T0 + MINUTE_US + number * 30_000_000)
            if number == 3:
                first = calls(said)[0]
                failed = Delivered(first.id, Outcome.REFUSED, T0, 1, "no such number")
                said += watch.apply(at(T0 + MINUTE_US + number * 30_000_000 + 1, failed))
        return said

    whole = story(None)
    assert len(calls(whole)) > 3
    for restored_at in (1, 2, 4, 12, 33):
        assert story(restored_at) == whole
