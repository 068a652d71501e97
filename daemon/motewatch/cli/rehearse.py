"""The command `rehearse`: which alarms a site file that is not live yet would have raised on what really came in."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from motewatch.cli.options import SitePath
from motewatch.cli.printing import table
from motewatch.cli.record import open_journal
from motewatch.cli.times import TimeTextError, local_text, parse_time
from motewatch.links.clock import Clock
from motewatch.links.site_file import load_site

if TYPE_CHECKING:
    from motewatch.engine.rehearsal import Raised
    from motewatch.links.rehearsing import Rehearsed


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("rehearse")(rehearse)


def rehearse(
    site: SitePath,
    begin: Annotated[str, typer.Option("--from", metavar="TIME", help="From this time on.")] = "-1d",
    until: Annotated[str, typer.Option("--until", metavar="TIME", help="Before this time.")] = "now",
    record: Annotated[
        Path | None,
        typer.Option(
            "--record",
            metavar="SITE",
            help="Site file whose journal is played. Absent: the journal that SITE itself names.",
            show_default=False,
        ),
    ] = None,
    limit_s: Annotated[
        float | None,
        typer.Option("--limit-s", metavar="SECONDS", min=1, help="End after so long.", show_default=False),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="For programs: all of it, times in microseconds.")] = False,
) -> None:
    """Alarms that SITE would have raised on what came in. Changes nothing.

    Two engines that know nothing from before are given the recorded inputs, from an hour before the time asked for: one
    under the configurations that were in force, one under SITE. What persons did then is done again. Up to 31 days.

    \b
    motewatch rehearse new-limits.toml --from -7d
    motewatch rehearse new-limits.toml --record site.toml --from 2026-03-02 --until 2026-03-03
    """
    from motewatch.engine.records import Configured
    from motewatch.links.rehearsing import plain
    from motewatch.links.rehearsing import rehearse as play
    from motewatch.site.canonical import canonical_text, digest

    facility = load_site(site)
    zone = ZoneInfo(facility.site.time_zone)
    clock = Clock()
    now_us = clock.now_us()
    try:
        from_us, until_us = (parse_time(text, now_us, zone) for text in (begin, until))
    except TimeTextError as error:
        raise typer.BadParameter(str(error)) from None
    text = canonical_text(facility)
    kept = facility if record is None else load_site(record)
    with open_journal(kept, site if record is None else record) as journal:
        found = play(journal, Configured(digest(text), text), from_us, until_us, clock, limit_s)
    if as_json:
        typer.echo(json.dumps(plain(found, most=1_000_000), ensure_ascii=False, indent=2))
        return
    _print(found, zone)


def _print(found: Rehearsed, zone: ZoneInfo) -> None:
    outcome = found.outcome
    if outcome.differing:
        cells = [
            [one.change.value.replace("-", " "), one.alarm, _said(one.was, zone), _said(one.would, zone)]
            for one in outcome.differing
        ]
        typer.echo(table(["change", "alarm", "as configured then", "with this file"], cells))
    else:
        typer.echo("The same alarms at the same times.\n")
    typer.echo(
        f"{local_text(found.from_us, zone)} to {local_text(found.reached_us, zone)}, {found.inputs} inputs: "
        f"{outcome.was} alarms as configured then, {outcome.would} with this file."
    )
    if found.unreadable:
        typer.echo(f"{found.unreadable} inputs could not be read any more and are left out.")
    if found.cut:
        typer.echo("The limit of time ended it: nothing is known of what came later.")
    if found.before == found.other:
        typer.echo("This file is the configuration that was in force when the stretch began.")


def _said(raised: Raised | None, zone: ZoneInfo) -> str:
    if raised is None:
        return "-"
    end = "still active" if raised.until_us is None else f"to {local_text(raised.until_us, zone)}"
    return f"{local_text(raised.at_us, zone)} {end}, {raised.priority}"
