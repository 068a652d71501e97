"""Arguments and options that several commands share, each with the same words of help everywhere."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

SitePath = Annotated[Path, typer.Argument(metavar="SITE", help="Site file (TOML).", show_default=False)]

AlarmArgument = Annotated[
    str, typer.Argument(metavar="ALARM", help="Id of the alarm, as `alarms` lists it.", show_default=False)
]


class Format(StrEnum):
    """How a listing is written."""

    TABLE = "table"
    CSV = "csv"
    JSON = "json"


FormatOption = Annotated[Format, typer.Option("--format", help="table is for people; csv and json keep every figure.")]
Limit = Annotated[int, typer.Option("--limit", min=1, max=1_000_000, help="At most so many, the newest of them.")]
Since = Annotated[
    str | None,
    typer.Option(
        "--since",
        metavar="TIME",
        help="From this time on: 2026-03-02T08:00 (site's time), 2026-03-02T08:00Z, or -2h, -30m, -7d.",
        show_default=False,
    ),
]
Until = Annotated[
    str | None, typer.Option("--until", metavar="TIME", help="Before this time; as --since.", show_default=False)
]
User = Annotated[
    str | None,
    typer.Option(
        "--user",
        metavar="NAME",
        envvar="MOTEWATCH_MQTT_USER",
        help="User at the broker. Absent: the site file's.",
        show_default=False,
    ),
]
PasswordFile = Annotated[
    Path | None,
    typer.Option(
        "--password-file",
        metavar="FILE",
        envvar="MOTEWATCH_MQTT_PASSWORD_FILE",
        help="File with that user's password.",
        show_default=False,
    ),
]
By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who says so; goes on record.", show_default=False)]
Comment = Annotated[str, typer.Option("--comment", metavar="TEXT", help="Why; goes on record.", show_default=False)]
Wait = Annotated[
    float, typer.Option("--wait", min=0.1, max=600, metavar="SECONDS", help="How long to wait for the answer.")
]


def known_location(location: str | None, known: Iterable[str]) -> str:
    """The location, if the site has it; else a sentence that names those it has."""
    if location is None:
        raise typer.BadParameter(f"which location? One of {', '.join(known)}", param_hint="--location")
    ids = list(known)
    if location not in ids:
        raise typer.BadParameter(
            f"no location '{location}' in this site; there are {', '.join(ids)}", param_hint="--location"
        )
    return location
