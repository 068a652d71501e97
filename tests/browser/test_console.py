"""The console in a real browser: phone, desk and wall, by day and by night, with scripts and without, by keyboard."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from motewatch.service import Service
from support.browser import PHONE, Browser
from support.console import administrator, console, user
from support.live import ABOVE, ACTION, spot
from support.mqtt_peer import Peer
from support.page_checks import sign_in, sound
from support.servers import Mosquitto, wait_until

pytestmark = [pytest.mark.browser, pytest.mark.broker]

DESK = (1366, 768)
WALL = (3840, 2160)


@pytest.fixture
def ground(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[tuple[Service, str]]:
    """The service with an excursion, and the operator Mira."""
    with (
        console(tmp_path, mosquitto) as (service, url),
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "operator") as mira,
        Peer(mosquitto.port) as peer,
    ):
        peer.publish(*spot(1, ABOVE))
        wait_until(lambda: "Not fine" in mira.http.get("/").text, "the excursion")
        yield service, url


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK, WALL], ids=["phone", "desk", "wall"])
def test_every_page_at_every_size(
    ground: tuple[Service, str], browser: Browser, tmp_path: Path, size: tuple[int, int], dark: bool
) -> None:
    _, url = ground
    tab = browser.tab(dark=dark, size=size, scripts=True)
    tab.open(f"{url}/sign-in")
    sound(tab, url)
    tab.screenshot(tmp_path / "sign-in.png")
    sign_in(tab, url)
    for name in ("", "wall", f"acknowledge?alarm={ACTION}", "tokens", "password"):
        tab.open(f"{url}/{name}")
        sound(tab, url)
        tab.screenshot(tmp_path / f"{name.partition('?')[0] or 'now'}.png")
    tab.call("Network.clearBrowserCookies", {})
    sign_in(tab, url, "administrator")
    tab.open(f"{url}/access")
    sound(tab, url)
    tab.screenshot(tmp_path / "access.png")
    tab.call("Network.clearBrowserCookies", {})


def test_an_alarm_is_acknowledged_without_scripts_and_by_keyboard_alone(
    ground: tuple[Service, str], browser: Browser
) -> None:
    _, url = ground
    tab = browser.tab(size=DESK)
    sign_in(tab, url)
    page = tab.text()
    assert "Not fine" in page
    assert 'http-equiv="refresh"' in page
    tab.open(f"{url}/acknowledge?alarm={ACTION}")
    tab.write("#comment", "seen")
    # The button is the next.
    tab.keys("Tab")
    tab.enter()
    # Back on the page, which shows it already.
    page = tab.text()
    assert "mira acknowledged" in page
    assert "(by mira)" in page
    tab.call("Network.clearBrowserCookies", {})


def test_it_keeps_itself_up_to_date_and_says_when_it_is_stale(
    ground: tuple[Service, str], browser: Browser, tmp_path: Path, mosquitto: Mosquitto
) -> None:
    service, url = ground
    tab = browser.tab(size=DESK, scripts=True)
    sign_in(tab, url)
    tab.evaluate('document.querySelector("a.button").focus()')
    before = tab.evaluate('document.getElementById("now").innerHTML')
    with Peer(mosquitto.port) as peer:
        peer.publish(*spot(2, (90, 0)))
        wait_until(lambda: tab.evaluate('document.getElementById("now").innerHTML') != before, "the next sample")
    # What was in focus still is, though it was drawn anew.
    assert tab.evaluate("document.activeElement.id") == f"take-{ACTION}"
    assert tab.evaluate('document.getElementById("stale").hidden') is True
    service.stop()
    wait_until(lambda: tab.evaluate('document.getElementById("stale").hidden') is False, "the stale page")
    assert "STALE" in tab.evaluate('document.getElementById("stale").textContent')
    assert float(tab.style("#stale", "font-size").removesuffix("px")) >= 32
    tab.screenshot(tmp_path / "stale.png")
    tab.call("Network.clearBrowserCookies", {})
