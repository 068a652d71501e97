"""Rooms now, alarms, and acknowledging."""

from __future__ import annotations

from functools import partial
from typing import Final

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from motewatch.engine.records import OrderedAct, Replied
from motewatch.site.basics import Occupancy
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.bodies import one_line
from motewatch.web.console.house import House
from motewatch.web.console.now import COMMENT_MAX, Measure, Now
from motewatch.web.console.operation import BASE, Operation, Out, answer, body_of
from motewatch.wire.outgoing import AlarmMessage

ANSWERS: Final = {"bad": "not-fine", "watch": "not-fine", "unknown": "cannot-tell", "fine": "fine", "none": "no-limit"}


class Value(Out):
    """The latest concentration of one size against its level."""

    size_um: float
    per_m3: float | None = Field(description="null: not counted.")
    limit_per_m3: int
    share: float | None = Field(description="1 is the limit.")
    beyond: bool = Field(description="Above the alert or action level, whatever the judging rule makes of it.")


class LocationNow(Out):
    """One location as it stands."""

    id: str
    name: str
    answer: str = Field(description="fine, not-fine, cannot-tell or no-limit. No data is never fine.")
    why: str
    values: list[Value]


class Room(Out):
    """One room as it stands."""

    id: str
    name: str
    standard: str
    occupancy: str
    answer: str = Field(description="fine, not-fine, cannot-tell or no-limit. No data is never fine.")
    alert_only: bool = Field(description="not-fine, but within the action levels.")
    why: str
    worst_share: float | None
    locations: list[LocationNow]


class Rooms(Out):
    """All rooms, worst first."""

    trouble: str = Field(description="Why nothing here can be trusted; empty: it can.")
    rooms: list[Room]


class Alarms(Out):
    """All alarms that are not normal: the standing ones first, then those shelved, suppressed or out of service."""

    alarms: list[AlarmMessage]


class Order(Out):
    """Acknowledge this alarm."""

    alarm: str = Field(min_length=1, max_length=200)
    comment: str = Field(default="", max_length=COMMENT_MAX)


class OccupancyOrder(Out):
    """State a room's occupancy."""

    room: str = Field(min_length=1, max_length=64)
    occupancy: Occupancy | None = Field(description="null: by schedule again.")
    comment: str = Field(default="", max_length=COMMENT_MAX)


class Done(Out):
    """It was acknowledged."""

    text: str


OPERATIONS: Final = (
    Operation(f"{BASE}/rooms", "GET", "rooms", "Which rooms are fine right now, worst first", May.LOOK, Rooms),
    Operation(f"{BASE}/alarms", "GET", "alarms", "All alarms that are not normal", May.LOOK, Alarms),
    Operation(
        f"{BASE}/alarms/acknowledge",
        "POST",
        "acknowledge",
        "Acknowledge an alarm in the name of the token's user",
        May.ACKNOWLEDGE,
        Done,
        Order,
        (400, 401, 403, 409, 413, 422, 503),
    ),
    Operation(
        f"{BASE}/rooms/occupancy",
        "POST",
        "occupancy",
        "State a room's occupancy in the name of the token's user",
        May.OPERATE,
        Done,
        OccupancyOrder,
        (400, 401, 403, 409, 413, 422, 503),
    ),
)


class RightNowOperations:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house

    async def rooms(self, request: Request, visitor: Visitor) -> Response:
        """Which rooms are fine."""
        return answer(_rooms(await run_in_threadpool(self._house.feed.now)))

    async def alarms(self, request: Request, visitor: Visitor) -> Response:
        """All alarms that are not normal."""
        return answer(Alarms(alarms=await run_in_threadpool(self._house.feed.alarms)))

    async def acknowledge(self, request: Request, visitor: Visitor) -> Response:
        """Acknowledge an alarm."""
        order = await body_of(request, Order)
        given = (visitor, OrderedAct.ACKNOWLEDGE, order.alarm, one_line(order.comment))
        return done(await run_in_threadpool(self._house.order, *given))

    async def occupancy(self, request: Request, visitor: Visitor) -> Response:
        """State a room's occupancy."""
        order = await body_of(request, OccupancyOrder)
        given = (visitor, OrderedAct.SET_OCCUPANCY, order.room, one_line(order.comment))
        return done(await run_in_threadpool(partial(self._house.order, *given, occupancy=order.occupancy)))


def done(replied: Replied | None) -> Response:
    """The answer to an order by the engine's reply to it; raises 503 or 409."""
    if replied is None:
        raise HTTPException(503, "It was handed over, but there is no reply yet.")
    if not replied.accepted:
        raise HTTPException(409, replied.text)
    return answer(Done(text=replied.text))


def _rooms(now: Now) -> Rooms:
    rooms = [
        Room(
            id=room.id,
            name=room.name,
            standard=room.kind,
            occupancy=room.occupancy,
            answer=ANSWERS[room.css],
            alert_only=room.css == "watch",
            why=room.why,
            worst_share=None if room.worst is None else room.worst.share,
            locations=[
                LocationNow(
                    id=place.id,
                    name=place.name,
                    answer=ANSWERS[place.css],
                    why=place.why,
                    values=[_value(measure) for measure in place.measures],
                )
                for place in room.places
            ],
        )
        for room in now.rooms
    ]
    return Rooms(trouble=now.trouble, rooms=rooms)


def _value(measure: Measure) -> Value:
    return Value(
        size_um=measure.size_um,
        per_m3=measure.per_m3,
        limit_per_m3=measure.limit_per_m3,
        share=measure.share,
        beyond=measure.beyond,
    )
