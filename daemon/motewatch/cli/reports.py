"""The commands `report` and `check-report`: a shift, a day, a month or a batch as a document; and is it still so?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from motewatch.cli.options import SitePath


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.command()(report)
    app.command("check-report")(check_report)


def _option(name: str, metavar: str, text: str) -> object:
    return typer.Option(name, metavar=metavar, help=text, show_default=False)


def report(
    site: SitePath,
    shift: Annotated[
        str | None, _option("--shift", "TIME", "The shift that holds this local time: 2026-03-02T14:00.")
    ] = None,
    day: Annotated[str | None, _option("--day", "DATE", "A local day: 2026-03-02.")] = None,
    month: Annotated[str | None, _option("--month", "MONTH", "A calendar month: 2026-03.")] = None,
    batch: Annotated[str | None, _option("--batch", "NUMBER", "A batch; needs --from and --until.")] = None,
    from_: Annotated[str | None, _option("--from", "TIME", "Start of the batch: 2026-03-02T08:00.")] = None,
    until: Annotated[str | None, _option("--until", "TIME", "End of the batch.")] = None,
    location: Annotated[
        list[str] | None, _option("--location", "ID", "Only this location; may be given several times.")
    ] = None,
    room: Annotated[list[str] | None, _option("--room", "ID", "Only the locations of this room.")] = None,
    form: Annotated[str, typer.Option("--format", metavar="pdf|html|json", help="What is written.")] = "pdf",
    out: Annotated[Path | None, _option("--out", "FILE", "Absent: named by the report's id.")] = None,
) -> None:
    """Report of a shift, day, month or batch, to print.

    The same record gives the same report, to the byte. It is not entered among the console's reports.

    \b
    motewatch report site.toml --day 2026-03-02
    motewatch report site.toml --batch B-1042 --from 2026-03-02T08:00 --until 2026-03-02T17:30 --room fill
    """
    from motewatch.cli.report_sheet import print_report

    named = {"shift": shift, "day": day, "month": month, "batch": batch}
    print_report(site, named, (from_, until), location or [], room or [], form, out)


def check_report(
    site: SitePath,
    which: Annotated[
        str, typer.Argument(metavar="REPORT", help="A report's JSON file, or the id that is printed on it.")
    ],
) -> None:
    """Make a report again from the record and compare. Exit status 1 if it is not the same.

    What the record says otherwise by now (late data, notes) is told, and is no fault of the report.

    \b
    motewatch check-report site.toml day-20260302-0000-17c5a0c8c97b
    """
    from motewatch.cli.report_sheet import print_check

    print_check(site, which)
