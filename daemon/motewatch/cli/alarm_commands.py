"""Commands of a person on alarms, over MQTT: shelve, unshelve, reset, out of service and back."""

from __future__ import annotations

from typing import Annotated

import typer

from motewatch.cli.options import AlarmArgument, By, Comment, PasswordFile, SitePath, User, Wait
from motewatch.cli.people import order
from motewatch.cli.times import parse_length
from motewatch.links.clock import Clock
from motewatch.site.instants import instant


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.command()(shelve)
    app.command()(unshelve)
    app.command()(reset)
    app.command("remove-from-service")(remove_from_service)
    app.command("return-to-service")(return_to_service)


def shelve(
    site: SitePath,
    alarm: AlarmArgument,
    for_: Annotated[
        str, typer.Option("--for", metavar="TIME", help="How long, such as 30min or 2h.", show_default=False)
    ],
    by: By,
    comment: Annotated[str, typer.Option("--comment", metavar="TEXT", help="Why; goes on record.", show_default=False)],
    wait: Wait = 10.0,
    user: User = None,
    password_file: PasswordFile = None,
) -> None:
    """Hide an alarm for a while. Exit status 1 if it is refused.

    It comes back by itself, is evaluated all the while, and `alarms` lists it. `alarms.longest_shelving_h` of the site
    file is the most.

    \b
    motewatch shelve site.toml sensor/pc-1/flow --for 2h --by "M. Okafor" --comment "Pump is being changed."
    """
    length_us = parse_length(for_.strip(), ("m", "min", "h", "d"))
    if length_us is None:
        raise typer.BadParameter(f"'{for_}' is no length of time: give 30min, 2h or 1d", param_hint="--for")
    until = instant(Clock().now_us() + length_us).isoformat()
    order(site, {"command": "shelve", "alarm": alarm, "until": until}, by, comment, wait, user, password_file)


def unshelve(
    site: SitePath,
    alarm: AlarmArgument,
    by: By,
    comment: Comment = "",
    wait: Wait = 10.0,
    user: User = None,
    password_file: PasswordFile = None,
) -> None:
    """Bring a shelved alarm back early. Exit status 1 if it is refused.

    \b
    motewatch unshelve site.toml sensor/pc-1/flow --by "M. Okafor"
    """
    order(site, {"command": "unshelve", "alarm": alarm}, by, comment, wait, user, password_file)


def reset(
    site: SitePath,
    alarm: AlarmArgument,
    by: By,
    comment: Comment = "",
    wait: Wait = 10.0,
    user: User = None,
    password_file: PasswordFile = None,
) -> None:
    """Let a latched alarm go. Its condition must be over. Exit status 1 if it is refused.

    \b
    motewatch reset site.toml location/needles/0.5um/action --by "M. Okafor" --comment "Filter changed."
    """
    order(site, {"command": "reset", "alarm": alarm}, by, comment, wait, user, password_file)


def remove_from_service(
    site: SitePath,
    alarm: AlarmArgument,
    permit: Annotated[
        str, typer.Option("--permit", metavar="TEXT", help="The permit; goes on record.", show_default=False)
    ],
    by: By,
    comment: Comment = "",
    wait: Wait = 10.0,
    user: User = None,
    password_file: PasswordFile = None,
) -> None:
    """Take an alarm out of service. Exit status 1 if it is refused.

    It needs a permit, and lasts until somebody returns it. It goes on being evaluated, and `alarms` lists it.

    \b
    motewatch remove-from-service site.toml sensor/pc-1/silent --permit WP-114 --by "M. Okafor"
    """
    what = {"command": "remove-from-service", "alarm": alarm, "permit": permit}
    order(site, what, by, comment, wait, user, password_file)


def return_to_service(
    site: SitePath,
    alarm: AlarmArgument,
    by: By,
    comment: Comment = "",
    wait: Wait = 10.0,
    user: User = None,
    password_file: PasswordFile = None,
) -> None:
    """Put an alarm into service again. Exit status 1 if it is refused.

    \b
    motewatch return-to-service site.toml sensor/pc-1/silent --by "M. Okafor"
    """
    order(site, {"command": "return-to-service", "alarm": alarm}, by, comment, wait, user, password_file)
