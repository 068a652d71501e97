"""The console's HTTP API: all operations behind their rules, with the OpenAPI document.

Rules: a program shows a token (`Authorization: Bearer`); a signed-in browser may read with its cookie but not act, so
that no page elsewhere can act in its name. What may be done is what the token's scope and its user's role allow. A GET
answers with an ETag, and with 304 to who has the same already. Nobody asks without end: `TIMES` in `WITHIN_S`. Must not
know how the pages look.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Awaitable, Callable
from typing import Any, Final

from pydantic import BaseModel
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import SCOPES, May
from motewatch.web.console.house import House
from motewatch.web.console.metrics import KIND, Metrics
from motewatch.web.console.operation import BASE, PROBLEM, TITLES, Operation, Problem
from motewatch.web.console.operations import (
    alarms,
    configurations,
    on_call,
    record,
    reports,
    right_now,
    sensors,
    signatures,
    trends,
    users,
)
from motewatch.web.guesses import Pace

OPERATION_GROUPS: Final[tuple[tuple[tuple[Operation, ...], Callable[[House], object]], ...]] = (
    (right_now.OPERATIONS, right_now.RightNowOperations),
    (alarms.OPERATIONS, alarms.AlarmOperations),
    (trends.OPERATIONS, trends.TrendOperations),
    (record.OPERATIONS, record.RecordOperations),
    (configurations.OPERATIONS, configurations.ConfigurationOperations),
    (on_call.OPERATIONS, on_call.OnCallOperations),
    (sensors.OPERATIONS, sensors.SensorOperations),
    (reports.OPERATIONS, reports.ReportOperations),
    (signatures.OPERATIONS, signatures.SignatureOperations),
    (users.OPERATIONS, users.UserOperations),
)
"""Each group of operations, and what makes them."""

OPERATIONS: Final[tuple[Operation, ...]] = tuple(one for group, _ in OPERATION_GROUPS for one in group)

ALWAYS: Final = (401, 403, 429, 500)
"""Problems that every operation may answer with."""

NO_TOKEN: Final = "Send 'Authorization: Bearer TOKEN' with a token that has not ended; users make theirs under Tokens."

TIMES: Final = 1_200
WITHIN_S: Final = 60.0
"""So often a user's programs may ask, all together."""

Handler = Callable[[Request, Visitor], Awaitable[Response]]
Guarded = Callable[[Request], Awaitable[Response]]


class Api:
    """See the module. `routes` go into the console's application."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._pace = Pace(TIMES, WITHIN_S)
        document = openapi()

        def described(_: Request) -> Response:
            return JSONResponse(document)

        by_path: dict[str, dict[str, Guarded]] = {}
        for operations, make in OPERATION_GROUPS:
            group: Any = make(house)
            for one in operations:
                by_path.setdefault(one.path, {})[one.method] = self._guarded(one, getattr(group, one.name))
        # One route for each path, so that what a path does not do is answered with all that it does.
        self.routes = [Route(f"{BASE}/openapi.json", described)]
        self._metrics = Metrics(house.record, house.feed.alarms, house.clock)
        self.routes.append(Route("/metrics", self._health))
        self.routes += [Route(path, _by_method(found), methods=[*found]) for path, found in by_path.items()]

    def _guarded(self, operation: Operation, handler: Handler) -> Guarded:
        async def guarded(request: Request) -> Response:
            visitor = await self.admitted(request, operation.needs)
            answer = await handler(request, visitor)
            return tagged(request, answer) if operation.method == "GET" else answer

        return guarded

    async def _health(self, request: Request) -> Response:
        """The service's own health; for a token of scope read."""
        await self.admitted(request, May.LOOK)
        text = await run_in_threadpool(lambda: self._metrics.text(self._house.pulse()))
        return Response(text, headers={"Content-Type": KIND})

    async def admitted(self, request: Request, needs: May) -> Visitor:
        """Who is asking; raises 401, 403 or 429."""
        visitor = await run_in_threadpool(self._who, request)
        if visitor is None:
            raise HTTPException(401, NO_TOKEN)
        if not visitor.may(needs):
            scopes = " or ".join(scope for scope, rights in SCOPES.items() if needs in rights)
            raise HTTPException(403, f"This needs a token of scope {scopes}, of a user whose role may do it.")
        wait_s = self._pace.wait_s(visitor.id, self._house.clock.monotonic_s())
        if wait_s > 0:
            raise HTTPException(429, headers={"Retry-After": str(int(wait_s) + 1)})
        return visitor

    def _who(self, request: Request) -> Visitor | None:
        kind, _, secret = request.headers.get("authorization", "").partition(" ")
        if kind.casefold() == "bearer":
            return self._house.desk.bearer(secret.strip())
        return self._house.visitor(request) if request.method in ("GET", "HEAD") else None


def _by_method(found: dict[str, Guarded]) -> Guarded:
    async def by_method(request: Request) -> Response:
        return await found["GET" if request.method == "HEAD" else request.method](request)

    return by_method


def tagged(request: Request, answer: Response) -> Response:
    """The answer with an ETag; 304 without a body where the asker has it already."""
    # A stream is not known before it is sent.
    if answer.status_code != 200 or isinstance(answer, StreamingResponse | FileResponse):
        return answer
    tag = f'"{hashlib.sha256(bytes(answer.body)).hexdigest()[:32]}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Vary": "Authorization, Cookie"}
    had = {each.strip().removeprefix("W/") for each in request.headers.get("if-none-match", "").split(",")}
    if had & {tag, "*"}:
        return Response(None, 304, headers)
    answer.headers.update(headers)
    return answer


def openapi() -> dict[str, Any]:
    """The OpenAPI 3.1 document of all operations."""
    schemas: dict[str, Any] = {}

    def reference(model: type[BaseModel], *, taken: bool = False) -> dict[str, str]:
        made = _schema(model, taken=taken)
        schemas.update(made.pop("$defs", {}))
        schemas[model.__name__] = made
        return {"$ref": f"#/components/schemas/{model.__name__}"}

    paths: dict[str, Any] = {}
    for one in OPERATIONS:
        given = {"application/json": {"schema": reference(one.gives)}} if not one.media else {one.media: {}}
        answers: dict[str, Any] = {"200": {"description": "Done.", "content": given}}
        if one.method == "GET":
            answers["304"] = {"description": "The same as its ETag says."}
        for status in sorted({*one.problems, *ALWAYS, *([422] if one.asks is not None else [])}):
            content = {PROBLEM: {"schema": reference(Problem)}}
            answers[str(status)] = {"description": f"{TITLES[status]}.", "content": content}
        made: dict[str, Any] = {"operationId": one.name, "summary": one.summary, "responses": answers}
        parameters = _parameters(one, schemas)
        if parameters:
            made["parameters"] = parameters
        if one.takes is not None:
            content = {"application/json": {"schema": reference(one.takes, taken=True)}}
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


def _schema(model: type[BaseModel], *, taken: bool) -> dict[str, Any]:
    mode: Any = "validation" if taken else "serialization"
    return model.model_json_schema(ref_template="#/components/schemas/{model}", mode=mode)


def _parameters(one: Operation, schemas: dict[str, Any]) -> list[dict[str, Any]]:
    """Those in the path, and those of the query."""
    text = {"type": "string", "minLength": 1}
    found: list[dict[str, Any]] = [
        {"name": name, "in": "path", "required": True, "schema": text} for name in re.findall(r"{(\w+)}", one.path)
    ]
    if one.asks is not None:
        asked = _schema(one.asks, taken=True)
        schemas.update(asked.pop("$defs", {}))
        wanted = asked.get("required", [])
        found += [
            {"name": name, "in": "query", "required": name in wanted, "schema": schema}
            for name, schema in asked.get("properties", {}).items()
        ]
    return found
