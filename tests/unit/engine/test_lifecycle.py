"""The whole life of alarms through the engine: latching, re-alarm, shelving, out of service, suppression by design.

A laser fault of `pc-1` starts and ends with the readings that say so, which makes it the plainest alarm to follow.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from motewatch.engine import Engine
from motewatch.engine.codec import canonical, output_from
from motewatch.engine.records import AlarmChanged, Audited, Commanded, Configured, Memory, Output, Replied
from motewatch.wire.records import (
    HOUR_US,
    MINUTE_US,
    SECOND_US,
    Acknowledge,
    Command,
    Health,
    RemoveFromService,
    Reset,
    ReturnToService,
    SetOccupancy,
    Shelve,
    Unshelve,
)
from support.dialogue import transcript
from support.facility import T0, at, configured, heard, reading, site_dict

S = SECOND_US
LASER = "sensor/pc-1/laser"
COUNT = "location/fill-1/0.5um/action"


class Story:
    """An engine with a sensor whose laser can be broken and mended, and people who give commands."""

    def __init__(self, **changes: Any) -> None:
        self.history = Memory()
        self.engine = Engine(self.history)
        self.engine.apply(at(T0, configured(site_dict(**changes))))
        self.now_us = T0
        self._seq = 0
        self._ids = 0

    def laser(self, fault: bool, seconds: int = 10) -> list[Output]:
        """A reading at the end of the next seconds."""
        self.now_us += seconds * S
        self._seq += 1
        made = reading("pc-1", self._seq, self.now_us, laser=Health.FAULT if fault else Health.OK)
        return self.engine.apply(heard(made, self.now_us))

    def says(self, kind: type, *what: Any) -> list[Output]:
        """A person's command, one second on."""
        self.now_us += S
        self._ids += 1
        command: Command = kind(f"c-{self._ids}", *what)
        return self.engine.apply(at(self.now_us, Commanded(command)))

    def passes(self, us: int) -> list[Output]:
        """Time passes."""
        self.now_us += us
        return self.engine.advance(self.now_us)

    def reconfigured(self, **changes: Any) -> list[Output]:
        self.now_us += S
        what: Configured = configured(site_dict(**changes))
        return self.engine.apply(at(self.now_us, what))

    def restored(self) -> None:
        """Stopped and started from a snapshot."""
        self.engine = Engine.restore(json.loads(self.engine.snapshot_text()), self.history)


def steps(outputs: list[Output], alarm: str = LASER) -> list[tuple[str, str]]:
    return [
        (out.event.value, out.after.value) for out in outputs if isinstance(out, AlarmChanged) and out.alarm == alarm
    ]


def last(outputs: list[Output], alarm: str = LASER) -> AlarmChanged:
    return [out for out in outputs if isinstance(out, AlarmChanged) and out.alarm == alarm][-1]


def reply(outputs: list[Output]) -> tuple[bool, str]:
    (found,) = [out for out in outputs if isinstance(out, Replied)]
    return found.accepted, found.text


# Latching and re-alarm


def test_a_latched_alarm_stays_until_somebody_resets_it() -> None:
    story = Story(alarm_rules=[{"kinds": ["sensor-laser"], "latched": True}])
    assert steps(story.laser(True)) == [("starts", "unacknowledged")]
    assert steps(story.laser(False)) == [("returns-latched", "latched-unacknowledged")]
    assert steps(story.says(Acknowledge, "ada", LASER)) == [("acknowledge", "latched-acknowledged")]
    said = story.says(Reset, "ada", LASER, "lamp changed")
    assert transcript(said) == [
        f"{LASER} reset at +22 -> normal by ada",
        f"audit reset {LASER} by ada",
        f"reply c-2 yes: '{LASER}' is now normal",
    ]
    assert [out.detail for out in said if isinstance(out, Audited)] == ["lamp changed"]


def test_a_latched_alarm_that_starts_again_is_active_again() -> None:
    story = Story(alarm_rules=[{"latched": True}])
    story.laser(True)
    story.laser(False)
    assert steps(story.laser(True)) == [("starts", "unacknowledged")]
    assert reply(story.says(Reset, "ada", LASER)) == (False, f"'{LASER}' is unacknowledged: nothing to reset")


def test_the_first_rule_that_matches_is_taken() -> None:
    exempt = {"kinds": ["sensor-laser"], "latched": False}
    story = Story(alarm_rules=[exempt, {"latched": True}])
    story.laser(True)
    assert steps(story.laser(False)) == [("returns", "returned-unacknowledged")]


def test_an_alarm_still_active_after_the_re_alarm_time_is_unacknowledged_again() -> None:
    story = Story(alarm_rules=[{"kinds": ["sensor-laser"], "re_alarm_min": 1}])
    story.laser(True)
    story.says(Acknowledge, "ada", LASER)
    acknowledged_us = story.now_us
    said = story.passes(3 * MINUTE_US)
    change = last(said)
    assert (change.event.value, change.after.value, change.at_us) == (
        "re-alarm",
        "unacknowledged",
        acknowledged_us + MINUTE_US,
    )
    assert steps(said) == [("re-alarm", "unacknowledged")]


def test_no_re_alarm_once_it_has_returned_or_been_acknowledged_later() -> None:
    story = Story(alarm_rules=[{"kinds": ["sensor-laser"], "re_alarm_min": 1}])
    story.laser(True)
    story.says(Acknowledge, "ada", LASER)
    story.laser(False)
    story.laser(True)
    story.says(Acknowledge, "ada", LASER)
    second_us = story.now_us
    assert last(story.passes(2 * MINUTE_US)).at_us == second_us + MINUTE_US


def test_a_re_alarm_time_that_is_configured_later_holds_for_what_is_acknowledged() -> None:
    story = Story()
    story.laser(True)
    story.says(Acknowledge, "ada", LASER)
    assert steps(story.passes(HOUR_US)) == []
    story.reconfigured(alarm_rules=[{"re_alarm_min": 1}])
    assert steps(story.passes(1)) == [("re-alarm", "unacknowledged")]


# Shelving


def test_a_shelved_alarm_comes_back_by_itself_at_the_nominal_instant() -> None:
    story = Story()
    story.laser(True)
    until_us = story.now_us + HOUR_US
    said = story.says(Shelve, "ada", LASER, until_us, "being mended")
    shelved = last(said)
    assert (shelved.after.value, shelved.by, shelved.comment) == ("shelved", "ada", "being mended")
    assert (shelved.active, shelved.until_us, shelved.hidden_because, shelved.hidden_by) == (
        True,
        until_us,
        "being mended",
        "ada",
    )
    assert reply(said) == (True, f"'{LASER}' is now shelved until 2026-05-28 21:27 UTC")
    back = last(story.passes(5 * HOUR_US))
    assert (back.event.value, back.after.value, back.at_us) == ("unshelve-active", "unacknowledged", until_us)
    assert (back.active, back.until_us, back.hidden_because, back.hidden_by) == (None, None, "", "")


def test_a_shelved_alarm_is_evaluated_and_nobody_is_told() -> None:
    story = Story()
    story.laser(True)
    until_us = story.now_us + HOUR_US
    story.says(Shelve, "ada", LASER, until_us, "being mended")
    gone = last(story.laser(False))
    assert (gone.event.value, gone.after.value, gone.active, gone.until_us) == ("returns", "shelved", False, until_us)
    assert last(story.laser(True)).active is True
    story.laser(False)
    assert steps(story.passes(HOUR_US)) == [("unshelve-normal", "normal")]


def test_hidden_and_active_comes_back_unacknowledged() -> None:
    story = Story()
    story.laser(True)
    story.laser(False)
    story.says(Shelve, "ada", LASER, story.now_us + HOUR_US, "trial run")
    assert steps(story.laser(True)) == [("starts", "shelved")]
    assert steps(story.says(Unshelve, "ada", LASER, "over")) == [("unshelve-active", "unacknowledged")]


def test_a_shelving_that_was_ended_early_does_not_end_the_next_one() -> None:
    story = Story()
    story.laser(True)
    first_us = story.now_us + MINUTE_US
    story.says(Shelve, "ada", LASER, first_us, "one")
    story.says(Unshelve, "ada", LASER)
    story.says(Shelve, "ada", LASER, first_us + MINUTE_US, "two")
    back = [out for out in story.passes(HOUR_US) if isinstance(out, AlarmChanged) and out.alarm == LASER]
    assert [(out.event.value, out.at_us) for out in back] == [("unshelve-active", first_us + MINUTE_US)]


@pytest.mark.parametrize(
    ("hours", "comment", "text"),
    [
        (
            13,
            "why",
            "alarms may be shelved for 12 h at most (alarms.longest_shelving_h), so until 2026-05-29 08:27 UTC",
        ),
        (-1, "why", "2026-05-28 19:27 UTC is not in the future: nothing would be shelved"),
        (1, "", "say why: an alarm is shelved with a reason on record"),
    ],
)
def test_a_shelving_that_is_refused_changes_nothing(hours: int, comment: str, text: str) -> None:
    story = Story()
    story.laser(True)
    before = story.engine.snapshot()["alarms"]
    said = story.says(Shelve, "ada", LASER, story.now_us + hours * HOUR_US, comment)
    assert reply(said) == (False, text)
    assert len(said) == 1
    assert story.engine.snapshot()["alarms"] == before


def test_the_longest_shelving_is_the_sites() -> None:
    story = Story(alarms={"longest_shelving_h": 0.5})
    story.laser(True)
    accepted, text = reply(story.says(Shelve, "ada", LASER, story.now_us + HOUR_US, "why"))
    assert (accepted, text.split(" at most")[0]) == (False, "alarms may be shelved for 0.5 h")


def test_an_alarm_that_latches_and_was_active_while_shelved_comes_back_latched() -> None:
    story = Story(alarm_rules=[{"latched": True}])
    story.laser(True)
    story.says(Shelve, "ada", LASER, story.now_us + HOUR_US, "being mended")
    story.laser(False)
    story.restored()
    assert steps(story.passes(HOUR_US)) == [
        ("unshelve-active", "unacknowledged"),
        ("returns-latched", "latched-unacknowledged"),
    ]


# Out of service


def test_out_of_service_with_a_permit_and_back() -> None:
    story = Story()
    story.laser(True)
    said = story.says(RemoveFromService, "ada", LASER, "WP-114", "lamp")
    change = last(said)
    assert (change.after.value, change.permit, change.hidden_by, change.hidden_because) == (
        "out-of-service",
        "WP-114",
        "ada",
        "lamp",
    )
    assert [out.detail for out in said if isinstance(out, Audited)] == ["permit WP-114; lamp"]
    assert steps(story.laser(False)) == [("returns", "out-of-service")]
    assert steps(story.laser(True)) == [("starts", "out-of-service")]
    assert steps(story.passes(48 * HOUR_US)) == []
    assert steps(story.says(ReturnToService, "ada", LASER)) == [("return-to-service-active", "unacknowledged")]


def test_out_of_service_ends_a_shelving() -> None:
    story = Story()
    story.laser(True)
    story.laser(False)
    story.says(Shelve, "ada", LASER, story.now_us + MINUTE_US, "noise")
    story.says(RemoveFromService, "ada", LASER, "WP-1")
    assert steps(story.passes(HOUR_US)) == []
    assert steps(story.says(ReturnToService, "ada", LASER)) == [("return-to-service-normal", "normal")]


@pytest.mark.parametrize(
    ("command", "text"),
    [
        ((Unshelve, "ada", LASER), f"'{LASER}' is unacknowledged: nothing to unshelve"),
        ((ReturnToService, "ada", LASER), f"'{LASER}' is unacknowledged: nothing to return to service"),
        ((Reset, "ada", LASER), f"'{LASER}' is unacknowledged: nothing to reset"),
        ((RemoveFromService, "ada", LASER, ""), "name the permit: an alarm is taken out of service only under one"),
        ((Reset, "ada", "sensor/pc-9/laser"), "no alarm 'sensor/pc-9/laser' has ever been raised here"),
    ],
)
def test_what_does_not_fit_the_state_is_refused(command: tuple[Any, ...], text: str) -> None:
    story = Story()
    story.laser(True)
    before = story.engine.snapshot()["alarms"]
    said = story.says(*command)
    assert (reply(said), len(said)) == ((False, text), 1)
    assert story.engine.snapshot()["alarms"] == before


# Who may


PERSONS = [
    {"id": "ada", "name": "Ada Example", "may": ["acknowledge", "shelve", "reset"]},
    {"id": "ben", "name": "Ben Example", "may": ["acknowledge"]},
]


@pytest.mark.parametrize("by", ["ben", "Ben Example", "somebody else"])
def test_who_is_not_entitled_is_refused_and_told_who_is(by: str) -> None:
    story = Story(persons=PERSONS)
    story.laser(True)
    said = story.says(Shelve, by, LASER, story.now_us + HOUR_US, "why")
    who = {"Ben Example": "ben"}.get(by, by)
    assert reply(said) == (False, f"'{who}' is not entitled to shelve alarms; entitled: Ada Example")
    assert len(said) == 1


@pytest.mark.parametrize("by", ["ada", "ADA", "ada example"])
def test_who_is_entitled_may_by_id_and_by_name(by: str) -> None:
    story = Story(persons=PERSONS)
    story.laser(True)
    assert reply(story.says(Shelve, by, LASER, story.now_us + HOUR_US, "why"))[0]


@pytest.mark.parametrize("by", ["ada", " Ada ", "ADA  example", "Ada\u00a0Example "])
def test_a_person_stands_on_record_under_one_id_however_typed(by: str) -> None:
    story = Story(persons=PERSONS)
    story.laser(True)
    said = story.says(Acknowledge, by, LASER)
    assert reply(said)[0]
    assert [one.by for one in said if isinstance(one, Audited | AlarmChanged)] == ["ada", "ada"]


@pytest.mark.parametrize(
    ("changes", "stands"),
    [
        ({}, "Cy Nobody"),
        ({"alarms": {"by_id": False}}, " Cy  Nobody "),
    ],
)
def test_who_is_no_person_stands_there_without_superfluous_blanks_and_as_typed_where_that_is_wanted(
    changes: dict[str, Any], stands: str
) -> None:
    story = Story(**changes)
    story.laser(True)
    said = story.says(Acknowledge, " Cy  Nobody ", LASER)
    assert [one.by for one in said if isinstance(one, Audited | AlarmChanged)] == [stands] * 2


def test_a_configuration_of_before_keeps_what_was_typed_so_that_its_record_replays() -> None:
    text = json.loads(configured(site_dict(persons=PERSONS)).text)
    del text["alarms"]["by_id"]
    story = Story()
    story.engine.apply(at(T0, Configured("0" * 64, json.dumps(text))))
    story.laser(True)
    said = story.says(Acknowledge, "ADA example", LASER)
    assert [one.by for one in said if isinstance(one, Audited | AlarmChanged)] == ["ADA example"] * 2
    story.reconfigured(persons=PERSONS)
    story.laser(False)
    story.laser(True)
    said = story.says(Acknowledge, "ADA example", LASER)
    assert [one.by for one in said if isinstance(one, Audited | AlarmChanged)] == ["ada"] * 2


def test_where_nobody_is_entitled_it_says_so() -> None:
    story = Story(persons=PERSONS)
    story.laser(True)
    accepted, text = reply(story.says(RemoveFromService, "ada", LASER, "WP-1"))
    assert (accepted, text) == (
        False,
        "'ada' is not entitled to take alarms out of service; nobody is: see [[persons]] may",
    )


# Suppression by design


SENSOR_RULE = {"id": "blind", "reason": "A blind counter", "hides": ["sensor-flow"], "sensor": ["laser"]}
FLOW = "sensor/pc-1/flow"


def flow_fault(story: Story, laser: bool) -> list[Output]:
    story.now_us += 10 * S
    story._seq += 1
    made = reading("pc-1", story._seq, story.now_us, laser=Health.FAULT if laser else Health.OK, flow=Health.FAULT)
    return story.engine.apply(heard(made, story.now_us))


def test_the_sensors_own_fault_hides_what_follows_from_it() -> None:
    story = Story(suppressions=[SENSOR_RULE])
    story.laser(True)
    said = flow_fault(story, laser=True)
    assert steps(said, FLOW) == [("suppress", "suppressed-by-design"), ("starts", "suppressed-by-design")]
    assert (last(said, FLOW).hidden_because, last(said, FLOW).active) == ("A blind counter", True)
    back = flow_fault(story, laser=False)
    assert steps(back, FLOW) == [("unsuppress-active", "unacknowledged")]


def test_an_alarm_that_came_before_its_explanation_is_hidden_once_that_is_known() -> None:
    story = Story(suppressions=[SENSOR_RULE])
    assert steps(flow_fault(story, laser=False), FLOW) == [("starts", "unacknowledged")]
    assert steps(flow_fault(story, laser=True), FLOW) == [("suppress", "suppressed-by-design")]
    # The faults are looked at in their order: flow before laser.
    assert steps(story.laser(False), FLOW) == [("returns", "suppressed-by-design"), ("unsuppress-normal", "normal")]


def test_an_explanation_that_nobody_sees_explains_nothing() -> None:
    story = Story(suppressions=[SENSOR_RULE])
    story.laser(True)
    flow_fault(story, laser=True)
    said = story.says(Shelve, "ada", LASER, story.now_us + HOUR_US, "being mended")
    assert steps(said, FLOW) == [("unsuppress-active", "unacknowledged")]


def test_rules_in_a_circle_leave_one_alarm_to_be_seen() -> None:
    back = {"id": "back", "reason": "Round", "hides": ["sensor-laser"], "sensor": ["flow"]}
    story = Story(suppressions=[SENSOR_RULE, back])
    story.laser(True)
    flow_fault(story, laser=True)
    assert story.engine.standing() == [LASER]


OCCUPANCY_RULE = {
    "id": "not-in-use",
    "reason": "Nothing is filled now",
    "hides": ["sensor-laser"],
    "rooms": ["fill"],
    "occupancy": ["as-built"],
}


def test_a_stated_occupancy_hides_and_brings_back() -> None:
    story = Story(suppressions=[OCCUPANCY_RULE])
    story.laser(True)
    assert steps(story.says(SetOccupancy, "ada", "fill", "as-built")) == [("suppress", "suppressed-by-design")]
    story.restored()
    assert steps(story.says(SetOccupancy, "ada", "fill", None)) == [("unsuppress-active", "unacknowledged")]


def test_the_schedule_hides_and_brings_back_at_its_own_instants() -> None:
    rooms = site_dict()["rooms"]
    # T0 is a Thursday, 20:27 UTC; used from 21:00 to 22:00.
    rooms[0] |= {"occupancy": "as-built", "operational": ["Thu 21:00-22:00"], "clean_up_min": 15}
    story = Story(suppressions=[OCCUPANCY_RULE], rooms=rooms)
    assert steps(story.laser(True)) == [("suppress", "suppressed-by-design"), ("starts", "suppressed-by-design")]
    said = [out for out in story.passes(3 * HOUR_US) if isinstance(out, AlarmChanged) and out.alarm == LASER]
    nine_us = T0 + 33 * MINUTE_US
    assert [(out.event.value, out.at_us) for out in said] == [
        ("unsuppress-active", nine_us),
        ("suppress", nine_us + 75 * MINUTE_US),
    ]


def test_upstream_explains_downstream() -> None:
    rule = {
        "id": "up",
        "reason": "Air comes from the preparation",
        "hides": ["sensor-laser"],
        "rooms": ["fill"],
        "upstream": ["prep"],
        "upstream_kinds": ["sensor-silent"],
    }
    story = Story(suppressions=[rule])
    assert steps(story.laser(True)) == [("starts", "unacknowledged")]
    said = story.passes(HOUR_US)  # pc-2 in the preparation room falls silent
    assert ("suppress", "suppressed-by-design") in steps(said)
    assert last(said).hidden_because == "Air comes from the preparation"


def test_a_shelved_alarm_that_is_to_be_suppressed_comes_back_suppressed() -> None:
    story = Story(suppressions=[OCCUPANCY_RULE])
    story.laser(True)
    story.says(Shelve, "ada", LASER, story.now_us + MINUTE_US, "why")
    assert steps(story.says(SetOccupancy, "ada", "fill", "as-built")) == []
    assert steps(story.passes(MINUTE_US)) == [("unshelve-suppressed", "suppressed-by-design")]
    assert reply(story.says(Shelve, "ada", LASER, story.now_us + HOUR_US, "why")) == (
        False,
        f"'{LASER}' is suppressed-by-design: it cannot be shelved",
    )


def test_a_rule_that_is_gone_lets_its_alarms_come_back() -> None:
    story = Story(suppressions=[OCCUPANCY_RULE])
    story.laser(True)
    story.says(SetOccupancy, "ada", "fill", "as-built")
    assert steps(story.reconfigured()) == [("unsuppress-active", "unacknowledged")]


# On record


def test_what_hides_an_alarm_survives_the_codec_and_plain_steps_read_as_before() -> None:
    story = Story()
    plain = last(story.laser(True))
    for field in ("active", "until_us", "hidden_because", "permit", "hidden_by"):
        assert f'"{field}"' not in canonical(plain)
    hidden = last(story.says(Shelve, "ada", LASER, story.now_us + HOUR_US, "why"))
    assert '"active":true' in canonical(hidden)
    for change in (plain, hidden):
        assert output_from("alarm", canonical(change)) == change
