"""The command `archive`: rows that have been in the journal long enough go to archive files, now."""

from __future__ import annotations

import typer

from motewatch.cli.options import SitePath


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(archive)


def archive(site: SitePath) -> None:
    """Move old messages and samples to archive files, now.

    What leaves the journal, and when, is said by [retention] of the site file; the service does the same every day by
    itself. Beside a running service the files are made here, and the service lets the rows go.

    \b
    motewatch archive site.toml
    """
    from motewatch.cli.record import open_journal
    from motewatch.journal.journal import Journal
    from motewatch.journal.leaving import let_go
    from motewatch.links.archives import make_archives
    from motewatch.links.clock import Clock
    from motewatch.links.site_file import load_site
    from motewatch.service.only_one import holder, only_service

    facility = load_site(site)
    file = site.parent / facility.service.journal
    if facility.retention is None or not (facility.retention.messages_days or facility.retention.samples_days):
        typer.echo("Nothing leaves the journal: the site file has no [retention] with messages_days or samples_days.")
        return
    base_dir, now_us = site.resolve().parent, Clock().now_us()
    with open_journal(facility, site) as journal:
        made = make_archives(facility, base_dir, journal, now_us)
    for manifest in made:
        typer.echo(f"{manifest.name}: {manifest.rows} {manifest.kind.value}, {manifest.size / 1e6:.1f} MB")
    if not made:
        typer.echo("No archive file is due: one is made when it is full, or when its month is over.")
    if holder(file) is not None:
        if made:
            typer.echo("The running service lets their rows go with its next run.")
        return
    with only_service(file), Journal(file, site=facility.site.id) as journal:
        left = let_go(journal.store, now_us)
    typer.echo(f"{left.rows} rows left the journal.")
    if made:
        typer.echo("The service puts the files on the audit trail when it starts.")
