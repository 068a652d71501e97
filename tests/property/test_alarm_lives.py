"""Any life of alarms: condition, people, shelving, suppression, out of service, restarts, in any order.

Invariants after every step: every shelved alarm has an end that is entered as a deadline and not yet past; state and
condition agree; nothing that people must see is hidden without a reason; and a restored engine says the same.
"""

from __future__ import annotations

import json

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from motewatch.alarms.lifecycle import ACTIVE, HIDDEN, State
from motewatch.engine import Engine
from motewatch.engine.agenda import Due
from motewatch.engine.codec import canonical
from motewatch.engine.records import AlarmChanged, Commanded, Heard, Input, Memory, Output, Replied, What
from motewatch.wire.records import (
    MINUTE_US,
    SECOND_US,
    Acknowledge,
    Health,
    RemoveFromService,
    Reset,
    ReturnToService,
    SetOccupancy,
    Shelve,
    Unshelve,
)
from support.facility import T0, configured, reading, site_dict

S = SECOND_US
LASER, FLOW = "sensor/pc-1/laser", "sensor/pc-1/flow"
alarms = st.sampled_from([LASER, FLOW])
SITE = site_dict(
    alarm_rules=[{"kinds": ["sensor-flow"], "latched": True}, {"kinds": ["sensor-laser"], "re_alarm_min": 3}],
    suppressions=[
        {"id": "blind", "reason": "Blind", "hides": ["sensor-flow"], "sensor": ["laser"]},
        {"id": "unused", "reason": "Unused", "hides": ["sensor-laser"], "rooms": ["fill"], "occupancy": ["as-built"]},
    ],
)


class Lives(RuleBasedStateMachine):
    """One engine that goes on, one that is restored again and again, and what a person would expect of them."""

    def __init__(self) -> None:
        super().__init__()
        self.now_us = T0
        self.seq = 0
        self.number = 0
        self.fault = {LASER: False, FLOW: False}
        self.state = {LASER: State.NORMAL, FLOW: State.NORMAL}
        self.owed = False
        """Does FLOW, which latches, still have to be reset?"""
        self.histories = (Memory(), Memory())
        self.engines = [Engine(history) for history in self.histories]
        self._do(configured(SITE))

    def _do(self, what: What) -> list[Output]:
        self.now_us += S
        # What was due before is not the command's doing.
        said, again = (engine.advance(self.now_us - 1) for engine in self.engines)
        self._note(said, again)
        item = Input(self.now_us, self.now_us, what)
        said, again = (engine.apply(item) for engine in self.engines)
        return self._note(said, again)

    def _note(self, said: list[Output], again: list[Output]) -> list[Output]:
        assert [canonical(out) for out in said] == [canonical(out) for out in again]
        for out in said:
            if isinstance(out, AlarmChanged) and out.alarm in self.state:
                assert out.before is self.state[out.alarm], "a step is missing on record"
                self.state[out.alarm] = out.after
        return said

    def _order(self, command: Acknowledge | Shelve | Unshelve | Reset | RemoveFromService | ReturnToService) -> None:
        before = dict(self.state)
        said = self._do(Commanded(command))
        (reply,) = [out for out in said if isinstance(out, Replied)]
        if not reply.accepted:
            assert [type(out) for out in said] == [Replied]
            assert self.state == before

    def _id(self) -> str:
        self.number += 1
        return f"c-{self.number}"

    @rule(laser=st.booleans(), flow=st.booleans())
    def air(self, laser: bool, flow: bool) -> None:
        self.fault = {LASER: laser, FLOW: flow}
        self.seq += 1
        bad, good = Health.FAULT, Health.OK
        made = reading(
            "pc-1", self.seq, self.now_us + S, seconds=0.5, laser=bad if laser else good, flow=bad if flow else good
        )
        self._do(Heard(made))

    @rule(alarm=alarms)
    def acknowledge(self, alarm: str) -> None:
        self._order(Acknowledge(self._id(), "ada", alarm))

    @rule(alarm=alarms, minutes=st.sampled_from([0, 1, 4, 30, 13 * 60]))
    def shelve(self, alarm: str, minutes: int) -> None:
        self._order(Shelve(self._id(), "ada", alarm, self.now_us + minutes * MINUTE_US, "why"))

    @rule(alarm=alarms, kind=st.sampled_from([Unshelve, Reset, ReturnToService]))
    def bring_back(self, alarm: str, kind: type[Unshelve | Reset | ReturnToService]) -> None:
        self._order(kind(self._id(), "ada", alarm))

    @rule(alarm=alarms)
    def remove(self, alarm: str) -> None:
        self._order(RemoveFromService(self._id(), "ada", alarm, "WP-1"))

    @rule(said=st.sampled_from(["as-built", "operational", None]))
    def occupancy(self, said: str | None) -> None:
        self._do(Commanded(SetOccupancy(self._id(), "ada", "fill", said)))

    @rule(us=st.sampled_from([S, 20 * S, MINUTE_US, 5 * MINUTE_US]))
    def time_passes(self, us: int) -> None:
        self.now_us += us
        said, again = (engine.advance(self.now_us) for engine in self.engines)
        self._note(said, again)

    @precondition(lambda self: self.number > 0)
    @rule()
    def restart(self) -> None:
        self.engines[1] = Engine.restore(json.loads(self.engines[1].snapshot_text()), self.histories[1])

    @invariant()
    def a_shelved_alarm_has_an_end_that_is_due(self) -> None:
        snapshot = self.engines[0].snapshot()
        for alarm, about in ((entry[0], entry) for entry in snapshot["alarms"]):
            if about[7] == State.SHELVED.value:
                until_us = about[16][3]
                assert until_us > self.engines[0].passed_us
                assert [until_us, int(Due.UNSHELVE), alarm] in snapshot["agenda"]

    @invariant()
    def condition_and_state_agree(self) -> None:
        for entry in self.engines[0].snapshot()["alarms"]:
            alarm, state, condition = entry[0], State(entry[7]), entry[12]
            if alarm not in self.fault:
                continue
            assert condition == self.fault[alarm], alarm
            if state not in HIDDEN:
                # Hidden and active comes back unacknowledged: seen, an alarm is active exactly if its condition holds.
                assert (state in ACTIVE) == condition, (alarm, state)
            assert (entry[16] is None) == (state not in HIDDEN)

    @invariant()
    def what_is_suppressed_is_explained(self) -> None:
        book = {entry[0]: entry for entry in self.engines[0].snapshot()["alarms"]}
        flow = book.get(FLOW)
        if flow is not None and flow[7] == State.SUPPRESSED_BY_DESIGN.value:
            assert flow[16][0] == "Blind"
            assert State(book[LASER][7]) in ACTIVE


TestLives = Lives.TestCase
TestLives.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
