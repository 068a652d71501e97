"""The command `classify`: the classification test of a room, from a CSV file or from the journal.

Only its options and what they cannot mean; `classification_sheet` does the work and brings the heavy imports.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from motewatch.cli import sheets
from motewatch.cli.options import Since, Until
from motewatch.limits.upper_confidence import StudentT


class EditionOption(StrEnum):
    """Of ISO 14644-1."""

    OF_2015 = "2015"
    OF_1999 = "1999"


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("classify")(classify_command)


def classify_command(
    state: sheets.State,
    sizes: sheets.Sizes,
    area: sheets.Area,
    file: sheets.File = None,
    iso_class: sheets.IsoClass = None,
    grade: sheets.Grade = None,
    flow: Annotated[
        float | None,
        typer.Option("--flow", metavar="L/MIN", help="The counter's flow, to tell how long it sampled."),
    ] = None,
    edition: Annotated[
        EditionOption, typer.Option("--edition", help="1999 is legacy: square root of the area, upper limit.")
    ] = EditionOption.OF_2015,
    student: Annotated[
        StudentT, typer.Option("--t", help="1999 only: Student's t as it is printed, or exact.")
    ] = StudentT.PRINTED,
    as_json: sheets.AsJson = False,
    report: sheets.Report = None,
    site: sheets.FromSite = None,
    since: Since = None,
    until: Until = None,
    room: Annotated[
        str | None,
        typer.Option("--room", metavar="ROOM", help="With --site its id; with FILE its name, for the report."),
    ] = None,
    on: sheets.On = None,
    by: sheets.Tester = None,
    counter: sheets.Counter = None,
) -> None:
    """Does a room hold its class? The classification test.

    FILE has the columns location, x_m, y_m, sample, volume_l, duration_s (optional) and one for each size with
    cumulative counts, such as ge_0.5um; config/examples holds one. The journal's samples of a location in the
    asked state are pooled to one long sample.

    Exit status 0 only if the room passes.

    \b
    motewatch classify room.csv --class "ISO 7" --state at-rest --sizes 0.5,5 --area 40 --flow 28.3
    motewatch classify room.csv --class 7 --state at-rest --sizes 0.5,5 --area 40 --report room.html
    motewatch classify --site site.toml --room fill --since -8h --grade B --state at-rest --sizes 0.5,5 --area 24
    """
    from motewatch.cli.classification_sheet import Asked, print_classification

    sheets.one_source(file, site)
    sheets.one_target(iso_class, grade)
    if grade is not None and edition is EditionOption.OF_1999:
        raise typer.BadParameter("is for ISO classes, not for grades", param_hint="--edition")
    if file is not None:
        sheets.only_with_site({"--since": since, "--until": until})
    asked = Asked(
        iso_class=iso_class,
        grade=grade,
        edition=edition.value,
        state=state,
        sizes_nm=sheets.sizes_nm(sizes),
        area_m2=area,
        flow_l_min=flow,
        student=student,
        file=file,
        site=site,
        since=since,
        until=until,
        room=room,
        tested_on=on,
        by=by,
        counter=counter,
    )
    raise typer.Exit(0 if print_classification(asked, as_json, report) else 1)
