"""The console for tests: in front of the real service, with hashes that are quick to make."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

from motewatch.links.clock import Clock
from motewatch.service import Service
from motewatch.service.console import SECRET_FILE
from support.live import live_site, serving
from support.servers import Mosquitto, free_port

OWN = "three quiet herons wade"
"""A password that is taken."""


def console_site(broker: Mosquitto, **console: Any) -> dict[str, Any]:
    """`live_site` with a console on a free port."""
    made = live_site({"port": broker.port})
    quiet(made)
    port = free_port()
    made["console"] = {"public_url": f"http://127.0.0.1:{port}", "port": port, **console}
    return made


def quiet(site: dict[str, Any]) -> None:
    """A location that nobody feeds raises no alarm in the time of a test, however long a busy machine takes."""
    (short,) = (each for each in site["programmes"] if each["id"] == "short")
    short["insufficient_after"] = 1000
    for sensor in site["sensors"]:
        if "silent_after_s" in sensor:
            sensor["silent_after_s"] = 3600.0


def csrf_of(page: str) -> str:
    """The token of the forms on a page."""
    found = re.search(r'name="csrf" value="([0-9a-f]+)"', page)
    assert found is not None, page
    return found[1]


class Person:
    """Somebody with a browser without scripts."""

    def __init__(self, url: str) -> None:
        self.http = httpx.Client(base_url=url, trust_env=False, timeout=20, follow_redirects=False)

    def close(self) -> None:
        self.http.close()

    def sign_in(self, user: str, password: str) -> httpx.Response:
        return self.http.post("/sign-in", data={"user": user, "password": password})

    def post(self, path: str, page: str | None = None, **fields: str) -> httpx.Response:
        """Send the form of a page."""
        csrf = csrf_of(self.http.get(page or path).text)
        return self.http.post(path, data={"csrf": csrf, **fields})

    def choose(self, secret: str, password: str = OWN) -> httpx.Response:
        """The own password, in place of the one-time secret."""
        return self.post("/password", old=secret, new=password, again=password)


@contextmanager
def person(url: str) -> Iterator[Person]:
    """Somebody, whose browser is closed in the end."""
    made = Person(url)
    try:
        yield made
    finally:
        made.close()


def first_secret(folder: Path) -> str:
    """The one-time secret of the first administrator."""
    return (folder / SECRET_FILE).read_text().strip()


@contextmanager
def administrator(folder: Path, url: str) -> Iterator[Person]:
    """The first administrator, with a password of their own."""
    with person(url) as made:
        secret = first_secret(folder)
        assert made.sign_in("administrator", secret).status_code == 303
        assert made.choose(secret).status_code == 303
        yield made


def new_user(admin: Person, user: str, role: str) -> str:
    """The one-time secret of a user that the administrator makes."""
    page = admin.post("/access", act="make", user=user, name=user.title(), role=role, reason="needed here").text
    found = re.search(r'class="secret">([^<]+)<', page)
    assert found is not None, page
    return found[1]


@contextmanager
def user(admin: Person, url: str, name: str, role: str) -> Iterator[Person]:
    """A user of this role, signed in with a password of their own."""
    secret = new_user(admin, name, role)
    with person(url) as made:
        assert made.sign_in(name, secret).status_code == 303
        assert made.choose(secret).status_code == 303
        yield made


@contextmanager
def console(
    folder: Path, broker: Mosquitto, clock: Clock | None = None, **settings: Any
) -> Iterator[tuple[Service, str]]:
    """The service with a console, and the address of that."""
    site = console_site(broker, **settings)
    with serving(folder, site, clock) as service:
        yield service, str(site["console"]["public_url"])


def bearer(person: Person, scope: str) -> dict[str, str]:
    """The header by which a program shows a new token of this person's."""
    page = person.post("/tokens", act="make", label="test", scope=scope, days="30").text
    found = re.search(r'class="secret">([^<]+)<', page)
    assert found is not None, page
    return {"Authorization": f"Bearer {found[1]}"}
