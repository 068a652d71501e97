"""What the operations of the HTTP API are made of: their description, bodies, answers, and RFC 9457 problem details.

Must not know what the operations are about.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from motewatch.web.access.roles import May
from motewatch.web.bodies import whole_body

BASE: Final = "/api/v1"
PROBLEM: Final = "application/problem+json"
TITLES: Final = {
    400: "The request cannot be read",
    401: "Not signed in",
    403: "Not allowed",
    404: "No such resource",
    405: "Not possible here",
    409: "Refused by the rules",
    413: "Too long",
    422: "The request makes no sense",
    429: "Too often",
    500: "A fault of the service",
    503: "No answer yet",
}

Model = TypeVar("Model", bound=BaseModel)


class Out(BaseModel):
    """What an operation gives or takes."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Problem(Out):
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
    """The body."""
    problems: tuple[int, ...] = (401, 403)
    asks: type[BaseModel] | None = None
    """The query; every field optional or refused with 422 where it is missing."""
    media: str = ""
    """A file of this media type instead of `gives` as JSON."""


def answer(model: BaseModel, status: int = 200) -> Response:
    """A model as JSON."""
    return Response(model.model_dump_json(), status, media_type="application/json")


async def body_of(request: Request, model: type[Model]) -> Model:
    """The JSON body; raises 400 or 422 with what is wrong."""
    body = await whole_body(request, "application/json")
    try:
        return model.model_validate_json(body)
    except ValidationError as error:
        raise _unreadable(error) from None


def query_of(request: Request, model: type[Model]) -> Model:
    """The query; raises 422 with what is wrong. Each name may stand once."""
    given = request.query_params.multi_items()
    if len({name for name, _ in given}) != len(given):
        raise HTTPException(422, "a name stands twice in the query")
    try:
        return model.model_validate_strings(dict(given))
    except ValidationError as error:
        raise _unreadable(error) from None


def _unreadable(error: ValidationError) -> HTTPException:
    first = error.errors(include_url=False, include_input=False)[0]
    if first["type"] == "json_invalid":
        return HTTPException(400, "the body is not JSON")
    where = ".".join(str(part) for part in first["loc"])
    return HTTPException(422, f"{where}: {first['msg']}")


def problem(status: int, detail: str = "", headers: Mapping[str, str] | None = None) -> Response:
    """RFC 9457 problem details."""
    body = Problem(type="about:blank", title=TITLES.get(status, "Not done"), status=status, detail=detail)
    more = {**(headers or {}), **({"WWW-Authenticate": "Bearer"} if status == 401 else {})}
    return Response(body.model_dump_json(), status, more, PROBLEM)
