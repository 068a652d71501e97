"""The console's HTTP API: rooms now, alarms, acknowledging; with its OpenAPI document and RFC 9457 problem details.

Rules: a program shows a token (`Authorization: Bearer`); a signed-in browser may read with its cookie but not act, so
that no page elsewhere can act in its name. What may be done is what the token's scope and its user's role allow. Must
not know how the pages look.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any, Final, Protocol

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from motewatch.engine.records import Replied
from motewatch.web.access.desk import AccessDesk, Visitor
from motewatch.web.access.roles import May
from motewatch.web.bodies import whole_body
from motewatch.web.console.feed import Feed
from motewatch.web.console.now import COMMENT_MAX, Measure, Now
from motewatch.wire.outgoing import AlarmMessage

BASE: Final = "/api/v1"
PROBLEM: Final = "application/problem+json"
TITLES: Final = {
    400: "The request cannot be read",
    401: "Not signed in",
    403: "Not allowed",
    404: "No such resource",
    405: "Not possible here",
    409: "Refused by the rules of alarms",
    413: "Too long",
    422: "The request makes no sense",
    500: "A fault of the service",
    503: "No answer yet",
}
ANSWERS: Final = {"bad": "not-fine", "watch": "not-fine", "unknown": "cannot-tell", "fine": "fine", "none": "no-limit"}


class _Out(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Value(_Out):
    """The latest concentration of one size against its level."""

    size_um: float
    per_m3: float | None = Field(description="null: not counted.")
    limit_per_m3: int
    share: float | None = Field(description="1 is the limit.")
    beyond: bool = Field(description="Above the alert or action level, whatever the judging rule makes of it.")


class LocationNow(_Out):
    """One location as it stands."""

    id: str
    name: str
    answer: str = Field(description="fine, not-fine, cannot-tell or no-limit. No data is never fine.")
    why: str
    values: list[Value]


class Room(_Out):
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


class Rooms(_Out):
    """All rooms, worst first."""

    trouble: str = Field(description="Why nothing here can be trusted; empty: it can.")
    rooms: list[Room]


class Alarms(_Out):
    """All alarms that are not normal: the standing ones first, then those shelved, suppressed or out of service."""

    alarms: list[AlarmMessage]


class Order(_Out):
    """Acknowledge this alarm."""

    alarm: str = Field(min_length=1, max_length=200)
    comment: str = Field(default="", max_length=COMMENT_MAX)


class Done(_Out):
    """It was acknowledged."""

    text: str


class Problem(_Out):
    """RFC 9457 problem details."""

    type: str
    title: str
    status: int
    detail: str


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation: what it needs, takes and gives, and the problems it may answer with."""

    path: str
    method: str
    name: str
    summary: str
    needs: May
    gives: type[BaseModel]
    takes: type[BaseModel] | None = None
    problems: tuple[int, ...] = (401, 403)


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
)


class Press(Protocol):
    """Hands an acknowledgement to the engine; its reply, or None where there is none yet."""

    def __call__(self, visitor: Visitor, alarm: str, comment: str) -> Replied | None: ...


class Api:
    """See the module. `routes` go into the console's application."""

    def __init__(
        self, desk: AccessDesk, feed: Feed, press: Press, visitor: Callable[[Request], Visitor | None]
    ) -> None:
        self._desk = desk
        self._feed = feed
        self._press = press
        self._visitor = visitor
        document = openapi()

        def described(_: Request) -> Response:
            return JSONResponse(document)

        self.routes = [
            Route(f"{BASE}/openapi.json", described),
            *(Route(one.path, self._guarded(one), methods=[one.method]) for one in OPERATIONS),
        ]

    def _guarded(self, operation: Operation) -> Callable[[Request], Awaitable[Response]]:
        handler: Callable[[Request, Visitor], Awaitable[Response]] = getattr(self, f"_{operation.name}")

        async def guarded(request: Request) -> Response:
            visitor = await run_in_threadpool(self._who, request)
            if visitor is None:
                raise HTTPException(401)
            if not visitor.may(operation.needs):
                raise HTTPException(403)
            return await handler(request, visitor)

        return guarded

    def _who(self, request: Request) -> Visitor | None:
        kind, _, secret = request.headers.get("authorization", "").partition(" ")
        if kind.casefold() == "bearer":
            return self._desk.bearer(secret.strip())
        return self._visitor(request) if request.method in ("GET", "HEAD") else None

    async def _rooms(self, request: Request, visitor: Visitor) -> Response:
        return _answer(_rooms(await run_in_threadpool(self._feed.now)))

    async def _alarms(self, request: Request, visitor: Visitor) -> Response:
        return _answer(Alarms(alarms=await run_in_threadpool(self._feed.alarms)))

    async def _acknowledge(self, request: Request, visitor: Visitor) -> Response:
        body = await whole_body(request, "application/json")
        try:
            order = Order.model_validate_json(body)
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            where = ".".join(str(part) for part in first["loc"])
            if first["type"] == "json_invalid":
                raise HTTPException(400, "the body is not JSON") from None
            raise HTTPException(422, f"{where}: {first['msg']}") from None
        comment = " ".join("".join(c if c.isprintable() else " " for c in order.comment).split())
        replied = await run_in_threadpool(self._press, visitor, order.alarm, comment)
        if replied is None:
            raise HTTPException(503, "It was handed over, but there is no reply yet.")
        if not replied.accepted:
            raise HTTPException(409, replied.text)
        return _answer(Done(text=replied.text))


def problem(status: int, detail: str = "") -> Response:
    """RFC 9457 problem details."""
    body = Problem(type="about:blank", title=TITLES.get(status, "Not done"), status=status, detail=detail)
    headers = {"WWW-Authenticate": "Bearer"} if status == 401 else None
    return Response(body.model_dump_json(), status, headers, PROBLEM)


def openapi() -> dict[str, Any]:
    """The OpenAPI 3.1 document of all operations."""
    schemas: dict[str, Any] = {}

    def reference(model: type[BaseModel]) -> dict[str, str]:
        made = model.model_json_schema(
            ref_template="#/components/schemas/{model}", mode="validation" if model is Order else "serialization"
        )
        schemas.update(made.pop("$defs", {}))
        schemas[model.__name__] = made
        return {"$ref": f"#/components/schemas/{model.__name__}"}

    paths: dict[str, Any] = {}
    for one in OPERATIONS:
        answers: dict[str, Any] = {
            "200": {"description": "Done.", "content": {"application/json": {"schema": reference(one.gives)}}}
        }
        for status in one.problems:
            content = {PROBLEM: {"schema": reference(Problem)}}
            answers[str(status)] = {"description": f"{TITLES[status]}.", "content": content}
        made: dict[str, Any] = {"operationId": one.name, "summary": one.summary, "responses": answers}
        if one.takes is not None:
            content = {"application/json": {"schema": reference(one.takes)}}
            made["requestBody"] = {"required": True, "content": content}
        paths.setdefault(one.path, {})[one.method.lower()] = made
    return {
        "openapi": "3.1.0",
        "info": {"title": "motewatch", "version": "1"},
        "security": [{"token": []}],
        "paths": paths,
        "components": {
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
            "schemas": dict(sorted(schemas.items())),
        },
    }


def _answer(model: BaseModel) -> Response:
    return Response(model.model_dump_json(), media_type="application/json")


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
