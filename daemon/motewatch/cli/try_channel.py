"""try-channel: one marked trial message over one channel, now, and in words what became of it."""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from motewatch.callout.records import Cause, Told
from motewatch.cli.options import PasswordFile, SitePath, User
from motewatch.links.call_message import Names
from motewatch.links.call_text import render
from motewatch.links.channels import Channel, Publisher, open_channel
from motewatch.links.clock import Clock
from motewatch.links.connection import Publication
from motewatch.links.errors import BrokerAwayError, ChannelError
from motewatch.links.secrets import read_secret
from motewatch.links.site_file import load_site
from motewatch.site import people
from motewatch.site.models import Site
from motewatch.site.problems import printable
from motewatch.wire.topics import Topics

NOTE = "This is a trial of the channel '{channel}', sent by hand. Nothing is wrong, and there is nothing to confirm."


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
    facility = load_site(site)
    settings = _channel(facility, channel)
    person, addresses = _whom(facility, settings, whom)
    clock = Clock()
    topics = Topics(facility.service.topic_root, facility.site.id)
    delivered = True
    try:
        with _publisher(facility, settings, site.parent, user, password_file, clock) as publisher:
            way = open_channel(settings, site.parent, publisher, clock, topics)
            try:
                for address in addresses:
                    delivered &= _try(way, settings, facility, person, address, clock)
            finally:
                way.close()
    except ChannelError as error:
        typer.echo(f"{settings.id} ({settings.kind}):")
        typer.echo(_failed(error, settings), err=True)
        delivered = False
    if not delivered:
        raise typer.Exit(1)


def _try(way: Channel, settings: people.Channel, site: Site, person: str, address: str, clock: Clock) -> bool:
    now_us = clock.now_us()
    told = Told(
        id=f"trial-{secrets.token_hex(8)}",
        at_us=now_us,
        found_us=now_us,
        cause=Cause.TEST,
        person=person,
        channel=settings.id,
        address=address,
        urgent=False,
        facts=(),
        note=NOTE.format(channel=settings.id),
    )
    message = render(told, Names.of(site), None, ZoneInfo(site.site.time_zone))
    to = f"person '{person}'" if settings.kind == "mqtt" else f"'{printable(address)}'"
    typer.echo(f"{settings.id} ({settings.kind}), to {to}:")
    began_s = clock.monotonic_s()
    try:
        way.send(message, settings.timeout_s)
    except ChannelError as error:
        typer.echo(_failed(error, settings), err=True)
        return False
    typer.echo(f"  Taken within {max(0.1, clock.monotonic_s() - began_s):.1f} s. {_meaning(settings, message.id)}")
    return True


def _meaning(settings: people.Channel, call: str) -> str:
    """What it means that the other side took it: not that it has been read."""
    if isinstance(settings, people.EmailChannel):
        return f"The mail server {settings.host} has it; look whether it is in the mailbox, or among the spam."
    if isinstance(settings, people.WebhookChannel):
        return f"The receiver has it; it knows it as {call}."
    if isinstance(settings, people.MqttChannel):
        return "The broker has it, and somebody subscribes to the topic; look whether it is shown there."
    return "The service has it; look whether it arrives."


def _failed(error: ChannelError, settings: people.Channel) -> str:
    if error.final:
        return f"  Refused: {error}.\n  A real call would go over the person's next way, and not over this one again."
    text = f"  Not delivered: {error}."
    if error.may_have_arrived:
        text += " It may have arrived all the same."
    return f"{text}\n  A real call would be tried again for {settings.give_up_min:g} minutes."


def _channel(site: Site, wanted: str) -> people.Channel:
    for each in site.channels:
        if each.id == wanted:
            return each
    known = ", ".join(each.id for each in site.channels) or "none"
    raise typer.BadParameter(f"no channel '{wanted}' in this site; there are: {known}", param_hint="CHANNEL")


def _whom(site: Site, settings: people.Channel, whom: str) -> tuple[str, list[str]]:
    """The person (an id) and the addresses to try."""
    for person in site.persons:
        if whom.casefold() in (person.id, person.name.casefold()):
            addresses = [reach.address for reach in person.reach if reach.channel == settings.id]
            if not addresses and settings.kind == "mqtt":
                addresses = [person.id]
            if not addresses:
                raise typer.BadParameter(
                    f"{person.name} has no way over '{settings.id}'; give an address, or add it to reach",
                    param_hint="WHOM",
                )
            return person.id, addresses
    if settings.kind == "mqtt":
        known = ", ".join(person.id for person in site.persons) or "none"
        raise typer.BadParameter(f"no person '{whom}' in this site; there are: {known}", param_hint="WHOM")
    owner = next((p.id for p in site.persons if any(reach.address == whom for reach in p.reach)), "trial")
    return owner, [whom]


@contextlib.contextmanager
def _publisher(
    site: Site, settings: people.Channel, base_dir: Path, user: str | None, password_file: Path | None, clock: Clock
) -> Iterator[Publisher]:
    """A connection to the broker where the channel needs one."""
    if settings.kind != "mqtt":
        yield _NoBroker()
        return
    from motewatch.links.broker_visit import BrokerVisit

    broker = site.service.broker
    secret = None
    if password_file is not None:
        secret = read_secret(password_file, Path()).reveal()
    elif user is None and broker.password_file is not None:
        secret = read_secret(broker.password_file, base_dir).reveal()
    with BrokerVisit(broker, user or broker.username, secret, base_dir, clock, settings.timeout_s) as visit:
        yield visit


class _NoBroker:
    """For channels that need none."""

    def publish(self, topic: str, payload: bytes, retain: bool, expiry_s: int | None = None) -> Publication:
        raise BrokerAwayError("not connected to the broker")
