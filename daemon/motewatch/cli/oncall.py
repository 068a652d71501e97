"""The command that says who is on call, from when to when and why, and where nobody is. Reads the site file only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Annotated
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

NOBODY = "nobody"
_FIELDS = ("rota", "begin", "end", "persons", "why")
_WHY = {"turn": "turn", "calendar": "calendar", "cover": "cover", "": "gap in cover"}


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(oncall)


def oncall(
    site: SitePath,
    at: Annotated[
        str,
        typer.Option("--at", metavar="TIME", help="From this time on: 2026-03-02T08:00 (site's time), or now."),
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
            begin, end = (instant(at_us) for at_us in (stretch.begin_us, stretch.end_us))
            record = {"rota": id_, "begin": begin.isoformat(), "end": end.isoformat()}
            records.append({**record, "persons": list(stretch.persons), "why": stretch.why or "gap"})
            rows.append({**record, "persons": " ".join(stretch.persons), "why": stretch.why or "gap"})
            who = ", ".join(names.get(person, person) for person in stretch.persons) or NOBODY.upper()
            local = [f"{moment.astimezone(zone):%a %Y-%m-%d %H:%M %Z}" for moment in (begin, end)]
            cells.append([rota.name, *local, who, _WHY[stretch.why]])
    return Listing(
        records=records,
        columns=_FIELDS,
        rows=rows,
        titles=("rota", "from", "to", "on call", "why"),
        cells=cells,
        nothing="This site has no rota ([[rotas]] in the site file).",
    )
