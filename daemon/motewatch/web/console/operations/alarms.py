"""What may be done about alarms beside acknowledging: shelve, unshelve, reset, out of service and back."""

from __future__ import annotations

from functools import partial
from typing import Final

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from motewatch.engine.records import OrderedAct
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.bodies import one_line
from motewatch.web.console.house import House
from motewatch.web.console.now import COMMENT_MAX
from motewatch.web.console.operation import BASE, Operation, Out, body_of
from motewatch.web.console.operations.right_now import Done, Order, done
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


_PROBLEMS: Final = (400, 401, 403, 409, 413, 422, 503)


def _operation(act: OrderedAct, name: str, summary: str, takes: type[Out]) -> Operation:
    return Operation(f"{BASE}/alarms/{act.value}", "POST", name, summary, May.OPERATE, Done, takes, _PROBLEMS)


OPERATIONS: Final = (
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
