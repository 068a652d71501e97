"""The history of alarms, and what may be done about them beside acknowledging: shelve, reset, out of service, back."""

from __future__ import annotations

from functools import partial
from typing import Final

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from motewatch.alarms.priority import Priority
from motewatch.engine.records import AlarmChanged, OrderedAct
from motewatch.journal.alarm_history import alarm_history
from motewatch.links.publications import iso
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.bodies import one_line
from motewatch.web.console.alarm_history_page import narrowed
from motewatch.web.console.house import House
from motewatch.web.console.listing import Listed, cursor_of, place_of
from motewatch.web.console.now import COMMENT_MAX
from motewatch.web.console.operation import BASE, Operation, Out, answer, body_of, query_of
from motewatch.web.console.operations.right_now import Done, Order, done
from motewatch.web.console.record_wanted import UnclearError
from motewatch.wire.records import MINUTE_US

WEEK_MIN: Final = 7 * 24 * 60


class ShelveOrder(Out):
    """Hide this alarm for a while."""

    alarm: str = Field(min_length=1, max_length=200)
    minutes: int = Field(ge=1, le=WEEK_MIN, description="No longer than the site allows.")
    comment: str = Field(min_length=1, max_length=COMMENT_MAX, description="Why.")


class RemovalOrder(Out):
    """Take this alarm out of service."""

    alarm: str = Field(min_length=1, max_length=200)
    permit: str = Field(min_length=1, max_length=100)
    comment: str = Field(default="", max_length=COMMENT_MAX)


class HistoryAsked(Listed):
    """Which steps; all that is given must hold."""

    since: str = Field(default="", max_length=40, description="ISO 8601, in the site's zone where it names none.")
    until: str = Field(default="", max_length=40, description="Before this instant.")
    priority: str = Field(default="", max_length=20, description=f"One of {', '.join(Priority)}; empty: any.")
    kind: str = Field(default="", max_length=60, description="A kind of alarm, as in the site's register; empty: any.")
    room: str = Field(default="", max_length=100, description="Id of a room; empty: any.")


class AlarmStep(Out):
    """One step in an alarm's life."""

    at: str = Field(description="When it happened.")
    found: str = Field(description="When it was known.")
    alarm: str
    kind: str
    priority: str
    event: str
    before: str
    after: str
    text: str
    by: str = Field(description="Who did it, where a person did.")
    comment: str
    location: str | None
    room: str | None
    sensor: str | None
    value: float | None
    limit: float | None
    unit: str
    late: bool = Field(description="true: found after it had returned to normal.")


class AlarmHistory(Out):
    """Steps of alarms, newest first."""

    steps: list[AlarmStep]
    next: str | None


_PROBLEMS: Final = (400, 401, 403, 409, 413, 422, 503)


def _operation(act: OrderedAct, name: str, summary: str, takes: type[Out]) -> Operation:
    return Operation(f"{BASE}/alarms/{act.value}", "POST", name, summary, May.OPERATE, Done, takes, _PROBLEMS)


OPERATIONS: Final = (
    Operation(
        f"{BASE}/alarms/history",
        "GET",
        "history",
        "Every step of alarms on record, newest first",
        May.LOOK,
        AlarmHistory,
        problems=(400, 401, 403, 422),
        asks=HistoryAsked,
    ),
    _operation(OrderedAct.SHELVE, "shelve", "Hide an alarm for a while", ShelveOrder),
    _operation(OrderedAct.UNSHELVE, "unshelve", "Bring a shelved alarm back", Order),
    _operation(OrderedAct.RESET, "reset", "Let a latched alarm go that has returned to normal", Order),
    _operation(OrderedAct.REMOVE_FROM_SERVICE, "remove", "Take an alarm out of service under a permit", RemovalOrder),
    _operation(OrderedAct.RETURN_TO_SERVICE, "return_", "Return an alarm to service", Order),
)


class AlarmOperations:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house

    async def history(self, request: Request, visitor: Visitor) -> Response:
        """The steps."""
        asked = query_of(request, HistoryAsked)
        place = place_of("api-alarm-history", asked.cursor, int, int)
        try:
            wanted = narrowed(asked.model_dump(), self._house.site)
        except UnclearError as error:
            raise HTTPException(422, str(error)) from None
        after = None if place is None else (int(place[0]), int(place[1]))
        store = self._house.record.store
        steps, more = await run_in_threadpool(alarm_history, store, wanted, after, asked.limit)
        following = None if more is None else cursor_of("api-alarm-history", *more)
        return answer(AlarmHistory(steps=[_step(step) for _, step in steps], next=following))

    async def shelve(self, request: Request, visitor: Visitor) -> Response:
        """Shelve."""
        asked = await body_of(request, ShelveOrder)
        until_us = self._house.clock.now_us() + asked.minutes * MINUTE_US
        return await self._do(visitor, OrderedAct.SHELVE, asked.alarm, asked.comment, until_us=until_us)

    async def unshelve(self, request: Request, visitor: Visitor) -> Response:
        """Unshelve."""
        return await self._plain(request, visitor, OrderedAct.UNSHELVE)

    async def reset(self, request: Request, visitor: Visitor) -> Response:
        """Reset."""
        return await self._plain(request, visitor, OrderedAct.RESET)

    async def remove(self, request: Request, visitor: Visitor) -> Response:
        """Take out of service."""
        asked = await body_of(request, RemovalOrder)
        permit = one_line(asked.permit)
        return await self._do(visitor, OrderedAct.REMOVE_FROM_SERVICE, asked.alarm, asked.comment, permit=permit)

    async def return_(self, request: Request, visitor: Visitor) -> Response:
        """Return to service."""
        return await self._plain(request, visitor, OrderedAct.RETURN_TO_SERVICE)

    async def _plain(self, request: Request, visitor: Visitor, act: OrderedAct) -> Response:
        asked = await body_of(request, Order)
        return await self._do(visitor, act, asked.alarm, asked.comment)

    async def _do(
        self, visitor: Visitor, act: OrderedAct, alarm: str, comment: str, *, until_us: int = 0, permit: str = ""
    ) -> Response:
        order = partial(self._house.order, visitor, act, alarm, one_line(comment), until_us=until_us, permit=permit)
        return done(await run_in_threadpool(order))


def _step(step: AlarmChanged) -> AlarmStep:
    return AlarmStep(
        at=iso(step.at_us),
        found=iso(step.found_us),
        alarm=step.alarm,
        kind=step.kind,
        priority=step.priority.value,
        event=step.event.value,
        before=step.before.value,
        after=step.after.value,
        text=step.text,
        by=step.by,
        comment=step.comment,
        location=step.location,
        room=step.room,
        sensor=step.sensor,
        value=step.value,
        limit=step.limit,
        unit=step.unit,
        late=step.late,
    )
