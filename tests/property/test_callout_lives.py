"""Any night of callout: faults, people, ways that fail, shifts, pauses and restarts in any order.

Held against what people may rely on: nobody is called for what somebody has taken, hidden or seen end; whoever was told
hears of that; an alarm that wants somebody always has a next step; no step tells anybody twice; and neither a restart,
nor how time is cut, nor a replay changes a word.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from motewatch.alarms.lifecycle import HIDDEN, Event, State
from motewatch.callout.records import Cause, Delivered, Outcome, Told
from motewatch.engine import Engine
from motewatch.engine.agenda import Due
from motewatch.engine.codec import canonical
from motewatch.engine.records import AlarmChanged, Commanded, Heard, Input, Memory, Output, Resumed, What
from motewatch.engine.subject import NOBODY_ALARM
from motewatch.wire.records import HOUR_US, MINUTE_US, SECOND_US, Acknowledge, Command, Health, Reset, Shelve, Unshelve
from support.callout_site import callout_site, climb, person
from support.facility import configured, reading

T0 = 1_780_344_000 * SECOND_US
"""2026-06-01T20:00:00Z: two hours before Ada's first shift begins, in the evening of a quiet night."""

WANTED = frozenset({Cause.RAISED, Cause.CLIMBED, Cause.REPEATED, Cause.OTHER_WAY, Cause.MANY, Cause.NOBODY_REACHED})
RETURNS = frozenset({Event.RETURNS, Event.RETURNS_LATCHED})
STEPS = frozenset({Cause.RAISED, Cause.CLIMBED})
POINTS = ("needles", "bench", "scale")
ALARMS = tuple(f"sensor/{point}/laser" for point in POINTS)
points = st.sampled_from(POINTS)
alarms = st.sampled_from(ALARMS)
persons = st.sampled_from(["ada", "ben", "cy"])

ROTA: dict[str, Any] = {
    "id": "tech",
    "name": "Technicians",
    "rotation": {"members": ["ada", "ben"], "first": "2026-06-02", "hand_over": "00:00", "shift_days": 1},
    "cover": [{"person": "cy", "start": "2026-06-02T03:00:00", "end": "2026-06-02T04:00:00"}],
}


def site(flood_alarms: int, *, other: bool = False) -> dict[str, object]:
    """Three steps with a rota that has nobody at first, a person who is quiet at night, one with two ways.

    `other`: another escalation, and Ben is gone.
    """
    people = {
        "ada": person("ada", "sms", "mail"),
        "ben": person("ben", "sms", quiet=["Mon-Sun 22:00-06:00"], may=["acknowledge", "shelve", "reset"]),
        "cy": person("cy", "mail"),
        "dot": person("dot"),
    }
    members = ["ada", "cy"] if other else ["ada", "ben", "cy"]
    usual = climb((0, "rota:tech"), (5, "person:cy person:ben"), (15, "team:all"), repeat_min=10)
    instead = climb((3, "team:all"), (6, "rota:tech"), (12, "person:ada"), id="other", repeat_min=15)
    made = callout_site(
        instead if other else usual,
        persons=people,
        rotas=[ROTA | {"rotation": ROTA["rotation"] | {"members": members[:2]}}],
        teams=[{"id": "all", "name": "All", "members": members}],
        callout={"flood_alarms": flood_alarms},
        alarm_rules=[{"kinds": ["sensor-laser"], "locations": ["scale"], "latched": True, "re_alarm_min": 7}],
    )
    if other:
        made["persons"] = [each for each in made["persons"] if each["id"] != "ben"]
    return made


@dataclass
class Life:
    """What a person who reads the record knows of one alarm."""

    state: State = State.NORMAL
    opened_us: int = 0
    momentary: bool = False
    """Was it over at the instant at which it started? Then it is told once."""
    told: set[str] = field(default_factory=set)
    """Whom this case has told."""
    failed: set[str] = field(default_factory=set)
    """Who could not be reached by some call of it."""
    steps: set[str] = field(default_factory=set)
    """Whom a step has told."""
    handed: set[tuple[str, int]] = field(default_factory=set)


class Nights(RuleBasedStateMachine):
    """One engine that goes from deadline to deadline, one that goes in strides and is restored again and again."""

    def __init__(self) -> None:
        super().__init__()
        self.now_us = T0
        self.number = 0
        self.histories = (Memory(), Memory())
        self.engines = [Engine(history) for history in self.histories]
        self.inputs: list[Input] = []
        self.said: list[str] = []
        self.lives: dict[str, Life] = {}
        self.out: list[Told] = []
        self.ids: set[str] = set()
        self.away_until_us = 0
        self.flood = False
        self.known: set[str] = set()
        self.sound = False

    @initialize(flood_alarms=st.sampled_from([2, 1_000]))
    def begin(self, flood_alarms: int) -> None:
        self.flood = flood_alarms == 2
        self.known = {"ada", "ben", "cy"}
        self._do(configured(site(flood_alarms)))

    # What happens

    def _do(self, what: What) -> list[Output]:
        self._pass(self.now_us + SECOND_US - 1)
        self.now_us += SECOND_US
        item = Input(self.now_us, self.now_us, what)
        self.inputs.append(item)
        repeats = self._repeats() if self.number else {}
        self.number += 1
        said, again = (engine.apply(item) for engine in self.engines)
        self._note(said, repeats)
        self._same(said, again)
        return said + self._pass(self.now_us)

    def _pass(self, to_us: int) -> list[Output]:
        first, second = self.engines
        said: list[Output] = []
        while first.next_due_us is not None and first.next_due_us < to_us:
            repeats = self._repeats()
            outputs = first.advance(max(first.next_due_us, first.time_us))
            self._note(outputs, repeats)
            said += outputs
        repeats = self._repeats() if self.number else {}
        outputs = first.advance(to_us)
        self._note(outputs, repeats)
        said += outputs
        self._same(said, second.advance(to_us))
        return said

    def _same(self, said: list[Output], again: list[Output]) -> None:
        lines = [canonical(out) for out in said]
        assert lines == [canonical(out) for out in again]
        self.said += lines

    def _repeats(self) -> dict[str, int | None]:
        """When each case is to be repeated, as the engine has it."""
        return {case[0]: case[11] for case in self.engines[0].snapshot()["callout"]["cases"]}

    def _order(self, command: Command) -> list[Output]:
        return self._do(Commanded(command))

    def _id(self) -> str:
        return f"c-{self.number}"

    @rule(point=points, bad=st.booleans())
    def fault(self, point: str, bad: bool) -> None:
        laser = Health.FAULT if bad else Health.OK
        self._do(Heard(reading(point, self.number, self.now_us + SECOND_US, seconds=0.5, laser=laser)))

    @rule()
    def everything_breaks(self) -> None:
        for point in POINTS:
            self.fault(point, True)

    @rule(alarm=alarms, by=persons)
    def acknowledge(self, alarm: str, by: str) -> None:
        life = self.lives.setdefault(alarm, Life())
        wanted = life.state is State.UNACKNOWLEDGED
        owed = (life.told - life.failed - {by}) & self.known if wanted else set()
        said = self._order(Acknowledge(self._id(), by, alarm))
        if not any(isinstance(out, AlarmChanged) and out.event is Event.ACKNOWLEDGE for out in said):
            return
        taken = {
            out.person
            for out in said
            if isinstance(out, Told) and out.cause is Cause.TAKEN and alarm in {fact.alarm for fact in out.facts}
        }
        assert by not in taken
        assert taken <= life.told
        if not self.flood:
            assert owed <= taken, f"{owed - taken} were told of {alarm}, and not that it is taken"

    @rule(alarm=alarms, minutes=st.sampled_from([1, 12, 90]))
    def shelve(self, alarm: str, minutes: int) -> None:
        self._order(Shelve(self._id(), "ada", alarm, self.now_us + minutes * MINUTE_US, "why"))

    @rule(alarm=alarms, kind=st.sampled_from([Unshelve, Reset]))
    def bring_back(self, alarm: str, kind: type[Unshelve | Reset]) -> None:
        self._order(kind(self._id(), "ben", alarm))

    @precondition(lambda self: self.out)
    @rule(outcome=st.sampled_from(Outcome), data=st.data())
    def outcome(self, outcome: Outcome, data: st.DataObject) -> None:
        told = self.out.pop(data.draw(st.integers(0, len(self.out) - 1)))
        if outcome is not Outcome.DELIVERED:
            for fact in told.facts:
                if fact.alarm in self.lives:
                    self.lives[fact.alarm].failed.add(told.person)
        self._do(Delivered(told.id, outcome, self.now_us, 1))

    @rule(us=st.sampled_from([20 * SECOND_US, MINUTE_US, 5 * MINUTE_US, 20 * MINUTE_US, HOUR_US, 7 * HOUR_US]))
    def time_passes(self, us: int) -> None:
        self.now_us += us
        self._pass(self.now_us)

    @rule(us=st.sampled_from([MINUTE_US, 30 * MINUTE_US, 4 * HOUR_US]))
    def service_is_away(self, us: int) -> None:
        """Its time stood still; then it says for how long, and time goes on."""
        self.away_until_us = self.now_us + SECOND_US + us
        self._do(Resumed(self.away_until_us))
        self.now_us = self.away_until_us
        self._pass(self.now_us)

    @rule(other=st.booleans())
    def site_file_changes(self, other: bool) -> None:
        self.known = {"ada", "cy"} if other else {"ada", "ben", "cy"}
        for life in self.lives.values():
            life.steps &= self.known
        self._do(configured(site(2 if self.flood else 1_000, other=other)))

    @rule()
    def restart(self) -> None:
        self.engines[1] = Engine.restore(json.loads(self.engines[1].snapshot_text()), self.histories[1])

    # What must hold

    def _note(self, said: list[Output], repeats: dict[str, int | None]) -> None:
        self.sound = False
        for out in said:
            if isinstance(out, AlarmChanged):
                life = self.lives.setdefault(out.alarm, Life())
                if out.after is State.UNACKNOWLEDGED:
                    self.lives[out.alarm] = life = Life(opened_us=out.found_us)
                elif life.state is State.UNACKNOWLEDGED:
                    life.momentary = out.event in RETURNS and out.found_us == life.opened_us
                life.state = out.after
            elif isinstance(out, Told):
                self._told(out, repeats)
        self.sound = True

    def _told(self, told: Told, repeats: dict[str, int | None]) -> None:
        assert told.id not in self.ids, "an id was given twice"
        self.ids.add(told.id)
        self.out.append(told)
        assert told.at_us <= told.found_us
        assert told.found_us >= self.away_until_us or told.cause in (Cause.TAKEN, Cause.RETURNED)
        for fact in told.facts:
            life = self.lives[fact.alarm]
            if told.cause in WANTED:
                self._wanted(told, life)
                assert fact.alarm != NOBODY_ALARM
                if told.cause in STEPS and repeats.get(fact.alarm) != told.found_us and not self.flood:
                    assert told.person not in life.steps, f"{told.person} was told of {fact.alarm} by two steps"
                    life.steps.add(told.person)
            elif told.cause is Cause.HANDED_OVER:
                assert (told.person, told.at_us) not in life.handed
                assert self.flood or life.state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED), told
                life.handed.add((told.person, told.at_us))
            else:
                assert told.person in life.told, f"{told.person} hears the end of what was never told"
                continue
            life.told.add(told.person)

    def _wanted(self, told: Told, life: Life) -> None:
        """Is there somebody to be called for it? What was gathered in a flood may have ended since."""
        assert life.state is not State.ACKNOWLEDGED, told
        assert life.state not in HIDDEN, told
        assert self.flood or life.momentary or life.state is State.UNACKNOWLEDGED, told

    @invariant()
    def an_alarm_that_wants_somebody_has_a_next_step(self) -> None:
        if not self.number:
            return
        engine = self.engines[0]
        agenda = engine.snapshot()["agenda"]
        for alarm, life in self.lives.items():
            if life.state is State.UNACKNOWLEDGED and alarm != NOBODY_ALARM:
                coming = [
                    at_us
                    for at_us, due, key in agenda
                    if due in (Due.CALL_STEP, Due.CALL_REPEAT) and key == alarm and at_us > engine.passed_us
                ]
                assert coming, f"nothing is to follow for {alarm}"

    @invariant()
    def nobody_reached_stands_exactly_while_there_is_such_a_case(self) -> None:
        if not self.number:
            return
        cases = self.engines[0].snapshot()["callout"]["cases"]
        life = self.lives.get(NOBODY_ALARM, Life())
        unreached = [case[0] for case in cases if case[13]]
        active = life.state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
        assert active == bool(unreached)
        assert all(self.lives[alarm].state is State.UNACKNOWLEDGED for alarm in unreached)

    def teardown(self) -> None:
        """The same inputs once more, with time cut in other places."""
        if not self.sound:
            return
        engine, again = Engine(Memory()), []
        for item in self.inputs:
            if engine.passed_us > 0:
                middle_us = (engine.time_us + item.applied_at_us) // 2
                again += engine.advance(min(middle_us, item.applied_at_us - 1))
            again += engine.apply(item)
        again += engine.advance(self.now_us)
        assert [canonical(out) for out in again] == self.said


TestNights = Nights.TestCase
TestNights.settings = settings(max_examples=30, stateful_step_count=40, deadline=None, report_multiple_bugs=False)
