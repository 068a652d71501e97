"""The console's HTTP API: all operations behind their rules, with the OpenAPI document.

Rules: a program shows a token (`Authorization: Bearer`); a signed-in browser may read with its cookie but not act, so
that no page elsewhere can act in its name. What may be done is what the token's scope and its user's role allow. Must
not know how the pages look.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable
from typing import Any, Final

from pydantic import BaseModel
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from motewatch.web.access.desk import Visitor
from motewatch.web.console.house import House
from motewatch.web.console.operation import BASE, PROBLEM, TITLES, Operation, Problem
from motewatch.web.console.operations import right_now

OPERATION_GROUPS: Final[tuple[tuple[tuple[Operation, ...], Callable[[House], object]], ...]] = (
    (right_now.OPERATIONS, right_now.RightNowOperations),
)
"""Each group of operations, and what makes them."""

OPERATIONS: Final[tuple[Operation, ...]] = tuple(one for group, _ in OPERATION_GROUPS for one in group)

Handler = Callable[[Request, Visitor], Awaitable[Response]]


class Api:
    """See the module. `routes` go into the console's application."""

    def __init__(self, house: House) -> None:
        self._house = house
        document = openapi()

        def described(_: Request) -> Response:
            return JSONResponse(document)

        self.routes = [Route(f"{BASE}/openapi.json", described)]
        for operations, make in OPERATION_GROUPS:
            group: Any = make(house)
            self.routes += [
                Route(one.path, self._guarded(one, getattr(group, one.name)), methods=[one.method])
                for one in operations
            ]

    def _guarded(self, operation: Operation, handler: Handler) -> Callable[[Request], Awaitable[Response]]:
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
            return self._house.desk.bearer(secret.strip())
        return self._house.visitor(request) if request.method in ("GET", "HEAD") else None


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
        answers: dict[str, Any] = {
            "200": {"description": "Done.", "content": {"application/json": {"schema": reference(one.gives)}}}
        }
        for status in one.problems:
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
