"""The model of `On call`: what is said of rotas, of the calls for each alarm, and why somebody is not told."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from motewatch.callout.ladders import Ladders
from motewatch.callout.records import Cause, Delivered, Outcome, Told
from motewatch.callout.roster import Roster
from motewatch.engine import Engine
from motewatch.engine.records import AlarmChanged, Commanded, Heard, Memory, Output
from motewatch.journal.call_ids import AnsweredBy
from motewatch.journal.rows import CallRow
from motewatch.links.publications import Directory, Publications
from motewatch.site.instants import instant_us
from motewatch.site.models import Site
from motewatch.web.console.climb import Climb
from motewatch.web.console.duty import Duty, duty_of
from motewatch.wire.outgoing import AlarmMessage
from motewatch.wire.records import MINUTE_US, Acknowledge, Health
from motewatch.wire.topics import Topics
from support.callout_site import callout_site, climb, person, weekly
from support.facility import at, configured, reading

NIGHT = instant_us(datetime(2026, 6, 1, 2, 0, tzinfo=ZoneInfo("Europe/Berlin")))
LADDER = climb((0, "rota:tech"), (5, "person:ben"), (15, "team:leads"), repeat_min=30, priorities=["high", "medium"])
PERSONS = {"ben": person("ben", "sms", quiet=["Mon-Sun 22:00-06:00"]), "eve": person("eve", "sms")}
COVER = {"person": "cy", "instead_of": "ada", "start": "2026-06-01T01:00:00", "end": "2026-06-01T04:00:00",
         "reason": "ill"}  # fmt: skip


class Night:
    """Two alarms at two at night, one of which nobody is called for."""

    def __init__(self, *points: str, **changes: Any) -> None:
        short = {
            "id": "short", "name": "Short", "rotation": {"members": ["ada"], "first": "2026-06-20"},
        }  # fmt: skip
        rotas = [weekly("ada", "eve", id="tech", cover=[COVER]), short]
        self.plain = callout_site(LADDER, persons=PERSONS, rotas=rotas, **changes)
        self.site = Site.model_validate(self.plain)
        self.engine = Engine(Memory())
        self.outputs: list[Output] = self.engine.apply(at(NIGHT - MINUTE_US, configured(self.plain)))
        for number, point in enumerate(points):
            fault = reading(point, 1, NIGHT + number, seconds=1.0, laser=Health.FAULT)
            self.outputs += self.engine.apply(at(NIGHT + number, Heard(fault)))

    def go(self, minutes: float) -> None:
        self.outputs += self.engine.advance(NIGHT + round(minutes * MINUTE_US))

    def duty(self, answers: dict[str, AnsweredBy] | None = None, **more: Any) -> Duty:
        changes = {out.alarm: out for out in self.outputs if isinstance(out, AlarmChanged)}
        publications = Publications(Topics("m", "s"), Directory.of(self.site), time_series=False)
        rows_again = publications.states(changes.values(), 0)
        last = dict(zip(changes, (AlarmMessage.model_validate_json(row.payload) for row in rows_again), strict=True))
        told = [out for out in self.outputs if isinstance(out, Told)]
        rows = [CallRow(told[0], Outcome.DELIVERED, told[0].at_us + 1, 1, "")] if told else []
        rows += [CallRow(each, Outcome.REFUSED, each.at_us, 1, "no such number") for each in told[1:2]]
        rows += [CallRow(each) for each in told[2:]]
        by_alarm = {alarm: [row for row in rows if row.told.facts[0].alarm == alarm] for alarm in last}
        return duty_of(
            self.site, Roster.of(self.site), Ladders.of(self.site), list(last.values()), self.engine.cases(), by_alarm,
            rows, answers or {}, more.pop("tests", []), self.engine.time_us, **more,
        )  # fmt: skip

    def climb(self, point: str) -> Climb:
        return next(each for each, _ in self.duty().climbs if each.id == f"sensor/{point}/laser")


def test_an_alarm_says_what_comes_next_and_why_each_person_is_or_is_not_told() -> None:
    night = Night("bench")
    night.go(0)
    bench = night.climb("bench")
    assert bench.headline == "Next: step 2 of 3 at 02:05 tells Ben. An acknowledgement ends it."
    assert (bench.css, bench.sign, bench.escalation) == ("watch", "▲", "usual")
    assert [(step.number, step.word, step.whom) for step in bench.steps] == [
        (1, "taken", "whoever is on call in Technicians"),
        (2, "at 02:05", "Ben"),
        (3, "at 02:15", "team Leads (Cy, Dot)"),
    ]
    assert [(each.name, each.word) for each in bench.persons] == [
        ("Cy", "told"),
        ("Ada", "not on call"),
        ("Ben", "step 2 falls into quiet hours, told at 06:00"),
        ("Dot", "step 3, at 02:15"),
        ("Eve", "not on call"),
    ]
    night.go(16)
    bench = night.climb("bench")
    assert bench.headline == (
        "All steps are taken. Everyone told so far is told again at 02:45. An acknowledgement ends it."
    )
    assert {each.name: each.word for each in bench.persons}["Ben"] == (
        "in quiet hours, told at 06:00 if it is still open"
    )


def test_nobody_reached_and_taken_are_said() -> None:
    night = Night("needles")
    night.go(16)
    assert "Everybody is told, over every way, at 02:30." in night.climb("needles").headline
    night.go(31)
    needles = night.climb("needles")
    assert needles.headline.startswith("Nobody was reached: everybody has been told. All steps are taken.")
    assert (needles.css, needles.sign) == ("bad", "✖")
    command = Commanded(Acknowledge("c-1", "ada", "sensor/needles/laser", ""))
    night.outputs += night.engine.apply(at(NIGHT + 32 * MINUTE_US, command))
    assert night.climb("needles").headline == "Somebody has it: the climb has ended."


def test_where_nobody_is_called_the_reason_is_said() -> None:
    night = Night("scale")
    night.go(0)
    scale = night.climb("scale")
    assert scale.headline == "Nobody is called: no escalation takes an alarm of low priority here at this time."
    assert (scale.sign, scale.steps) == ("✖", ())
    night.outputs += night.engine.apply(
        at(NIGHT + MINUTE_US, Commanded(Acknowledge("c-1", "ada", "sensor/scale/laser", "")))
    )
    assert night.climb("scale").headline == "Nobody is called: it is acknowledged."


def test_rotas_say_who_until_when_why_who_comes_and_where_nobody_does() -> None:
    night = Night()
    tech, short = night.duty().rotas
    assert (tech.on, tech.until, tech.why, tech.then) == ("Cy", "04:00", "cover: ill", "Ada from 04:00")
    assert [cover.text for cover in tech.covers] == ["Cy instead of Ada: ill"]
    assert [cover.when for cover in tech.covers] == ["now to 04:00"]
    assert [(turn.whom, turn.begin, turn.end) for turn in tech.turns[:3]] == [
        ("Cy", "now", "04:00"),
        ("Ada", "04:00", "08:00"),
        ("Eve", "08:00", "Mon 8 Jun 08:00"),
    ]
    assert tech.used
    assert tech.gaps == ()
    assert (short.on, short.until, short.then) == ("", "Sat 20 Jun 08:00", "Ada from Sat 20 Jun 08:00")
    assert short.gaps == ("now to Sat 20 Jun 08:00",)
    assert not short.used
    assert short.turns[0].gap


def test_a_call_says_what_became_of_it_and_who_answered() -> None:
    night = Night("needles", "bench")
    night.go(31)
    told = [out for out in night.outputs if isinstance(out, Told)]
    duty = night.duty({told[0].id: AnsweredBy("cy", NIGHT + 2 * MINUTE_US, "acknowledge")})
    first, second, third = duty.calls[:3]
    assert (first.who, first.sign, first.outcome) == ("Cy", "✓", "delivered 02:00")
    assert first.answered == "answered by Cy 02:02"
    assert (second.sign, second.outcome) == ("✖", f"refused {second.when}: no such number")
    assert (third.sign, third.outcome, third.answered) == ("?", "on its way", "")
    assert "nobody reached" in {line.why for line in duty.calls}
    assert {line.who for _, lines in duty.climbs for line in lines} >= {"Cy", "Ben"}


def test_test_calls_are_confirmed_failed_or_open() -> None:
    night = Night(callout={"test_calls": {"at": "Tue 10:00"}})

    def test_call(who: str) -> CallRow:
        told = Told(f"test-{who}", NIGHT, NIGHT, Cause.TEST, who, "sms", "+1", False, (), answer=f"test/{who}")
        return CallRow(told)

    rows = [(test_call("ada"), False), (test_call("ben"), True), (test_call("eve"), False)]
    duty = night.duty({"test-ada": AnsweredBy("ada", NIGHT, "confirm")}, tests=rows)
    assert [(test.who, test.sign, test.outcome) for test in duty.tests] == [
        ("Ada", "✓", "confirmed 02:00"),
        ("Ben", "✖", "failed: this way may not reach them"),
        ("Eve", "?", "not confirmed yet"),
    ]
    assert duty.next_test == "Tue 2 Jun 10:00"
    assert Night().duty().next_test == ""


def test_outcomes_of_the_engine_are_not_mixed_up_with_those_of_the_record() -> None:
    """A person whose ways all failed is said so, whoever else was told."""
    night = Night("needles")
    night.go(6)
    told = next(out for out in night.outputs if isinstance(out, Told) and out.person == "ben")
    night.outputs += night.engine.apply(
        at(NIGHT + 7 * MINUTE_US, Delivered(told.id, Outcome.REFUSED, NIGHT, 1, "gone"))
    )
    assert {each.name: each.word for each in night.climb("needles").persons}["Ben"] == (
        "could not be reached over any way"
    )
