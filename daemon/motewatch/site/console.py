"""The console's table of the site file: where it listens, how browsers reach it, how long a sign-in lasts."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, StringConstraints

from motewatch.site.basics import URL_PATTERN, Label, Number, Table, Whole
from motewatch.site.oidc import Oidc


class Console(Table):
    """The pages that the daemon serves itself to people who sign in."""

    public_url: Annotated[str, StringConstraints(pattern=URL_PATTERN)]
    """How browsers reach it, without a path, such as `https://air.example.org`."""
    host: Label = "127.0.0.1"
    port: Annotated[Whole, Field(ge=0, le=65_535)] = 8430
    cert_file: Label | None = None
    cert_key_file: Label | None = None
    idle_min: Annotated[Number, Field(ge=1, le=1_440)] = 30.0
    """A sign-in ends after so long without use."""
    session_h: Annotated[Number, Field(gt=0, le=72)] = 12.0
    """A sign-in ends after so long in any case."""
    viewer_session_h: Annotated[Number, Field(gt=0, le=8_760)] = 720.0
    """The same for the role viewer, which can change nothing: a display on a wall."""
    password_min: Annotated[Whole, Field(ge=10, le=64)] = 12
    """Shortest password, in characters."""
    failures_alarm: Annotated[Whole, Field(ge=3, le=1_000)] = 10
    """So many failed sign-ins and confirmations within `failures_within_min` are an alarm."""
    failures_within_min: Annotated[Number, Field(ge=1, le=1_440)] = 10.0
    oidc: Oidc | None = None
    """Absent: nobody signs in by an outside identity provider."""
