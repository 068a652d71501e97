"""Weekly test calls as a dialogue with the engine: told, confirmed, failed, and what a restart leaves of them."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import pytest

from motewatch.callout.records import Cause, Delivered, Outcome, Told
from motewatch.engine import Engine
from motewatch.engine.records import AlarmChanged, Commanded, Input, Memory, Output, Replied
from motewatch.wire.records import HOUR_US, MINUTE_US, Confirm
from support.facility import at, configured, engine
from support.reachable import reachable

ADA_SMS, ADA_MAIL, BEN_SMS = "callout/test/ada/sms", "callout/test/ada/mail", "callout/test/ben/sms"


def us(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp()) * 1_000_000


START_US = us("2026-10-19T08:00Z")
TUESDAY_US = us("2026-10-20T08:00Z")
"""10:00 in Berlin, summer time."""


def site(**changes: Any) -> dict[str, Any]:
    berlin = {"id": "testing", "name": "Testing ground", "time_zone": "Europe/Berlin"}
    return reachable(**({"site": berlin} | changes))


def calls(outputs: list[Any]) -> list[Told]:
    return [one for one in outputs if isinstance(one, Told) and one.cause is Cause.TEST]


def steps(outputs: list[Output]) -> list[str]:
    return [
        f"{one.alarm} {one.event.value} at {(one.at_us - TUESDAY_US) / HOUR_US:g} h -> {one.after.value}"
        for one in outputs
        if isinstance(one, AlarmChanged) and one.alarm.startswith("callout/test/")
    ]


def called(number: int = 1, changed: dict[str, Any] | None = None) -> tuple[Engine, dict[str, Told]]:
    """An engine that has just made its test calls, and those by person and channel."""
    made = engine(site() if changed is None else changed, START_US)
    outputs = made.advance(TUESDAY_US)
    return made, {f"{told.person} {told.channel}": told for told in calls(outputs)}


def confirm(engine_: Engine, told: Told, by: str, at_us: int, id_: str = "c-1") -> list[Output]:
    return engine_.apply(at(at_us, Commanded(Confirm(id_, by, told.answer.removeprefix("test/")))))


def reply(outputs: list[Output]) -> tuple[bool, str]:
    (one,) = [each for each in outputs if isinstance(each, Replied)]
    return one.accepted, one.text


def test_every_way_is_called_at_the_local_time_of_each_week() -> None:
    made = engine(site(), START_US)
    assert calls(made.advance(TUESDAY_US - 1)) == []
    told = calls(made.advance(TUESDAY_US))
    assert [(one.person, one.channel, one.address) for one in told] == [
        ("ada", "mail", "ada@example.org"),
        ("ada", "sms", "+00 1"),
        ("ben", "sms", "+00 2"),
    ]
    assert {(one.at_us, one.urgent) for one in told} == {(TUESDAY_US, False)}
    assert all(one.answer == f"test/{one.id.rpartition('-')[2]}" and one.answer[5:] in one.note for one in told)
    # A week later the clocks have gone back: the same time on the wall, an hour later in UTC.
    assert calls(made.advance(TUESDAY_US + 7 * 24 * HOUR_US)) == []
    again = calls(made.advance(TUESDAY_US + 7 * 24 * HOUR_US + HOUR_US))
    assert [one.at_us for one in again] == [TUESDAY_US + 169 * HOUR_US] * 3
    assert {one.id for one in again}.isdisjoint(one.id for one in told)


def test_a_confirmed_test_call_is_no_alarm() -> None:
    made, told = called()
    outputs = confirm(made, told["ada sms"], "ada", TUESDAY_US + MINUTE_US)
    assert reply(outputs) == (True, "the test call to Ada over sms is confirmed")
    assert steps(outputs) == []
    confirm(made, told["ada mail"], "Ada", TUESDAY_US + 2 * MINUTE_US, "c-2")
    confirm(made, told["ben sms"], "BEN", TUESDAY_US + 3 * MINUTE_US, "c-3")
    assert steps(made.advance(TUESDAY_US + 48 * HOUR_US)) == []


def test_a_test_call_that_nobody_confirms_is_an_alarm_which_a_later_one_ends() -> None:
    made, told = called()
    for number, way in enumerate(("ada mail", "ben sms")):
        confirm(made, told[way], way.split()[0], TUESDAY_US + MINUTE_US, f"c-{number}")
    outputs = made.advance(TUESDAY_US + 25 * HOUR_US)
    assert steps(outputs) == [f"{ADA_SMS} starts at 24 h -> unacknowledged"]
    (alarm,) = [one for one in outputs if isinstance(one, AlarmChanged) and one.alarm == ADA_SMS]
    assert (alarm.kind, alarm.priority.value) == ("callout-test", "medium")
    assert alarm.text == "Ada may not be reached over sms: the test call was not confirmed in time"
    outputs = made.advance(TUESDAY_US + 169 * HOUR_US)
    assert steps(outputs) == []
    (second,) = [one for one in calls(outputs) if (one.person, one.channel) == ("ada", "sms")]
    outputs = confirm(made, second, "ada", TUESDAY_US + 170 * HOUR_US, "c-9")
    assert steps(outputs) == [f"{ADA_SMS} returns at 170 h -> returned-unacknowledged"]


def test_a_late_confirmation_ends_the_alarm_too() -> None:
    made, told = called()
    made.advance(TUESDAY_US + 25 * HOUR_US)
    outputs = confirm(made, told["ben sms"], "ben", TUESDAY_US + 26 * HOUR_US)
    assert steps(outputs) == [f"{BEN_SMS} returns at 26 h -> returned-unacknowledged"]


def test_one_that_could_not_be_delivered_is_an_alarm_at_once() -> None:
    made, told = called()

    def became(way: str, outcome: Outcome, minute: int) -> list[str]:
        what = Delivered(told[way].id, outcome, TUESDAY_US + minute * MINUTE_US, 3, "550 no such user")
        return steps(made.apply(at(TUESDAY_US + minute * MINUTE_US, what)))

    assert became("ada mail", Outcome.REFUSED, 6) == [f"{ADA_MAIL} starts at 0.1 h -> unacknowledged"]
    assert became("ben sms", Outcome.GIVEN_UP, 30) == [f"{BEN_SMS} starts at 0.5 h -> unacknowledged"]
    assert became("ada sms", Outcome.DELIVERED, 36) == []
    # It had arrived all the same.
    outputs = confirm(made, told["ada mail"], "ada", TUESDAY_US + HOUR_US)
    assert steps(outputs) == [f"{ADA_MAIL} returns at 1 h -> returned-unacknowledged"]


@pytest.mark.parametrize("by", ["ben", "somebody"])
def test_nobody_confirms_for_another(by: str) -> None:
    made, told = called()
    outputs = confirm(made, told["ada sms"], by, TUESDAY_US + MINUTE_US)
    accepted, text = reply(outputs)
    assert not accepted
    assert "Ada" in text
    assert ADA_SMS in " ".join(steps(made.advance(TUESDAY_US + 25 * HOUR_US)))


def test_what_is_no_test_cannot_be_confirmed() -> None:
    made, _ = called()
    outputs = made.apply(at(TUESDAY_US + 1, Commanded(Confirm("c-1", "ada", "aaaaaaaa"))))
    assert reply(outputs) == (False, "no test call 'aaaaaaaa' is known, or a later one has taken its place")


def test_an_alarm_ends_with_the_way_that_it_is_about() -> None:
    made, _ = called()
    made.advance(TUESDAY_US + 25 * HOUR_US)
    without = site()
    without["persons"][0]["reach"] = without["persons"][0]["reach"][:1]
    outputs = made.apply(at(TUESDAY_US + 26 * HOUR_US, configured(without)))
    assert steps(outputs) == [f"{ADA_MAIL} returns at 26 h -> returned-unacknowledged"]
    # The others go on, and the next test has two ways.
    assert len(calls(made.advance(TUESDAY_US + 169 * HOUR_US))) == 2


def test_another_time_is_kept_from_its_configuration_on_and_the_old_one_is_not() -> None:
    made = engine(site(), START_US)
    later = site(callout={"test_calls": {"at": "Wed 06:30", "confirm_within_h": 24}})
    made.apply(at(START_US + 1, configured(later)))
    assert calls(made.advance(TUESDAY_US + HOUR_US)) == []
    assert {one.at_us for one in calls(made.advance(TUESDAY_US + 48 * HOUR_US))} == {us("2026-10-21T04:30Z")}
    made.apply(at(TUESDAY_US + 49 * HOUR_US, configured(site(callout={}))))
    assert calls(made.advance(TUESDAY_US + 400 * HOUR_US)) == []


def test_within_a_whole_week_the_unconfirmed_one_is_an_alarm_before_the_next_takes_its_place() -> None:
    made, _ = called(changed=site(callout={"test_calls": {"at": "Tue 10:00", "confirm_within_h": 168}}))
    outputs = made.advance(TUESDAY_US + 169 * HOUR_US)
    assert sorted(line.split()[0] for line in steps(outputs)) == [ADA_MAIL, ADA_SMS, BEN_SMS]
    assert len(calls(outputs)) == 3


def test_a_restart_in_the_middle_changes_nothing() -> None:
    def story(restarts: bool) -> list[Output]:
        def again(one: Engine) -> Engine:
            return Engine.restore(json.loads(one.snapshot_text()), Memory()) if restarts else one

        made = again(engine(site(), START_US))
        said = made.advance(TUESDAY_US)
        told = {f"{one.person} {one.channel}": one for one in calls(said)}
        made = again(made)
        said += confirm(made, told["ada sms"], "ada", TUESDAY_US + MINUTE_US)
        made = again(made)
        item = Delivered(told["ada mail"].id, Outcome.REFUSED, TUESDAY_US + 2 * MINUTE_US, 1)
        said += made.apply(Input(TUESDAY_US + 2 * MINUTE_US, TUESDAY_US + 2 * MINUTE_US, item))
        made = again(made)
        said += made.advance(TUESDAY_US + 30 * HOUR_US)
        made = again(made)
        return said + made.advance(TUESDAY_US + 170 * HOUR_US)

    assert story(restarts=True) == story(restarts=False)
    assert len(calls(story(restarts=False))) == 6
