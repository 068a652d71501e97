"""The form that a POST brings: bounded in bytes, time and fields, whatever is sent.

Must not know what is in it.
"""

from __future__ import annotations

import asyncio
from typing import Final
from urllib.parse import parse_qs

from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request

BODY_BYTES: Final = 8 * 1024
"""Enough for a comment in any script, percent-encoded."""

BODY_S: Final = 10.0

FIELDS: Final = 120
"""A list with a box for each alarm of a flood."""


FORM: Final = "application/x-www-form-urlencoded"


async def whole_body(request: Request, wanted: str = FORM) -> bytes:
    """The body, if it is of the wanted kind and short enough; else raises 400 or 413."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != wanted:
        raise HTTPException(400)

    async def whole() -> bytes:
        body = b""
        async for chunk in request.stream():
            body += chunk
            if len(body) > BODY_BYTES:
                raise HTTPException(413)
        return body

    try:
        return await asyncio.wait_for(whole(), BODY_S)
    except (TimeoutError, ClientDisconnect):
        raise HTTPException(400) from None


def form_of(body: bytes) -> dict[str, str]:
    """Its fields, each once; raises 400 for anything else."""
    try:
        fields = parse_qs(body.decode("ascii"), keep_blank_values=True, max_num_fields=FIELDS, errors="strict")
    except (ValueError, UnicodeError):
        raise HTTPException(400) from None
    if any(len(values) != 1 for values in fields.values()):
        raise HTTPException(400)
    return {key: values[0] for key, values in fields.items()}


def one_line(text: str) -> str:
    """A comment as the record takes it: one line, no control characters."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
