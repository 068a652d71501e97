"""The command that says who is on call, from when to when and why, and where nobody is. Reads the site file only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Annotated, Final
from zoneinfo import ZoneInfo

import typer

from motewatch.callout.roster import Roster, Stretch
from motewatch.cli.options import Format, FormatOption, SitePath
from motewatch.cli.printing import Listing
from motewatch.cli.times import TimeTextError, parse_time
from motewatch.links.clock import Clock
from motewatch.links.site_file import load_site
from motewatch.site.instants import instant, instant_us
from motewatch.site.models import Site

NOBODY: Final = "NOBODY"
GAP: Final = "gap"
_FIELDS: Final = ("rota", "start", "end", "persons", "why", "reason")
_YEARS: Final = range(1990, 2200)
"""Far outside of them there is no rota, and at the ends of the calendar no arithmetic."""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(oncall)


def oncall(
    site: SitePath,
    at: Annotated[
        str,
        typer.Option(
            "--at", metavar="TIME", help="From this time on: 2026-03-02T08:00 (site's time), 2026-03-02T08:00Z, or now."
        ),
    ] = "now",
    days: Annotated[int, typer.Option("--days", min=1, max=366, help="For so many days.")] = 7,
    rota: Annotated[
        str | None, typer.Option("--rota", metavar="ROTA", help="Only this rota.", show_default=False)
    ] = None,
    form: FormatOption = Format.TABLE,
) -> None:
    """Who is on call, and where nobody is.

    Times of the table are local times of each rota, cut to the days asked for.

    \b
    motewatch oncall site.toml
    motewatch oncall site.toml --at 2026-12-24T00:00 --days 10
    """
    facility = load_site(site)
    zone = ZoneInfo(facility.site.time_zone)
    try:
        from_us = parse_time(at, Clock().now_us(), zone)
    except TimeTextError as error:
        raise typer.BadParameter(str(error), param_hint="--at") from None
    if instant(from_us).year not in _YEARS:
        raise typer.BadParameter(f"'{at}' is not between {_YEARS.start} and {_YEARS.stop - 1}", param_hint="--at")
    known = [each.id for each in facility.rotas]
    if rota is not None and rota not in known:
        raise typer.BadParameter(
            f"no rota '{rota}' in this site; there are {', '.join(known) or 'none'}", param_hint="--rota"
        )
    wanted = known if rota is None else [rota]
    roster = Roster.of(facility)
    # Days of the calendar: seven from Saturday noon end on Saturday at noon, whatever the clocks do.
    to_us = instant_us((instant(from_us).astimezone(zone) + timedelta(days=days)).replace(fold=0))
    found = {id_: roster.stretches(id_, from_us, to_us) for id_ in wanted}
    typer.echo(_listing(found, facility).text(form), nl=False)


def _listing(found: Mapping[str, Sequence[Stretch]], site: Site) -> Listing:
    names = {person.id: person.name for person in site.persons}
    rotas = {each.id: each for each in site.rotas}
    records, rows, cells = [], [], []
    for id_, stretches in found.items():
        rota = rotas[id_]
        zone = ZoneInfo(rota.time_zone or site.site.time_zone)
        for stretch in stretches:
            record = {
                "rota": id_,
                "start": _utc(stretch.begin_us),
                "end": _utc(stretch.end_us),
                "persons": list(stretch.persons),
                "why": stretch.why or GAP,
                "reason": stretch.reason,
            }
            records.append(record)
            rows.append(record | {"persons": " ".join(stretch.persons)})
            who = ", ".join(names.get(person, person) for person in stretch.persons) or NOBODY
            why = (stretch.why or "gap in cover") + (f": {stretch.reason}" if stretch.reason else "")
            cells.append([rota.name, _local(stretch.begin_us, zone), _local(stretch.end_us, zone), who, why])
    return Listing(
        records=records,
        columns=_FIELDS,
        rows=rows,
        titles=("rota", "from", "to", "on call", "why"),
        cells=cells,
        nothing="This site has no rota ([[rotas]] in the site file).",
    )


def _utc(at_us: int) -> str:
    return instant(at_us).isoformat().replace("+00:00", "Z")


def _local(at_us: int, zone: ZoneInfo) -> str:
    return f"{instant(at_us).astimezone(zone):%a %Y-%m-%d %H:%M %Z}"
