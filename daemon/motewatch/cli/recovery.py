"""The command `recovery`: how fast a room gets clean again, from a CSV file or from the journal.

Only its options and what they cannot mean; `recovery_sheet` does the work and brings the heavy imports.
"""

from __future__ import annotations

from typing import Annotated

import typer

from motewatch.cli import sheets
from motewatch.cli.options import Since, Until


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("recovery")(recovery_command)


def recovery_command(
    size: Annotated[float, typer.Option("--size", metavar="UM", help="Size to follow.", show_default=False)],
    file: sheets.File = None,
    location: Annotated[
        str | None, typer.Option("--location", metavar="ID", help="Sampling location, where there are several.")
    ] = None,
    background: Annotated[
        float | None,
        typer.Option("--background", metavar="PER_M3", min=0, help="Known background. Absent: the last samples."),
    ] = None,
    air_changes: Annotated[
        float | None,
        typer.Option("--air-changes", metavar="PER_H", help="The supply's air changes per hour, to compare with."),
    ] = None,
    target: Annotated[
        float | None,
        typer.Option("--target", metavar="PER_M3", help="What the room must come back to; the start should be 100x."),
    ] = None,
    confidence: Annotated[
        float, typer.Option("--confidence", metavar="PCT", min=50, max=99.9, help="Of the interval, two-sided.")
    ] = 95.0,
    printed: Annotated[
        bool, typer.Option("--printed", help="2.3 and 4.6 as the standard prints, instead of ln 10 and ln 100.")
    ] = False,
    as_json: sheets.AsJson = False,
    report: sheets.Report = None,
    site: sheets.FromSite = None,
    since: Since = None,
    until: Until = None,
    room: Annotated[str | None, typer.Option("--room", metavar="NAME", help="The room's name, for the report.")] = None,
    on: sheets.On = None,
    by: sheets.Tester = None,
    counter: sheets.Counter = None,
) -> None:
    """The recovery test: how fast a room gets clean again.

    FILE has the columns time_s or time_min, volume_l, location (optional) and counts such as ge_0.5um, from the
    challenge until the room is clean; config/examples holds one. A stream that is no decay is refused, exit status 1.

    \b
    motewatch recovery decay.csv --size 0.5 --air-changes 20
    motewatch recovery --site site.toml --location fill-1 --size 0.5 --since -1h --report decay.html
    """
    from motewatch.cli.recovery_sheet import Asked, print_recovery

    sheets.one_source(file, site)
    if file is not None:
        sheets.only_with_site({"--since": since, "--until": until})
    for name, value in (("--air-changes", air_changes), ("--target", target)):
        if value is not None and not 0 < value < float("inf"):
            raise typer.BadParameter(f"{value:g} is not above 0", param_hint=name)
    asked = Asked(
        size_nm=sheets.sizes_nm(f"{size:.12g}")[0],
        location=location,
        background_per_m3=background,
        air_changes_per_h=air_changes,
        target_per_m3=target,
        confidence=confidence / 100,
        printed=printed,
        file=file,
        site=site,
        since=since,
        until=until,
        room=room,
        tested_on=on,
        by=by,
        counter=counter,
    )
    print_recovery(asked, as_json, report)
