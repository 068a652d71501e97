"""The command `sampling-plan`: what a classification test will need, before anybody carries a counter in.

Only its options; `sampling_plan_sheet` does the work and brings the heavy imports.
"""

from __future__ import annotations

from typing import Annotated

import typer

from motewatch.cli import sheets


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("sampling-plan")(sampling_plan)


def sampling_plan(
    state: sheets.State,
    sizes: sheets.Sizes,
    area: sheets.Area,
    iso_class: sheets.IsoClass = None,
    grade: sheets.Grade = None,
    flow: Annotated[
        float | None, typer.Option("--flow", metavar="L/MIN", help="The counter's flow, for the sampling time.")
    ] = None,
    confidence: Annotated[
        float, typer.Option("--confidence", metavar="PCT", help="That so much of the area complies.")
    ] = 95.0,
    share: Annotated[
        float, typer.Option("--share", metavar="PCT", help="How much of the area complies with that confidence.")
    ] = 90.0,
    as_json: sheets.AsJson = False,
) -> None:
    """What a classification test will need.

    The number of locations is that of ISO 14644-1:2015, Table A.1. With another --confidence or --share it is our own
    use of the plan behind that table, and says so.

    \b
    motewatch sampling-plan --class "ISO 7" --state at-rest --sizes 0.5,5 --area 40 --flow 28.3
    motewatch sampling-plan --grade B --state operational --sizes 0.5,5 --area 24 --flow 28.3 --confidence 99
    """
    from motewatch.cli.sampling_plan_sheet import print_plan

    sheets.one_target(iso_class, grade)
    print_plan(iso_class, grade, state, sheets.sizes_nm(sizes), area, flow, confidence, share, as_json=as_json)
