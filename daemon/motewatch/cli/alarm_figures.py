"""The command `alarm-figures`: how a period's alarms were to live with."""

from __future__ import annotations

from typing import Annotated

import typer

from motewatch.cli import sheets
from motewatch.cli.options import Since, SitePath, Until


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("alarm-figures")(alarm_figures)


def alarm_figures(
    site: SitePath,
    since: Since = "-30d",
    until: Until = None,
    operators: Annotated[
        int | None,
        typer.Option(
            "--operators",
            min=1,
            max=1000,
            metavar="N",
            help="People on shift. Absent: the site file's.",
            show_default=False,
        ),
    ] = None,
    as_json: sheets.AsJson = False,
) -> None:
    """How the alarms were to live with: rates, floods.

    Beside each figure stands the target of ISA-18.2 / IEC 62682 or EEMUA 191; under 30 days nothing is judged.

    \b
    motewatch alarm-figures site.toml
    motewatch alarm-figures site.toml --since -7d --operators 2 --json
    """
    from motewatch.cli.alarm_figures_sheet import print_figures

    print_figures(site, since, until, operators, as_json)
