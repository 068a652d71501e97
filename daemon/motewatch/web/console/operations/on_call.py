"""Who is on call, how the calls for each alarm stand, the calls on record, and testing a way."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from motewatch.callout.outlook import CaseNow, standings
from motewatch.callout.roster import DAY_US, Roster
from motewatch.journal.call_ids import AnsweredBy, CallRecord
from motewatch.journal.rows import CallRow
from motewatch.site.instants import instant
from motewatch.site.people import Rota
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.console.duty import GAP_DAYS
from motewatch.web.console.house import House
from motewatch.web.console.listing import Listed, cursor_of, place_of
from motewatch.web.console.operation import BASE, Operation, Out, answer, body_of, query_of
from motewatch.web.console.watch import Watch
from motewatch.web.console.way_test import WayTest

CALLS: Final = "calls"


class Stretch(Out):
    """A stretch of time."""

    begin: datetime
    end: datetime


class RotaNow(Out):
    """One rota."""

    id: str
    name: str
    on_call: list[str] = Field(description="Ids of persons; empty: nobody is on call.")
    until: datetime | None = Field(description="null: for good, as far as is known.")
    then: list[str] = Field(description="Who is on call after that; empty: nobody, or nothing changes.")
    gaps: list[Stretch] = Field(description=f"When nobody is on call, in the next {GAP_DAYS} days.")


class PersonNow(Out):
    """One person and one alarm."""

    person: str
    why: str = Field(
        description="told, failed, quiet, no-way, later, later-but-quiet, off-duty, not-named or ended: why the person "
        "has, or has not, been told."
    )
    at: datetime | None = Field(description="When the person will be told, where that is known.")
    step: int | None = Field(description="The step that will tell, counted from 1.")


class ClimbNow(Out):
    """How the calls for one alarm stand."""

    alarm: str
    priority: str
    escalation: str
    stage: str = Field(description="open, taken or over.")
    opened: datetime
    steps_taken: int
    next_step: datetime | None
    told_again: datetime | None = Field(description="When everyone told so far is told again.")
    everybody_told: datetime | None = Field(description="When everybody is told, unless somebody acknowledges.")
    nobody_reached: bool
    persons: list[PersonNow]


class OnCall(Out):
    """Who is on call, and whom an alarm has called."""

    rotas: list[RotaNow]
    climbs: list[ClimbNow] = Field(description="Alarms for which somebody is called; all others call nobody.")


class CallsAsked(Listed):
    """Which calls."""

    person: str = Field(default="", max_length=64, description="Id of a person; empty: of all.")
    alarm: str = Field(default="", max_length=200, description="Id of an alarm; empty: of all.")


class Call(Out):
    """One call on record."""

    id: str
    at: datetime
    found: datetime
    person: str
    cause: str
    channel: str
    urgent: bool
    alarms: list[str]
    note: str
    outcome: str | None = Field(description="delivered, refused or given-up; null: not known yet.")
    outcome_at: datetime | None
    attempts: int | None
    detail: str | None
    answered_by: str | None = Field(description="Who used the link in it, or confirmed the test call.")
    answered_at: datetime | None


class Calls(Out):
    """Calls, newest first."""

    calls: list[Call]
    next: str | None = Field(description="The cursor of the page after this one; null: there is none.")


class TestAsked(Out):
    """Test this way."""

    person: str = Field(min_length=1, max_length=64)
    channel: str = Field(min_length=1, max_length=64)


class Trial(Out):
    """One trial message."""

    to: str
    taken: bool
    text: str


class TestDone(Out):
    """What became of the test; it is on the audit trail."""

    trials: list[Trial]


OPERATIONS: Final = (
    Operation(f"{BASE}/on-call", "GET", "on_call", "Who is on call, and whom each alarm has called", May.LOOK, OnCall),
    Operation(
        f"{BASE}/calls",
        "GET",
        "calls",
        "Calls on record, newest first",
        May.LOOK,
        Calls,
        problems=(400, 401, 403, 422),
        asks=CallsAsked,
    ),
    Operation(
        f"{BASE}/on-call/test",
        "POST",
        "test_way",
        "Send a test message over a way to a person",
        May.OPERATE,
        TestDone,
        TestAsked,
        (400, 401, 403, 409, 413, 422, 503),
    ),
)


class OnCallOperations:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._watch = Watch(house)
        self._test = WayTest(house)

    async def on_call(self, request: Request, visitor: Visitor) -> Response:
        """Who is on call."""
        return answer(await run_in_threadpool(self._now))

    async def calls(self, request: Request, visitor: Visitor) -> Response:
        """Calls on record."""
        asked = query_of(request, CallsAsked)
        place = place_of(CALLS, asked.cursor, int)
        before = None if place is None else int(place[0])
        return answer(await run_in_threadpool(self._calls, asked, before))

    async def test_way(self, request: Request, visitor: Visitor) -> Response:
        """Test a way."""
        asked = await body_of(request, TestAsked)
        done = await run_in_threadpool(self._test.test, visitor, asked.person, asked.channel)
        if done.wrong:
            raise HTTPException(409 if done.busy else 422, done.wrong)
        if not done.kept:
            raise HTTPException(503, "It was sent, but what became of it is not on the audit trail yet.")
        return answer(TestDone(trials=[Trial(to=one.to, taken=one.delivered, text=one.text) for one in done.tried]))

    def _now(self) -> OnCall:
        now_us = self._house.clock.now_us()
        site, roster, ladders = self._watch.plan()
        known = [case for case in self._watch.cases() if case.escalation in ladders.by_id]
        return OnCall(
            rotas=[_rota(rota, roster, now_us) for rota in site.rotas],
            climbs=[
                _climb(
                    case,
                    [
                        PersonNow(person=each.person, why=each.why.value, at=_at(each.at_us), step=each.step)
                        for each in standings(case, ladders.by_id[case.escalation], roster, now_us)
                    ],
                )
                for case in known
            ],
        )

    def _calls(self, asked: CallsAsked, before: int | None) -> Calls:
        record = CallRecord(self._house.record)
        # One more than asked for tells whether there is a page after this one.
        found = record.page(asked.limit + 1, before, person=asked.person or None, alarm=asked.alarm or None)
        shown, more = found[: asked.limit], len(found) > asked.limit
        answers = record.answers([row.told for _, row in shown])
        return Calls(
            calls=[_call(row, answers.get(row.told.id)) for _, row in shown],
            next=cursor_of(CALLS, shown[-1][0]) if more else None,
        )


def _at(us: int | None) -> datetime | None:
    return None if us is None else instant(us)


def _rota(rota: Rota, roster: Roster, now_us: int) -> RotaNow:
    change_us = roster.next_change_us(rota.id, now_us)
    gaps = roster.gaps(rota.id, now_us, now_us + GAP_DAYS * DAY_US)
    return RotaNow(
        id=rota.id,
        name=rota.name,
        on_call=list(roster.on_call(rota.id, now_us)),
        until=_at(change_us),
        then=[] if change_us is None else list(roster.on_call(rota.id, change_us)),
        gaps=[Stretch(begin=instant(gap.begin_us), end=instant(gap.end_us)) for gap in gaps],
    )


def _climb(case: CaseNow, persons: list[PersonNow]) -> ClimbNow:
    return ClimbNow(
        alarm=case.alarm,
        priority=case.priority,
        escalation=case.escalation,
        stage=case.stage.value,
        opened=instant(case.opened_us),
        steps_taken=case.steps,
        next_step=_at(case.next_step_us),
        told_again=_at(case.repeat_us),
        everybody_told=_at(case.nobody_us),
        nobody_reached=case.unreached,
        persons=persons,
    )


def _call(row: CallRow, answered: AnsweredBy | None) -> Call:
    told = row.told
    return Call(
        id=told.id,
        at=instant(told.at_us),
        found=instant(told.found_us),
        person=told.person,
        cause=told.cause.value,
        channel=told.channel,
        urgent=told.urgent,
        alarms=[fact.alarm for fact in told.facts],
        note=told.note,
        outcome=None if row.outcome is None else row.outcome.value,
        outcome_at=_at(row.outcome_us),
        attempts=row.attempts,
        detail=row.detail,
        answered_by=None if answered is None else answered.by,
        answered_at=None if answered is None else instant(answered.at_us),
    )
