"""Whom a record that cannot be written is told to, from the roster alone."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from motewatch.callout.records import Cause
from motewatch.callout.unrecorded import OnDuty
from motewatch.site.instants import instant_us
from motewatch.site.models import Site
from support.callout_site import callout_site, climb, person, ways, weekly

AT = instant_us(datetime(2026, 3, 3, 2, 0, tzinfo=UTC))
"""A Tuesday night; ada has the first turn of `weekly("ada", "ben")` in the week from Monday 2 March (the ninth)."""
MINUTE_US = 60_000_000


def on_duty(*escalations: dict[str, Any], **changes: Any) -> OnDuty:
    return OnDuty.of(Site.model_validate(callout_site(*escalations, **changes)))


@pytest.mark.parametrize(
    ("waited_min", "told"),
    [(0, ("ada",)), (4.9, ("ada",)), (5, ("ada", "ben")), (60, ("ada", "ben", "cy", "dot"))],
)
def test_those_are_told_whom_an_alarm_of_high_priority_would_have_reached_by_now(
    waited_min: float, told: tuple[str, ...]
) -> None:
    assert on_duty().persons(round(waited_min * MINUTE_US), AT) == told


def test_only_an_escalation_that_takes_alarms_of_the_service_counts() -> None:
    of_north = climb((0, "person:ben"), id="north", areas=["north"])
    low = climb((0, "person:cy"), id="low", priorities=["low"])
    assert on_duty(of_north, low, climb((0, "person:dot"), id="all")).persons(0, AT) == ("dot",)


def test_where_no_escalation_takes_it_whoever_is_on_call_is_told() -> None:
    only_low = climb((0, "rota:tech"), id="low", priorities=["low"])
    assert on_duty(only_low, rotas=[weekly("ada", "ben")]).persons(0, AT) == ("ada",)


def test_where_nobody_is_on_call_the_later_steps_are_told_and_in_the_end_everybody() -> None:
    rota = weekly("ada")
    rota["rotation"]["first"] = "2027-01-04"
    gap = climb((0, "rota:tech"), (10, "person:cy"))
    assert on_duty(gap, rotas=[rota]).persons(0, AT) == ("cy",)
    nobody = climb((0, "rota:tech"))
    assert on_duty(nobody, rotas=[rota]).persons(0, AT) == ("ada", "ben", "cy", "dot")


def test_quiet_hours_keep_nobody_from_it() -> None:
    quiet = {"ada": person("ada", "sms", quiet=["Mon-Sun 22:00-06:00"])}
    assert on_duty(persons=quiet).persons(0, AT) == ("ada",)


def test_each_way_to_a_person_is_a_call_under_an_id_of_its_own_and_without_an_answer() -> None:
    duty = on_duty()
    fact = duty.fact("the record cannot be written: no space left", AT)
    calls = duty.calls(["ada", "gone"], fact, Cause.UNRECORDED, "a note", AT, 2)
    assert [(call.person, call.channel, call.address) for call in calls] == [
        ("ada", way["channel"], way["address"]) for way in ways("sms", "mail")
    ]
    assert len({call.id for call in calls}) == 2
    assert {(call.urgent, call.answer, call.facts[0].state) for call in calls} == {(True, "", "unacknowledged")}
    over = duty.calls(["ada"], duty.fact("is over", AT, over=True), Cause.RETURNED, "", AT, 3)
    assert {(call.urgent, call.facts[0].state, call.facts[0].action) for call in over} == {(False, "normal", "")}
