"""The command `alarm-register`: every alarm the site can raise, and what each means."""

from __future__ import annotations

from typing import Annotated

import typer

from motewatch.cli import sheets
from motewatch.cli.options import Format, FormatOption, SitePath


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("alarm-register")(alarm_register)


def alarm_register(
    site: SitePath,
    form: FormatOption = Format.TABLE,
    report: sheets.Report = None,
    location: Annotated[
        str | None, typer.Option("--location", metavar="ID", help="Of this location only.", show_default=False)
    ] = None,
) -> None:
    """Every alarm the site can raise, and what to do.

    The site's alarm register: limits with their source, rules and delays, priority, and what each alarm means.

    What each kind of alarm means stands below the table; csv and json repeat it for each alarm. [[rationalisation]]
    in the site file replaces the shipped texts.

    \b
    motewatch alarm-register site.toml
    motewatch alarm-register site.toml --report register.html
    motewatch alarm-register site.toml --format csv > register.csv
    """
    from motewatch.cli.alarm_register_sheet import print_register

    print_register(site, form, report, location)
