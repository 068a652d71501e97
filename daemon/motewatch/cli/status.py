"""The command that says on one screen whether the service is well."""

from __future__ import annotations

import sys
from zoneinfo import ZoneInfo

import typer

from motewatch.cli.options import Format, FormatOption, SitePath
from motewatch.cli.printing import Listing
from motewatch.links.clock import Clock
from motewatch.links.site_file import load_site
from motewatch.wire.wording import plain


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(status)


def status(site: SitePath, form: FormatOption = Format.TABLE) -> None:
    """Is all well? On one screen.

    Do readings come in, are they kept, do they go on, can people be reached, are backups made?
    Reads the journal and the state of its disk, beside a running service or without one. Exit status 1 where something
    is not well, or where whoever asks may not look whether the service runs, so that it can be asked by a program.

    \b
    motewatch status site.toml
    motewatch status site.toml --format json
    """
    from motewatch.cli.record import open_journal
    from motewatch.links.health import facts_of
    from motewatch.picture.health import Answer, findings
    from motewatch.picture.words import clock, signs_for
    from motewatch.service.only_one import holder, sign_of_life

    facility = load_site(site)
    file = site.parent / facility.service.journal
    now_us, zone = Clock().now_us(), ZoneInfo(facility.site.time_zone)
    process, unseen = None, ""
    try:
        process = holder(file)
    except OSError as error:
        unseen = f"{error.filename} may not be looked at ({error.strerror}); run this as the service's user"
    with open_journal(facility, site) as journal:
        facts = facts_of(journal, facility, site.parent, process, sign_of_life(file), now_us, unseen)
    found = findings(facts, zone)
    if form is Format.TABLE:
        signed = signs_for(sys.stdout.encoding).holds == "✓"
        typer.echo(f"{facility.site.name}, {clock(now_us, zone)} {facility.site.time_zone}\n")
        for each in found:
            sign = f"{each.answer.sign} " if signed else ""
            typer.echo(f"{sign}{each.answer.value:<12}{each.question:<24}{plain(each.text)}")
    else:
        records = [{"question": each.question, "answer": each.answer.value, "text": each.text} for each in found]
        typer.echo(Listing(records, tuple(records[0]), records, (), (), "").text(form), nl=False)
    if unseen or any(each.answer is Answer.NOT_WELL for each in found):
        raise typer.Exit(1)
