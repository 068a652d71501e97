"""Long lists of the HTTP API, page by page: the limit and the cursor of a query, and where a cursor stands.

Rules: a cursor is opaque to programs and names the list it was given by; what is none of ours is refused with 400,
never looked up. It holds nothing secret and gives no right: the list asks again who may see what. Must not know what is
listed.
"""

from __future__ import annotations

import binascii
import json
from base64 import urlsafe_b64decode, urlsafe_b64encode
from typing import Final

from pydantic import Field
from starlette.exceptions import HTTPException

from motewatch.web.console.operation import Out

LONGEST: Final = 600
HIGHEST: Final = 2**63 - 1


class Listed(Out):
    """The query of a list; a list with more to ask for derives from it."""

    limit: int = Field(default=100, ge=1, le=1_000, description="At most so many.")
    cursor: str = Field(default="", max_length=LONGEST, description="`next` of the page before; empty: the first page.")


def cursor_of(list_: str, *place: int | str) -> str:
    """The cursor of a page of this list that begins after `place`, its sort key."""
    text = json.dumps([list_, *place], ensure_ascii=False, separators=(",", ":"))
    return urlsafe_b64encode(text.encode()).decode().rstrip("=")


def place_of(list_: str, cursor: str, *kinds: type[int] | type[str]) -> tuple[int | str, ...] | None:
    """The place that a cursor stands for, each part of its kind; None: the first page. Raises 400."""
    if not cursor:
        return None
    try:
        text = urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).decode()
        found = json.loads(text)
    except (binascii.Error, ValueError, RecursionError):
        found = None
    right = isinstance(found, list) and [type(each) for each in found] == [str, *kinds]
    if not right or found[0] != list_ or cursor_of(*found) != cursor:
        raise HTTPException(400, "cursor: not one that this list gave; begin without it")
    if any(isinstance(each, int) and not -HIGHEST <= each <= HIGHEST for each in found):
        raise HTTPException(400, "cursor: not one that this list gave; begin without it")
    return tuple(found[1:])
