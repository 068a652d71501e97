"""Looks at the files with secrets that a site file names, for `check`: are they there, usable, and kept from others?

Rules: all of it warnings, since `check` also runs on machines that must not have the secrets; the service itself leaves
what lacks its secret out of use and tells it, or does not start (deploy/docs/start-without.md). Credentials of the
service manager are looked for only where it handed some over.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from motewatch.callout.answers import AnswerKeyError, Keys
from motewatch.links.secrets import SecretFileError, read_secret, secret_path
from motewatch.site.models import Site
from motewatch.site.people import EmailChannel, ServiceChannel, WebhookChannel
from motewatch.site.problems import KeyPath, Problem, Severity, key_text, quoted, value_text


def check_secret_files(site: Site, path: Path) -> list[Problem]:
    """Warnings about the secrets of the site in the file `path`."""
    problems = []
    for key, name in named_secrets(site):
        found = _look(name, path.parent) or _look_at_key(key, name, path.parent)
        if found is not None:
            table = f"channels {quoted(site.channels[int(key[1])].id)}" if key[0] == "channels" else ""
            message, mend = found
            problems.append(Problem(str(path), key_text(key), value_text(name), message, mend, Severity.WARNING, table))
    return problems


def named_secrets(site: Site) -> Iterator[tuple[KeyPath, str]]:
    """Every key of the site file that names a file with a secret, and the name."""
    service, callout = site.service, site.callout
    server, page, dead_man = service.time_series, callout.answer_page, callout.dead_man
    oidc = None if site.console is None else site.console.oidc
    named: list[tuple[KeyPath, str | None]] = [
        (("service", "broker", "password_file"), service.broker.password_file),
        (("service", "time_series", "token_file"), None if server is None else server.token_file),
        (("callout", "answer_page", "key_file"), None if page is None else page.key_file),
        (("callout", "dead_man", "url_file"), None if dead_man is None else dead_man.url_file),
        (("record", "signing_key_file"), site.record.signing_key_file),
        (("console", "oidc", "client_secret_file"), None if oidc is None else oidc.client_secret_file),
    ]
    for number, channel in enumerate(site.channels):
        if isinstance(channel, EmailChannel):
            named.append((("channels", number, "password_file"), channel.password_file))
        elif isinstance(channel, WebhookChannel):
            named.append((("channels", number, "key_file"), channel.key_file))
        elif isinstance(channel, ServiceChannel):
            named.append((("channels", number, "url_file"), channel.url_file))
    return ((key, name) for key, name in named if name is not None)


def _look_at_key(key: KeyPath, name: str, base_dir: Path) -> tuple[str, str] | None:
    """What is wrong with a key that signs, or None; the service refuses such a key of the answer page."""
    if key[-1] != "key_file" or (file := secret_path(name, base_dir)) is None or not file.is_file():
        return None
    text = read_secret(name, base_dir, lambda _: None).reveal()
    try:
        Keys.parse(text)
    except AnswerKeyError as error:
        problem, _, mend = str(error).partition("; ")
        return problem, f"{mend[:1].upper()}{mend[1:]}."
    return None


def _look(name: str, base_dir: Path) -> tuple[str, str] | None:
    """What is wrong with it and how to mend it, or None."""
    try:
        file = secret_path(name, base_dir)
        if file is None:
            return None
        if not file.is_file():
            return (
                "this file is not there now; the service will need it",
                "Create it, readable for the service's user only, with the secret on one line.",
            )
        too_open: list[str] = []
        read_secret(name, base_dir, too_open.append)
    except SecretFileError as error:
        problem = str(error).removeprefix(f"{error.key}: ").removesuffix(f"; {error.mend}")
        return problem, f"{error.mend[:1].upper()}{error.mend[1:]}."
    if too_open:
        return "everyone on this machine may read this secret", f"Run: chmod o-r {file}"
    return None
