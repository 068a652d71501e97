"""Making and checking reports on the command line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

import typer

from motewatch.cli.record import open_journal, span
from motewatch.links.report_making import make_report
from motewatch.links.report_shelf import Checked, DocumentFormat, Shelf, check, document, read_report
from motewatch.links.site_file import load_site
from motewatch.picture.report import content_hash, report_id
from motewatch.picture.report_scope import Kind, Scope, ScopeError, Span, span_from
from motewatch.picture.words import local_times
from motewatch.site.models import Site


def print_report(
    path: Path,
    named: Mapping[str, str | None],
    window: tuple[str | None, str | None],
    locations: Sequence[str],
    rooms: Sequence[str],
    form: str,
    out: Path | None,
) -> None:
    """Make the report and write it; its id and hash go to standard output."""
    if form not in set(DocumentFormat):
        raise typer.BadParameter(f"'{form}' is none of {', '.join(DocumentFormat)}", param_hint="--format")
    facility = load_site(path)
    try:
        scope = Scope(
            _span(facility, named, window), _places(facility, locations, rooms), (named["batch"] or "").strip()
        )
        with open_journal(facility, path) as journal:
            data = make_report(journal.store, scope)
    except ScopeError as error:
        raise typer.BadParameter(str(error)) from None
    target = out or Path(f"{report_id(data)}.{form}")
    target.write_bytes(document(data, DocumentFormat(form)))
    typer.echo(f"report  {report_id(data)}")
    typer.echo(f"sha256  {content_hash(data)}")
    typer.echo(f"file    {target}")


def print_check(path: Path, which: str) -> None:
    """Check a report and say what was found; exit status 1 where it is not the same."""
    facility = load_site(path)
    with open_journal(facility, path) as journal:
        file = Path(which)
        if file.is_file():
            found = check(journal.store, read_report(file))
        else:
            shelf = Shelf(journal.store)
            made = shelf.find(which)
            found = check(journal.store, shelf.data(made), made.hash)
    zone = ZoneInfo(facility.site.time_zone)
    for line in _lines(found):
        typer.echo(local_times(line, zone))
    if found.problems:
        raise typer.Exit(1)


def _lines(found: Checked) -> list[str]:
    lines = [f"report  {found.id}", f"sha256  {found.hash}", ""]
    if found.problems:
        lines += ["NOT THE SAME as what the record gives:", *(f"  {each}" for each in found.problems)]
    else:
        lines.append("The same: made again from the record as it was then, it has the same content.")
    if found.since:
        lines += ["", "Made now, it would differ:", *(f"  {each}" for each in found.since)]
    else:
        lines.append("Nothing that it says has changed since.")
    return lines


def _span(facility: Site, named: Mapping[str, str | None], window: tuple[str | None, str | None]) -> Span:
    given = {name: text for name, text in named.items() if text is not None}
    if len(given) != 1:
        raise typer.BadParameter("give one of --shift, --day, --month and --batch")
    ((name, text),) = given.items()
    if name != "batch":
        if window != (None, None):
            raise typer.BadParameter("--from and --until are for --batch")
        return span_from(Kind(name), text, facility.site.shifts, ZoneInfo(facility.site.time_zone))
    start_us, end_us = span(facility, *window)
    if start_us is None or end_us is None:
        raise typer.BadParameter("a batch needs --from and --until")
    return Span(Kind.BATCH, start_us, end_us)


def _places(facility: Site, locations: Sequence[str], rooms: Sequence[str]) -> tuple[str, ...]:
    for room in rooms:
        if room not in {each.id for each in facility.rooms}:
            raise typer.BadParameter(f"no room '{room}' in this site", param_hint="--room")
    inside = [each.id for each in facility.locations if each.room in rooms]
    if rooms and not inside:
        raise typer.BadParameter("there is no location in it", param_hint="--room")
    return tuple(dict.fromkeys([*locations, *inside]))
