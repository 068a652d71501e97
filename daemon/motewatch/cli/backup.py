"""backup and restore: the site's journal and site file, copied beside a running service, and laid out again."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from motewatch.cli.extent import WholeOption, walked
from motewatch.cli.options import SitePath
from motewatch.links.clock import Clock
from motewatch.site.instants import instant_us

if TYPE_CHECKING:
    from motewatch.links.backup import Manifest


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.command()(backup)
    app.command()(restore)


def backup(
    site: SitePath,
    target: Annotated[Path, typer.Argument(metavar="TARGET", help="The new folder.", show_default=False)],
    whole: WholeOption = False,
    at: Annotated[str | None, typer.Option(hidden=True, help="What time it is, told by the service.")] = None,
) -> None:
    """Back up journal, archive files and site file.

    Into a new folder, also while the service runs. The copy is checked as verify --by-hashes does: all that the journal
    holds, and archive files by their hashes, so that a backup does not take longer every year. Secrets are not copied.

    \b
    motewatch backup site.toml /backups/north-2026-03-02
    motewatch backup site.toml /backups/north-2026-03-02 --whole
    """
    from motewatch.links.backup import make_backup

    # A service that does not believe this machine's clock says what to believe.
    now_us = Clock().now_us() if at is None else instant_us(datetime.fromisoformat(at))
    made = make_backup(site, target, now_us, whole)
    typer.echo(f"Backed up to {target}, checked and in order: {_holds(made)}.")
    _tell_extent(made, whole, site)
    _tell_missing(made)


def restore(
    source: Annotated[Path, typer.Argument(metavar="BACKUP", help="Folder that backup made.", show_default=False)],
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where to: empty, or not there yet.", show_default=False)
    ],
    whole: WholeOption = False,
) -> None:
    """Lay a backup out in an empty folder.

    It is checked first, every file by its hash and all that the journal holds, and nothing is ever overwritten.

    \b
    motewatch restore /backups/north-2026-03-02 /var/lib/motewatch/restored
    """
    from motewatch.links.backup import names_laid_out, names_outside, restore_backup

    made, site = restore_backup(source, folder, whole)
    typer.echo(f"Restored to {folder}, checked and in order: {_holds(made)}.")
    typer.echo(
        f"What was recorded after {made.at} is not in it. The broker sends again only what was never acknowledged; "
        "sensors that keep their readings should be told to send those since then: repeats are recognised."
    )
    if names_outside(made):
        laid_out = names_laid_out(made)
        # A command on the restored site file would open whatever lies at that place now.
        typer.echo(
            f"The site file wants its journal at {made.journal_path}: move {' and '.join(laid_out)} from {folder} to "
            f"{Path(made.journal_path).parent}, or change service.journal, before anything is done with {site}."
        )
    _tell_extent(made, whole, site)
    _tell_missing(made)
    typer.echo(f"Start it with: motewatch serve {site}")


def _holds(made: Manifest) -> str:
    last = f", the last one received {made.last_input_at}" if made.last_input_at else ""
    reports = f", {made.reports} kept reports" if made.reports else ""
    return f"site {made.site}, {made.inputs} inputs{last}, {made.outputs} outputs, {made.seals} seals{reports}"


def _tell_extent(made: Manifest, whole: bool, site: Path) -> None:
    if said := walked(made.archives, whole, site):
        typer.echo(said)


def _tell_missing(made: Manifest) -> None:
    if made.missing:
        typer.echo("Not in it, because they are secrets, lie elsewhere or are gone: " + ", ".join(made.missing))
