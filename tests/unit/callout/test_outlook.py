"""How the calls for an alarm stand, in the engine's own words: who comes next, and why somebody is not told."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from motewatch.callout.escalation import Stage
from motewatch.callout.ladders import Ladders
from motewatch.callout.outlook import CaseNow, Standing, Why, standings, steps_of
from motewatch.callout.records import Delivered, Outcome, Told
from motewatch.callout.roster import Roster
from motewatch.engine import Engine
from motewatch.engine.records import Commanded, Heard, Memory, Output
from motewatch.site.instants import instant_us
from motewatch.site.models import Site
from motewatch.wire.records import MINUTE_US, Acknowledge, Health
from support.callout_site import callout_site, climb, person, weekly
from support.facility import at, configured, reading

NIGHT = instant_us(datetime(2026, 6, 1, 2, 0, tzinfo=ZoneInfo("Europe/Berlin")))
LADDER = climb((0, "person:ada"), (5, "person:ben rota:tech"), (15, "team:leads"), repeat_min=30)
PERSONS = {
    "ben": person("ben", "sms", quiet=["Mon-Sun 22:00-06:00"]),
    "dot": person("dot", "voice", quiet=["Mon-Sun 22:00-02:20"]),
    "eve": person("eve", "sms"),
    "fay": person("fay", "sms"),
    "guy": person("guy"),
}


class Night:
    """One alarm at two at night, and the roster to ask."""

    def __init__(self, point: str, **changes: Any) -> None:
        plain = callout_site(LADDER, persons=PERSONS, rotas=[weekly("ada", "eve", id="tech")], **changes)
        site = Site.model_validate(plain)
        self.roster, self.ladders = Roster.of(site), Ladders.of(site)
        self.engine = Engine(Memory())
        self.engine.apply(at(NIGHT - MINUTE_US, configured(plain)))
        fault = reading(point, 1, NIGHT, seconds=1.0, laser=Health.FAULT)
        self.outputs: list[Output] = self.engine.apply(at(NIGHT, Heard(fault)))

    def go(self, minutes: float) -> None:
        self.outputs += self.engine.advance(NIGHT + round(minutes * MINUTE_US))

    @property
    def case(self) -> CaseNow:
        (case,) = self.engine.cases()
        return case

    def whys(self) -> dict[str, Standing]:
        now_us = self.engine.time_us
        found = standings(self.case, self.ladders.by_id[self.case.escalation], self.roster, now_us)
        return {standing.person: standing for standing in found}


def test_at_the_begin_each_person_has_a_reason() -> None:
    night = Night("bench")
    night.go(0)
    whys = night.whys()
    assert next(iter(whys)) == "ada", "who was told comes first"
    assert {name: standing.why for name, standing in whys.items()} == {
        "ada": Why.TOLD,
        "ben": Why.LATER_BUT_QUIET,
        "cy": Why.LATER,
        "dot": Why.LATER_BUT_QUIET,
        "eve": Why.OFF_DUTY,
        "fay": Why.NOT_NAMED,
        "guy": Why.NO_WAY,
    }
    assert whys["ben"].at_us == NIGHT + 240 * MINUTE_US
    assert (whys["cy"].at_us, whys["cy"].step) == (NIGHT + 15 * MINUTE_US, 3)
    assert whys["dot"].at_us == NIGHT + 20 * MINUTE_US
    steps = steps_of(night.case, night.ladders.by_id["usual"], night.roster, night.engine.time_us)
    assert [(step.number, step.taken, step.due_us) for step in steps] == [
        (1, True, NIGHT),
        (2, False, NIGHT + 5 * MINUTE_US),
        (3, False, NIGHT + 15 * MINUTE_US),
    ]
    assert steps[2].persons == ("cy", "dot")


def test_as_it_climbs_waits_and_fails() -> None:
    night = Night("bench")
    night.go(6)
    assert night.whys()["ben"] == Standing("ben", Why.QUIET, NIGHT + 240 * MINUTE_US)
    assert (night.case.steps, night.case.next_step_us) == (2, NIGHT + 15 * MINUTE_US)
    night.go(16)
    assert night.case.next_step_us is None
    assert night.case.repeat_us == NIGHT + 45 * MINUTE_US
    assert night.whys()["dot"].why is Why.QUIET
    mail = next(out for out in night.outputs if isinstance(out, Told) and out.person == "cy")
    refused = Delivered(mail.id, Outcome.REFUSED, NIGHT, 1, "no such mailbox")
    night.outputs += night.engine.apply(at(NIGHT + 17 * MINUTE_US, refused))
    assert night.whys()["cy"].why is Why.FAILED
    before = night.case
    night.outputs += night.engine.apply(
        at(NIGHT + 18 * MINUTE_US, Commanded(Acknowledge("c-1", "ada", "sensor/bench/laser", "")))
    )
    assert before.stage is Stage.OPEN, "a picture stays as it was"
    assert night.case.stage is Stage.TAKEN
    assert night.whys()["ada"].why is Why.TOLD


def test_whose_turn_it_never_was() -> None:
    night = Night("needles")
    night.go(0)
    assert night.whys()["ben"].why is Why.LATER, "high priority goes through quiet hours"
    night.engine.apply(at(NIGHT + MINUTE_US, Commanded(Acknowledge("c-1", "ada", "sensor/needles/laser", ""))))
    assert {night.whys()[name].why for name in ("ben", "cy", "dot")} == {Why.ENDED}
    steps = steps_of(night.case, night.ladders.by_id["usual"], night.roster, night.engine.time_us)
    assert [step.due_us for step in steps] == [NIGHT, None, None]


def test_before_the_first_configuration_there_is_nothing() -> None:
    assert Engine(Memory()).cases() == ()
