"""Looks at what the channels of a site file need beside it, for `check`: authorities, URLs of services, addresses.

Rules: all of it warnings, since `check` also runs on machines that have neither the files nor the secrets; what is not
there is told by `secret_checks`. Connects to nothing: that is what `motewatch try-channel` is for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from motewatch.links.channels.letter import checked
from motewatch.links.channels.line import tls_context
from motewatch.links.clock import Clock
from motewatch.links.errors import ChannelRefusedError, LinkSettingsError
from motewatch.links.secrets import Secret, SecretFileError, read_secret
from motewatch.site import people
from motewatch.site.models import Site
from motewatch.site.problems import KeyPath, Problem, Severity, key_text, quoted, value_text

Takes = Callable[[str], bool]
"""Whether a channel can have this address."""


def check_channel_files(site: Site, path: Path) -> list[Problem]:
    """Warnings about the channels of the site in the file `path`, and the persons' addresses on them."""
    problems: list[Problem] = []
    takes: dict[str, Takes] = {}
    for number, channel in enumerate(site.channels):
        table = f"channels {quoted(channel.id)}"
        if isinstance(channel, people.ServiceChannel):
            key: KeyPath = ("channels", number, "url_file")
            try:
                found = _service(channel, path.parent)
            except LinkSettingsError as error:
                problems.append(_warning(path, key, channel.url_file, *_said(error), table))
                continue
            if found is not None:
                takes[channel.id] = found
        elif not isinstance(channel, people.MqttChannel):
            if channel.ca_file is not None:
                try:
                    tls_context(channel.ca_file, path.parent, table)
                except LinkSettingsError as error:
                    key = ("channels", number, "ca_file")
                    problems.append(_warning(path, key, channel.ca_file, *_said(error), table))
            if isinstance(channel, people.EmailChannel):
                takes[channel.id] = _is_mail
    return problems + list(_addresses(site, path, takes))


def _addresses(site: Site, path: Path, takes: dict[str, Takes]) -> Iterator[Problem]:
    for number, person in enumerate(site.persons):
        for place, reach in enumerate(person.reach):
            if reach.channel in takes and not takes[reach.channel](reach.address):
                yield _warning(
                    path,
                    ("persons", number, "reach", place, "address"),
                    reach.address,
                    f"the channel '{reach.channel}' cannot reach such an address",
                    f"Correct it, then run: motewatch try-channel {path} {reach.channel} {person.id}",
                    f"persons {quoted(person.id)}",
                )


def _service(channel: people.ServiceChannel, base_dir: Path) -> Takes | None:
    """Which addresses the service takes, or None where its URL is not here. Raises `LinkSettingsError`."""
    try:
        url: Secret = read_secret(channel.url_file, base_dir, lambda _: None)
    except SecretFileError:
        return None
    # The library behind it is large.
    from motewatch.links.channels.service import ServiceChannel

    return ServiceChannel(channel, url, Clock()).takes


def _is_mail(address: str) -> bool:
    try:
        checked(address, "the address")
    except ChannelRefusedError:
        return False
    return True


def _said(error: LinkSettingsError) -> tuple[str, str]:
    """What is wrong, and how to mend it."""
    problem = str(error).removeprefix(f"{error.key}: ").removesuffix(f"; {error.mend}")
    return problem, f"{error.mend[:1].upper()}{error.mend[1:]}."


def _warning(path: Path, key: KeyPath, value: str, message: str, mend: str, table: str) -> Problem:
    return Problem(str(path), key_text(key), value_text(value), message, mend, Severity.WARNING, table)
