"""A new site file at any stage of a call takes anything away: the engine goes on, and whoever is left is called.

Each stage is played up to its instant; then one thing is no longer in the file, the outcomes of all calls that are
under way come in, time passes, and the old file comes back. Nothing may be told to somebody who is gone, and an alarm
that still wants somebody has told somebody who is there.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from typing import Any

import pytest

from motewatch.callout.records import Delivered, Outcome, Told
from motewatch.engine import Engine
from motewatch.engine.codec import canonical
from motewatch.engine.records import Commanded, Heard, Input, Memory, Output, Resumed, What
from motewatch.wire.records import HOUR_US, MINUTE_US, SECOND_US, Acknowledge, Health, Shelve
from support.callout_site import callout_site, climb, person, weekly
from support.facility import configured, reading

T0 = 1_780_344_000 * SECOND_US
"""2026-06-01T20:00:00Z, 22:00 in Berlin: Ben is quiet, Ada and Cy are not."""

Site = dict[str, Any]


def whole(flood_alarms: int = 1_000) -> Site:
    """Ada (rota, two ways), then Ben and the team, then everybody again."""
    return callout_site(
        climb((0, "rota:tech"), (5, "person:ben team:leads"), repeat_min=10),
        climb((0, "person:dot"), (3, "team:leads"), id="unused", areas=["south"]),
        persons={"ada": person("ada", "sms", "mail"), "ben": person("ben", "sms", quiet=["Mon-Sun 22:00-06:00"])},
        rotas=[weekly("ada")],
        callout={"flood_alarms": flood_alarms},
    )


class Night:
    """One engine, restored after whatever happens if `restarting`."""

    def __init__(self, flood_alarms: int, *, restarting: bool) -> None:
        self.now_us = T0
        self.flood_alarms = flood_alarms
        self.history = Memory()
        self.engine = Engine(self.history)
        self.restarting = restarting
        self.outputs: list[Output] = []
        self.out: list[Told] = []
        self.number = 0
        self.configure(whole(flood_alarms))

    def _note(self, outputs: list[Output]) -> None:
        self.outputs += outputs
        self.out += [output for output in outputs if isinstance(output, Told)]
        if self.restarting:
            self.engine = Engine.restore(json.loads(self.engine.snapshot_text()), self.history)

    def do(self, what: What) -> None:
        self.now_us += SECOND_US
        self.number += 1
        self._note(self.engine.apply(Input(self.now_us, self.now_us, what)))

    def later(self, us: int) -> None:
        self.now_us += us
        self._note(self.engine.advance(self.now_us))

    def configure(self, site: Site) -> None:
        self.do(configured(site))

    def fault(self, point: str, laser: Health = Health.FAULT) -> None:
        self.do(Heard(reading(point, self.number, self.now_us + SECOND_US, seconds=0.5, laser=laser)))

    def settle(self, outcome: Outcome) -> None:
        """All calls that are under way, and those that follow from that."""
        for _ in range(50):
            if not self.out:
                return
            under_way, self.out = self.out, []
            for told in under_way:
                self.do(Delivered(told.id, outcome, self.now_us, 1))
            self.later(0)
        raise AssertionError("calls without end")

    def cases(self) -> dict[str, list[Any]]:
        return {case[0]: case for case in self.engine.snapshot()["callout"]["cases"]}


def called(night: Night) -> None:
    night.fault("bench")
    night.fault("needles")
    night.later(MINUTE_US)


def at_the_same_instant(night: Night) -> None:
    night.fault("bench")


def climbed(night: Night) -> None:
    called(night)
    night.later(6 * MINUTE_US)


def repeated(night: Night) -> None:
    called(night)
    night.settle(Outcome.DELIVERED)
    night.later(18 * MINUTE_US)


def over_another_way(night: Night) -> None:
    called(night)
    told = night.out.pop(0)
    night.do(Delivered(told.id, Outcome.REFUSED, night.now_us, 1))
    night.later(SECOND_US)


def nobody_reached(night: Night) -> None:
    called(night)
    night.settle(Outcome.REFUSED)
    night.later(SECOND_US)


def nobody_answered(night: Night) -> None:
    called(night)
    night.settle(Outcome.DELIVERED)
    night.later(30 * MINUTE_US)


def gathered(night: Night) -> None:
    for point in ("needles", "stopper", "bench", "scale"):
        night.fault(point)
    night.later(5 * SECOND_US)


def gathered_again_over_another_way(night: Night) -> None:
    gathered(night)
    told = night.out.pop(0)
    night.do(Delivered(told.id, Outcome.REFUSED, night.now_us, 1))


def taken(night: Night) -> None:
    called(night)
    night.do(Commanded(Acknowledge("ack", "ada", "sensor/bench/laser")))


def returned(night: Night) -> None:
    called(night)
    night.fault("bench", Health.OK)


def shelved(night: Night) -> None:
    called(night)
    night.do(Commanded(Shelve("shelve", "ada", "sensor/bench/laser", night.now_us + HOUR_US, "why")))


def away(night: Night) -> None:
    called(night)
    night.do(Resumed(night.now_us + HOUR_US))


STAGES: list[Callable[[Night], None]] = [
    called,
    at_the_same_instant,
    climbed,
    repeated,
    over_another_way,
    nobody_reached,
    nobody_answered,
    gathered,
    gathered_again_over_another_way,
    taken,
    returned,
    shelved,
    away,
]


def without_person(gone: str) -> Callable[[Site], None]:
    def change(site: Site) -> None:
        site["persons"] = [each for each in site["persons"] if each["id"] != gone]
        for rota in site["rotas"]:
            rota["rotation"]["members"] = [m for m in rota["rotation"]["members"] if m != gone] or ["cy"]
        for team in site["teams"]:
            team["members"] = [member for member in team["members"] if member != gone]
        for escalation in site["escalations"]:
            for step in escalation["steps"]:
                step["tell"] = [t for t in step["tell"] if t != f"person:{gone}"] or ["person:cy"]

    return change


def without_channel(gone: str) -> Callable[[Site], None]:
    def change(site: Site) -> None:
        site["channels"] = [each for each in site["channels"] if each["id"] != gone]
        for each in site["persons"]:
            left = [reach for reach in each["reach"] if reach["channel"] != gone]
            each["reach"] = left or [{"channel": "voice", "address": "another"}]

    return change


def without_place(site: Site) -> None:
    for table, key in (("sensors", "id"), ("locations", "id"), ("rationalisation", "location")):
        site[table] = [each for each in site[table] if each[key] != "bench"]


def without_escalation(site: Site) -> None:
    site["escalations"] = site["escalations"][1:]


def without_any_escalation(site: Site) -> None:
    site["escalations"] = []


def without_rota(site: Site) -> None:
    site["rotas"] = []
    site["escalations"][0]["steps"][0]["tell"] = ["person:cy"]


def without_team(site: Site) -> None:
    site["teams"] = []
    site["escalations"][0]["steps"][1]["tell"] = ["person:ben"]
    site["escalations"][1]["steps"] = site["escalations"][1]["steps"][:1]


def without_second_step(site: Site) -> None:
    site["escalations"][0]["steps"] = site["escalations"][0]["steps"][:1]


def without_everybody_but_dot(site: Site) -> None:
    for gone in ("ada", "ben"):
        without_person(gone)(site)
    without_rota(site)
    site["persons"] = [each for each in site["persons"] if each["id"] == "dot"]
    site["teams"] = [{"id": "leads", "name": "Leads", "members": ["dot"]}]
    for escalation in site["escalations"]:
        for step in escalation["steps"]:
            step["tell"] = ["person:dot"]


def without_any_callout(site: Site) -> None:
    for table in ("persons", "channels", "teams", "rotas", "escalations"):
        site[table] = []


REMOVALS: dict[str, Callable[[Site], None]] = {
    "ada": without_person("ada"),
    "ben": without_person("ben"),
    "dot": without_person("dot"),
    "sms": without_channel("sms"),
    "mail": without_channel("mail"),
    "place": without_place,
    "escalation": without_escalation,
    "escalations": without_any_escalation,
    "rota": without_rota,
    "team": without_team,
    "step": without_second_step,
    "everybody": without_everybody_but_dot,
    "callout": without_any_callout,
}


def live(stage: Callable[[Night], None], what: str, outcome: Outcome, *, restarting: bool) -> Night:
    night = Night(2 if stage.__name__.startswith("gathered") else 1_000, restarting=restarting)
    stage(night)
    changed = deepcopy(whole(night.flood_alarms))
    REMOVALS[what](changed)
    night.configure(changed)
    before = len(night.outputs)
    night.settle(outcome)
    night.later(30 * SECOND_US)
    night.settle(outcome)
    night.later(2 * HOUR_US)
    persons = {each["id"] for each in changed["persons"]}
    told = {output.person for output in night.outputs[before:] if isinstance(output, Told)}
    assert told <= persons
    for alarm, case in night.cases().items():
        contacts = dict(case[9])
        assert set(contacts) <= persons
        if case[5] == "open":
            assert contacts, f"nobody is called for {alarm}"
    night.settle(outcome)
    night.configure(whole(night.flood_alarms))
    night.later(10 * HOUR_US)
    night.settle(Outcome.DELIVERED)
    return night


@pytest.mark.parametrize("what", REMOVALS)
@pytest.mark.parametrize("stage", STAGES, ids=lambda stage: stage.__name__)
def test_what_a_new_site_file_takes_away_at_any_stage_stops_nothing(stage: Callable[[Night], None], what: str) -> None:
    for outcome in (Outcome.DELIVERED, Outcome.GIVEN_UP):
        live(stage, what, outcome, restarting=False)


@pytest.mark.parametrize("stage", STAGES, ids=lambda stage: stage.__name__)
def test_a_restart_around_a_new_site_file_changes_no_word(stage: Callable[[Night], None]) -> None:
    plain, restarted = (live(stage, "ada", Outcome.GIVEN_UP, restarting=each) for each in (False, True))
    assert [canonical(out) for out in plain.outputs] == [canonical(out) for out in restarted.outputs]
