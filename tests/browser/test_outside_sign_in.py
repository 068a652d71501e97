"""Signing in by an identity provider in a real browser, without scripts: there and back between two sites.

Here it shows what a program cannot: whether the browser's rules for cookies (SameSite) and the pages' policy let people
through. Console and provider are of two sites (an address and a name).
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Final

import pytest

from support.browser import Browser, Tab
from support.console import administrator
from support.identity import IdentityProvider
from support.live import ask
from support.outside import outside_console
from support.page_checks import sign_in, sound
from support.servers import Mosquitto, wait_until

AXE: Final = (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")
LOOK: Final = """axe.run(document, {}).then((found) => found.violations.map((one) =>
  one.id + ": " + one.nodes.slice(0, 3).map((node) => node.html.slice(0, 200)).join(" | ")))"""

pytestmark = [pytest.mark.browser, pytest.mark.broker]


@pytest.fixture
def ground(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[tuple[str, IdentityProvider]]:
    with (
        IdentityProvider() as house,
        outside_console(tmp_path, mosquitto, house) as (_, url),
        administrator(tmp_path, url),
    ):
        house.member("quinn", "quality", name="Quinn Hill")
        yield url, house


def shot(tab: Tab, tmp_path: Path, name: str) -> None:
    folder = Path(os.environ.get("MOTEWATCH_SCREENSHOTS") or tmp_path)
    folder.mkdir(parents=True, exist_ok=True)
    tab.screenshot(folder / f"{name}.png")


def shown(tab: Tab, words: str) -> None:
    """Wait until the page with these words is there: pages lead on by themselves."""

    def there() -> bool:
        try:
            return words in tab.text()
        except AssertionError:
            # Asked between two pages.
            return False

    wait_until(there, words)


@pytest.mark.parametrize(("dark", "size"), [(False, (360, 740)), (True, (1366, 768))], ids=["phone", "desk-dark"])
def test_in_and_a_signature_without_scripts(
    ground: tuple[str, IdentityProvider], browser: Browser, tmp_path: Path, dark: bool, size: tuple[int, int]
) -> None:
    url, house = ground
    tab, name = browser.tab(dark=dark, size=size), f"{size[0]}{'-dark' if dark else ''}"
    tab.call("Network.clearBrowserCookies", {})
    tab.open(f"{url}/sign?subject=audit/1-1")
    shot(tab, tmp_path, f"outside-sign-in-{name}")
    clicked(tab, "a.outside")
    shown(tab, "House account")
    tab.write("#who", "quinn")
    clicked(tab, "#enter")
    # Where it was wanted to go, signed in: the strict cookie is sent along, because a page of ours leads on.
    shown(tab, "You confirm it by signing in anew with the house account")
    clicked(tab, "input[value=reviewed]")
    shot(tab, tmp_path, f"outside-sign-{name}")
    clicked(tab, "form.form button.go")
    shown(tab, "Nothing is signed yet")
    assert tab.content_width() <= size[0]
    shot(tab, tmp_path, f"outside-confirm-{name}")
    clicked(tab, "main a.go")
    # Asked anew, although the provider knows this browser.
    shown(tab, "House account")
    tab.write("#who", "quinn")
    clicked(tab, "#enter")
    shown(tab, "<b>Reviewed</b> by <b>Quinn Hill</b>")
    shot(tab, tmp_path, f"outside-signed-{name}")
    assert tab.complaints == []
    assert [code.asked.get("prompt") for code in house.codes.values()] == ["login", "login"]
    rows = ask(tmp_path, lambda journal: journal.query_audit()) or []
    assert [row.subject for row in rows if row.action == "signed"] == ["audit/1-1"]


def test_a_provider_that_is_away_is_told(
    ground: tuple[str, IdentityProvider], browser: Browser, tmp_path: Path
) -> None:
    url, house = ground
    tab = browser.tab(dark=True, size=(360, 740), scripts=True)
    tab.call("Network.clearBrowserCookies", {})
    tab.open(f"{url}/sign-in")
    sound(tab, url)
    shot(tab, tmp_path, "outside-sign-in-dark")
    house.stop()
    clicked(tab, "a.outside")
    shown(tab, "The identity provider does not answer now.")
    shot(tab, tmp_path, "outside-away-dark")


def test_axe_finds_nothing_on_the_way(ground: tuple[str, IdentityProvider], browser: Browser, tmp_path: Path) -> None:
    url, house = ground
    tab = browser.tab(size=(360, 740), scripts=True)
    tab.call("Network.clearBrowserCookies", {})
    faults: list[str] = []

    def look(words: str) -> None:
        shown(tab, words)
        tab.evaluate(AXE + ";1")
        faults.extend(f"{words}: {one}" for one in tab.evaluate(LOOK))

    tab.open(f"{url}/sign?subject=audit/1-1")
    look("Sign in with the house account")
    clicked(tab, "a.outside")
    shown(tab, "House account")
    tab.write("#who", "quinn")
    clicked(tab, "#enter")
    look("You confirm it by signing in anew with the house account")
    clicked(tab, "input[value=reviewed]")
    clicked(tab, "form.form button.go")
    look("Nothing is signed yet")
    clicked(tab, "main a.go")
    shown(tab, "House account")
    # A provider that lets through who signed in before.
    house.stale_by_s = 60
    tab.write("#who", "quinn")
    clicked(tab, "#enter")
    look("not signed in anew")
    shot(tab, tmp_path, "outside-unsigned-phone")
    # And back, still signed in.
    clicked(tab, "main a.go")
    look("Nobody has signed it.")
    assert faults == []


def test_users_are_handed_over_on_their_page(
    ground: tuple[str, IdentityProvider], browser: Browser, tmp_path: Path
) -> None:
    url, _ = ground
    tab = browser.tab(size=(360, 740), scripts=True)
    tab.call("Network.clearBrowserCookies", {})
    sign_in(tab, url, "administrator")
    tab.open(f"{url}/access")
    for field, text in (("#user", "rosa"), ("#name", "Rosa Lind"), ("#reason", "new here")):
        tab.write(field, text)
    clicked(tab, "form.form button.go")
    shown(tab, "One-time secret for")
    clicked(tab, "summary")
    sound(tab, url)
    tab.write("#outside-why-rosa", "the house account came")
    shot(tab, tmp_path, "outside-users-phone")
    tab.keys("Tab", "Enter")
    shown(tab, "waits for the first sign-in with the house account")


def clicked(tab: Tab, selector: str) -> None:
    """By the mouse."""
    x, y, width, height = tab.box(selector)
    point = {"x": x + width / 2, "y": y + height / 2, "button": "left", "clickCount": 1}
    tab.call("Input.dispatchMouseEvent", {"type": "mousePressed", **point})
    tab.call("Input.dispatchMouseEvent", {"type": "mouseReleased", **point})
