"""One marked trial message over one channel, now, and in words what became of it: behind `try-channel` and the console.

Rules: it says that it is a trial, and nothing of it goes on record here. Whoever is named must be a person of the site
or an address; what looks like a mistyped person is refused, so that no call goes to an address that is none.
"""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.callout.records import Cause, Told
from motewatch.links.broker_visit import BrokerVisit
from motewatch.links.call_message import Names
from motewatch.links.call_text import render
from motewatch.links.channels import Channel, Publisher, open_channel
from motewatch.links.clock import TimeSource
from motewatch.links.connection import Publication
from motewatch.links.errors import BrokerAwayError, ChannelError
from motewatch.links.secrets import read_secret
from motewatch.site import people
from motewatch.site.models import Site
from motewatch.site.problems import printable
from motewatch.wire.topics import Topics

NOTE: Final = (
    "This is a trial of the channel '{channel}', sent by hand. Nothing is wrong, and there is nothing to confirm."
)


class UnknownNameError(ValueError):
    """There is no such channel or person; the message says which there are. `which`: CHANNEL or WHOM."""

    def __init__(self, which: str, message: str) -> None:
        super().__init__(message)
        self.which = which


@dataclass(frozen=True, slots=True)
class Whom:
    """Where a trial goes."""

    person: str
    """Id of the person; `trial` where it is nobody of the site."""
    addresses: tuple[str, ...]
    remark: str = ""
    """What the given text was taken for, where that is not plain."""


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of one trial."""

    to: str
    delivered: bool
    text: str
    """In words: what it means that it was taken, or why it was not and what a real call would do."""
    took_s: float


def channel_named(site: Site, wanted: str) -> people.Channel:
    """The channel of that id. Raises `UnknownNameError`."""
    for each in site.channels:
        if each.id == wanted:
            return each
    known = ", ".join(each.id for each in site.channels) or "none"
    raise UnknownNameError("CHANNEL", f"no channel '{wanted}' in this site; there are: {known}")


def whom_named(site: Site, settings: people.Channel, said: str) -> Whom:
    """The person (by id or name) or the address. Raises `UnknownNameError`."""
    for person in site.persons:
        if said.casefold() in (person.id.casefold(), person.name.casefold()):
            addresses = tuple(reach.address for reach in person.reach if reach.channel == settings.id)
            if not addresses and settings.kind == "mqtt":
                addresses = (person.id,)
            if not addresses:
                raise UnknownNameError(
                    "WHOM", f"{person.name} has no way over '{settings.id}'; give an address, or add it to reach"
                )
            return Whom(person.id, addresses)
    known = ", ".join(person.id for person in site.persons) or "none"
    close = [person.id for person in site.persons if _alike(said, person)]
    if close:
        raise UnknownNameError("WHOM", f"no person '{said}' in this site; did you mean {' or '.join(close)}?")
    if settings.kind == "mqtt":
        raise UnknownNameError("WHOM", f"no person '{said}' in this site; there are: {known}")
    if settings.kind == "e-mail" and "@" not in said:
        raise UnknownNameError("WHOM", f"'{said}' is no person of this site and no mail address; persons: {known}")
    owner = next((p.id for p in site.persons if any(reach.address == said for reach in p.reach)), None)
    if owner is not None:
        return Whom(owner, (said,))
    return Whom("trial", (said,), f"No person is called '{printable(said)}': taken as an address on the channel.")


def _alike(said: str, person: people.Person) -> bool:
    """Does it look like a mistyped person?"""
    known = [person.id.casefold(), person.name.casefold()]
    return bool(get_close_matches(said.casefold(), known, n=1, cutoff=0.75))


def try_way(
    site: Site,
    base_dir: Path,
    settings: people.Channel,
    whom: Whom,
    clock: TimeSource,
    *,
    user: str | None = None,
    password_file: Path | None = None,
) -> Iterator[Tried]:
    """Send the trials, one after the other, and say of each what became of it.

    Raises `ChannelError` where the channel cannot be set up, and whatever the settings of the broker raise.
    """
    topics = Topics(site.service.topic_root, site.site.id)
    with _publisher(site, settings, base_dir, user, password_file, clock) as publisher:
        way = open_channel(settings, base_dir, publisher, clock, topics)
        try:
            for address in whom.addresses:
                yield _try(way, settings, site, whom.person, address, clock)
        finally:
            way.close()


def _try(way: Channel, settings: people.Channel, site: Site, person: str, address: str, clock: TimeSource) -> Tried:
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
    began_s = clock.monotonic_s()
    try:
        way.send(message, settings.timeout_s)
    except ChannelError as error:
        return Tried(to, False, failed(error, settings), clock.monotonic_s() - began_s)
    return Tried(to, True, _meaning(settings, message.id), clock.monotonic_s() - began_s)


def _meaning(settings: people.Channel, call: str) -> str:
    """What it means that the other side took it: not that it has been read."""
    if isinstance(settings, people.EmailChannel):
        return f"The mail server {settings.host} has it; look whether it is in the mailbox, or among the spam."
    if isinstance(settings, people.WebhookChannel):
        return f"The receiver has it; it knows it as {call}."
    if isinstance(settings, people.MqttChannel):
        return "The broker has it, and somebody subscribes to the topic; look whether it is shown there."
    return "The service has it; look whether it arrives."


def failed(error: ChannelError, settings: people.Channel) -> str:
    """Why it was not taken, and what a real call would do; two lines."""
    if error.final:
        return f"Refused: {error}.\nA real call would go over the person's next way, and not over this one again."
    text = f"Not delivered: {error}."
    if error.may_have_arrived:
        text += " It may have arrived all the same."
    return f"{text}\nA real call would be tried again for {settings.give_up_min:g} minutes."


@contextlib.contextmanager
def _publisher(
    site: Site,
    settings: people.Channel,
    base_dir: Path,
    user: str | None,
    password_file: Path | None,
    clock: TimeSource,
) -> Iterator[Publisher]:
    """A connection to the broker where the channel needs one."""
    if settings.kind != "mqtt":
        yield _NoBroker()
        return
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
