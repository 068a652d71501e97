"""A console with an identity provider beside it, and people who sign in by that."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote, urlsplit

import httpx

from motewatch.service import Service
from support.console import Person, console
from support.identity import CLIENT, SECRET, IdentityProvider
from support.servers import Mosquitto

ROLES = [
    {"group": "quality", "role": "quality"},
    {"group": "shift", "role": "operator"},
    {"group": "guests", "role": "viewer"},
    {"group": "it", "role": "administrator"},
]
_numbers = itertools.count(1)


@contextmanager
def outside_console(
    folder: Path, broker: Mosquitto, house: IdentityProvider, own: Mapping[str, Any] | None = None, **oidc: Any
) -> Iterator[tuple[Service, str]]:
    """The service with a console whose provider is `house`, and the address of that; `own`: the console's settings."""
    (folder / "oidc-secret").write_text(f"{SECRET}\n")
    (folder / "oidc-secret").chmod(0o600)
    table = {"issuer": house.issuer, "client_id": CLIENT, "client_secret_file": "oidc-secret", "roles": ROLES, **oidc}
    with console(folder, broker, oidc={"label": "the house account", **table}, **(own or {})) as made:
        yield made


class Outsider(Person):
    """Somebody with a browser of their own, at an address of their own."""

    def __init__(self, url: str, house: IdentityProvider, who: str) -> None:
        super().__init__(url)
        self.house, self.who = house, who
        number = next(_numbers)
        # As a proxy on the same machine would say it.
        self.http.headers["X-Forwarded-For"] = f"198.51.100.{number % 250}"

    def leave(self, after: str = "") -> str:
        """Press the button of the sign-in page: where one is sent."""
        answer = self.http.get(f"/sign-in/outside{'?next=' + quote(after) if after else ''}")
        assert answer.status_code == 303, answer.text
        return answer.headers["location"]

    def enter(self, address: str, who: str = "") -> str:
        """Sign in at the provider: where one is sent back to, as a path here."""
        parts = urlsplit(self.house.sign_in(address, who or self.who))
        return f"{parts.path}?{parts.query}"

    def come(self, after: str = "") -> httpx.Response:
        """All of it."""
        return self.http.get(self.enter(self.leave(after)))

    def signature(self, subject: str, meaning: str = "reviewed", comment: str = "all of it") -> httpx.Response:
        """Fill in the form of a signature, up to the page that leads to the provider."""
        path = f"/sign?subject={quote(subject)}"
        found = re.search(r'name="sha256" value="([0-9a-f]{64})"', self.http.get(path).text)
        assert found is not None
        return self.post(path, path, sha256=found[1], meaning=meaning, comment=comment)


def link_of(page: str) -> str:
    """The address behind `Confirm with`."""
    found = re.search(r'<a class="button go" href="([^"]+)">Confirm', page)
    assert found is not None, page
    return found[1].replace("&amp;", "&")


def asked_of(address: str) -> dict[str, str]:
    """What an address asks the provider for."""
    return {key: values[0] for key, values in parse_qs(urlsplit(address).query).items()}
