"""Commands on a site file and its contract: serve, check, schemas."""

from __future__ import annotations

from collections import Counter
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from motewatch.cli.options import SitePath
from motewatch.links.channel_checks import check_channel_files
from motewatch.links.clock import Clock
from motewatch.links.folder_checks import check_folders
from motewatch.links.library_checks import check_libraries
from motewatch.links.site_file import check_site, load_site
from motewatch.site.models import Site, standard_text
from motewatch.site.problems import errors

SITE_SCHEMA = "site.schema.json"


class LogLevel(StrEnum):
    """How much the service writes to its log."""

    DEBUG = "debug"
    INFO = "info"
    WARNING = "warning"
    ERROR = "error"


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.command()(serve)
    app.command()(check)
    app.command()(schemas)


def serve(
    site: SitePath,
    log_level: Annotated[LogLevel, typer.Option("--log-level", help="How much goes to the log.")] = LogLevel.INFO,
) -> None:
    """Monitor the site until stopped (SIGTERM or Ctrl-C).

    The log goes to standard error, one line an event. SIGHUP reads the site file again.

    \b
    motewatch serve /etc/motewatch/site.toml
    """
    from motewatch.service import run

    raise typer.Exit(run(site, log_level.value))


def check(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Site file (TOML).", show_default=False)],
) -> None:
    """Tell every mistake of a site file.

    For each: where it is, what is allowed, how to mend it. Warnings alone leave exit status 0.

    \b
    motewatch check config/demo-site.toml
    """
    problems = check_site(file, Clock().now_us())
    if not errors(problems):
        site = load_site(file)
        problems += check_channel_files(site, file) + check_libraries(site, file) + check_folders(site, file)
    for problem in problems:
        typer.echo(str(problem))
    wrong = len(errors(problems))
    warnings = len(problems) - wrong
    counted = ", ".join(
        text for number, text in ((wrong, _count(wrong, "error")), (warnings, _count(warnings, "warning"))) if number
    )
    if wrong:
        typer.echo(f"\n{file}: {counted}.")
        raise typer.Exit(1)
    if warnings:
        typer.echo("")
    typer.echo(f"{file} is fine" + (f", with {counted}." if warnings else "."))
    typer.echo(_summary(load_site(file)))


def _summary(site: Site) -> str:
    kinds = Counter(sensor.kind for sensor in site.sensors)
    broker = site.service.broker
    graded = Counter(standard_text(room) or "no class" for room in site.rooms)
    rooms = ", ".join(f"{number} {kind}" for kind, number in sorted(graded.items()))
    sink = site.service.time_series
    lines = [
        ("site", f"{site.site.name} ({site.site.id}), {site.site.time_zone}"),
        ("areas", str(len(site.areas))),
        ("rooms", f"{len(site.rooms)} ({rooms})" if site.rooms else "none"),
        ("locations", f"{len(site.locations)}, by {_count(len(site.programmes), 'sampling programme')}"),
        ("sensors", f"{kinds['fixed']} fixed, {kinds['portable']} portable"),
        ("own levels", str(len(site.levels))),
        ("journal", site.service.journal),
        ("broker", f"{broker.host}:{broker.port}{' with TLS' if broker.tls else ''}, {site.service.topic_root}"),
        ("time series", "none" if sink is None else sink.url),
    ]
    if site.persons:
        called = ((site.persons, "person"), (site.rotas, "rota"), (site.escalations, "escalation"))
        lines.append(("callout", ", ".join(_count(len(tables), noun) for tables, noun in called)))
    if site.console is not None:
        console = site.console
        tls = "" if console.cert_file is None else " with TLS"
        lines.append(("console", f"{console.public_url}, served at {console.host}:{console.port}{tls}"))
    return "\n".join(f"  {name:<12} {text}" for name, text in lines)


def schemas(
    directory: Annotated[Path, typer.Argument(metavar="DIR", help="Where the files are.", show_default=False)],
    check_only: Annotated[
        bool, typer.Option("--check", help="Write nothing; exit status 1 if a file differs from the models.")
    ] = False,
) -> None:
    """Write or check the contract files.

    JSON Schema of each message and of the site file, and one AsyncAPI document.

    \b
    motewatch schemas config/schemas
    motewatch schemas config/schemas --check
    """
    from motewatch.site.shape import schema_text
    from motewatch.wire.schemas import documents

    wanted = {**documents(), SITE_SCHEMA: schema_text()}
    if not check_only:
        directory.mkdir(parents=True, exist_ok=True)
        for name, text in wanted.items():
            (directory / name).write_text(text, encoding="utf-8", newline="\n")
        typer.echo(f"{_count(len(wanted), 'file')} written to {directory}.")
        return
    differing = [name for name, text in wanted.items() if _content(directory / name) != text.encode()]
    for name in differing:
        there = (directory / name).exists()
        typer.echo(f"{directory / name} {'differs from the models' if there else 'is missing'}", err=True)
    if differing:
        typer.echo(f"Write them again with: motewatch schemas {directory}", err=True)
        raise typer.Exit(1)
    typer.echo(f"{_count(len(wanted), 'file')} in {directory} agree with the models.")


def _content(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
