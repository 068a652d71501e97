"""try-channel: one marked trial message over one channel, now, and in words what became of it."""

from __future__ import annotations

from typing import Annotated

import typer

from motewatch.cli.options import PasswordFile, SitePath, User
from motewatch.links.clock import Clock
from motewatch.links.errors import ChannelError
from motewatch.links.site_file import load_site


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("try-channel")(try_channel)


def try_channel(
    site: SitePath,
    channel: Annotated[str, typer.Argument(metavar="CHANNEL", help="Id of the channel.", show_default=False)],
    whom: Annotated[
        str,
        typer.Argument(metavar="WHOM", help="A person (id or name), or an address on the channel.", show_default=False),
    ],
    user: User = None,
    password_file: PasswordFile = None,
) -> None:
    """Send one trial message over a channel now.

    It says that it is a trial. Nothing goes on record, and the service need not run. What happened is told in words,
    with what to look at where it did not work. Exit status 1 then. --user and --password-file are for a channel of the
    kind mqtt.

    \b
    motewatch try-channel site.toml mail ada
    motewatch try-channel site.toml sms "+49 30 5550100"
    """
    # The libraries behind the channels are large; other commands do without.
    from motewatch.links.channel_trial import UnknownNameError, channel_named, failed, try_way, whom_named

    facility = load_site(site)
    try:
        settings = channel_named(facility, channel)
        to = whom_named(facility, settings, whom)
    except UnknownNameError as error:
        raise typer.BadParameter(str(error), param_hint=error.which) from None
    if to.remark:
        typer.echo(to.remark)
    delivered = True
    try:
        tries = try_way(facility, site.parent, settings, to, Clock(), user=user, password_file=password_file)
        for tried in tries:
            typer.echo(f"{settings.id} ({settings.kind}), to {tried.to}:")
            taken = f"Taken within {max(0.1, tried.took_s):.1f} s. " if tried.delivered else ""
            typer.echo(_indented(taken + tried.text), err=not tried.delivered)
            delivered &= tried.delivered
    except ChannelError as error:
        typer.echo(f"{settings.id} ({settings.kind}):")
        typer.echo(_indented(failed(error, settings)), err=True)
        delivered = False
    if not delivered:
        raise typer.Exit(1)


def _indented(text: str) -> str:
    return "\n".join(f"  {line}" for line in text.splitlines())
