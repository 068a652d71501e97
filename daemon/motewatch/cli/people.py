"""Commands of a person on shift, over MQTT: view, acknowledge, occupancy, confirm a test call."""

from __future__ import annotations

import json
import secrets
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

import typer
from pydantic import ValidationError

from motewatch.cli.options import AlarmArgument, By, Comment, PasswordFile, SitePath, User, Wait
from motewatch.links.clock import Clock
from motewatch.links.site_file import load_site, read_secret
from motewatch.site.models import Occupancy, Site
from motewatch.wire.incoming import CommandMessage
from motewatch.wire.topics import Topics
from motewatch.wire.wording import plain, what_is_wrong

if TYPE_CHECKING:
    from motewatch.view.client import Access


class OccupancyWord(StrEnum):
    """An occupancy state, or back to the schedule."""

    AS_BUILT = Occupancy.AS_BUILT.value
    AT_REST = Occupancy.AT_REST.value
    OPERATIONAL = Occupancy.OPERATIONAL.value
    SCHEDULE = "schedule"


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.command()(view)
    app.command()(acknowledge)
    app.command()(occupancy)
    app.command("confirm-test")(confirm_test)


def view(
    site: SitePath,
    seconds: Annotated[
        float | None, typer.Option("--seconds", min=0, metavar="N", help="End after N seconds.", show_default=False)
    ] = None,
    plain_lines: Annotated[bool, typer.Option("--plain", help="Write lines, on a terminal too.")] = False,
    user: User = None,
    password_file: PasswordFile = None,
) -> None:
    """Show the rooms live, worst first.

    Which hold their limits, which do not, and of which nobody can tell. Needs the broker alone, not the journal.
    Ctrl-C ends it. Into a pipe or a file it writes a line for each thing that happens, and a summary at the end.

    \b
    motewatch view site.toml
    motewatch view site.toml --user display --password-file display.secret
    motewatch view site.toml --seconds 60 > night.txt
    """
    from motewatch.view.run import run_view

    facility = load_site(site)
    access = _access(facility, site, user, password_file)
    raise typer.Exit(run_view(facility, access, Clock(), seconds, plain_lines=plain_lines))


def acknowledge(
    site: SitePath,
    alarm: AlarmArgument,
    by: By,
    comment: Comment = "",
    wait: Wait = 10.0,
    user: User = None,
    password_file: PasswordFile = None,
) -> None:
    """Take note of an alarm, on record under your name. Exit status 1 if it is refused.

    \b
    motewatch acknowledge site.toml location/needles/0.5um/action --by "M. Okafor" --comment "On my way."
    """
    order(site, {"command": "acknowledge", "alarm": alarm}, by, comment, wait, user, password_file)


def occupancy(
    site: SitePath,
    room: Annotated[str, typer.Argument(metavar="ROOM", help="Id of the room.", show_default=False)],
    state: Annotated[
        OccupancyWord, typer.Argument(metavar="STATE", help="as-built, at-rest, operational, or schedule.")
    ],
    by: By,
    comment: Comment = "",
    wait: Wait = 10.0,
    user: User = None,
    password_file: PasswordFile = None,
) -> None:
    """State a room's occupancy.

    Or give it back to its schedule. It picks the limits from now on.

    \b
    motewatch occupancy site.toml filling at-rest --by "M. Okafor"
    motewatch occupancy site.toml filling schedule --by "M. Okafor"
    """
    stated = None if state is OccupancyWord.SCHEDULE else state.value
    order(site, {"command": "set-occupancy", "room": room, "occupancy": stated}, by, comment, wait, user, password_file)


def confirm_test(
    site: SitePath,
    test: Annotated[
        str, typer.Argument(metavar="TEST", help="Id of the test call, as the call says it.", show_default=False)
    ],
    by: By,
    comment: Comment = "",
    wait: Wait = 10.0,
    user: User = None,
    password_file: PasswordFile = None,
) -> None:
    """Say that a test call reached you. Only the person who was called can. Exit status 1 if it is refused.

    \b
    motewatch confirm-test site.toml k7m2qx4c --by "M. Okafor"
    """
    order(site, {"command": "confirm-test", "test": test}, by, comment, wait, user, password_file)


def order(
    path: Path,
    what: dict[str, Any],
    by: str,
    comment: str,
    wait_s: float,
    user: str | None,
    password_file: Path | None,
) -> None:
    """Send a command to the service and print its answer. Raises `typer.Exit` with 1 where it is refused."""
    from motewatch.picture.words import local_times
    from motewatch.view.client import ask

    site = load_site(path)
    fields = {"v": 1, "id": f"cli-{secrets.token_hex(16)}", "by": by, **what}
    if comment:
        fields["comment"] = comment
    try:
        # As JSON, because the times of the wire are texts there.
        command = CommandMessage.model_validate_json(json.dumps(fields))
    except ValidationError as error:
        raise typer.BadParameter(what_is_wrong(error, CommandMessage)) from None
    access = _access(site, path, user, password_file)
    topics = Topics(site.service.topic_root, site.site.id)
    reply = ask(access, topics, command, wait_s, Clock())
    text = local_times(plain(reply.text), ZoneInfo(site.site.time_zone))
    typer.echo(text, err=not reply.accepted)
    if not reply.accepted:
        raise typer.Exit(1)


def _access(site: Site, path: Path, user: str | None, password_file: Path | None) -> Access:
    """Who we are at the broker: as told, else as the site file says of the service."""
    from motewatch.view.client import Access

    broker = site.service.broker
    base_dir = path.parent
    secret = None
    if password_file is not None:
        secret = read_secret(password_file, Path()).reveal()
    elif user is None and broker.password_file is not None:
        secret = read_secret(broker.password_file, base_dir).reveal()
    return Access(broker, user or broker.username, secret, base_dir)
