"""The console in a real browser: phone, desk and wall, by day and by night, with scripts and without, by keyboard."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from motewatch.service import Service
from support.browser import PHONE, Browser, Tab
from support.console import OWN, administrator, console, user
from support.live import ABOVE, ACTION, spot
from support.mqtt_peer import Peer
from support.servers import Mosquitto, wait_until

pytestmark = [pytest.mark.browser, pytest.mark.broker]

DESK = (1366, 768)
WALL = (3840, 2160)

CONTRAST = """(() => {
  const parse = (c) => { const m = c.match(/[\\d.]+/g).map(Number); return m.length < 4 ? [...m, 1] : m; };
  const over = (a, b) => [0, 1, 2].map((i) => a[i] * a[3] + b[i] * (1 - a[3])).concat(1);
  const light = (c) => { const [r, g, b] = c.slice(0, 3).map((v) => { v /= 255;
    return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const low = [];
  for (const e of document.body.querySelectorAll("*")) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!own || !e.getClientRects().length || e.closest(".unseen")) continue;
    let back = [0, 0, 0, 0];
    for (let at = e; at; at = at.parentElement) {
      if (back[3] < 1) back = over(back, parse(getComputedStyle(at).backgroundColor)).slice(0, 3)
        .concat(back[3] || parse(getComputedStyle(at).backgroundColor)[3] ? 1 : 0);
    }
    const s = getComputedStyle(e), a = light(parse(s.color)), b = light(back);
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), px = parseFloat(s.fontSize);
    const large = px >= 24 || (px >= 18.66 && Number(s.fontWeight) >= 700);
    if (ratio < (large ? 3 : 4.5)) low.push([e.tagName, e.className, e.textContent.trim().slice(0, 40), ratio]);
  }
  return low;
})()"""
"""Texts whose contrast is less than WCAG 2.2 AA asks (success criterion 1.4.3)."""

NAMELESS = """[...document.querySelectorAll("input:not([type=hidden]):not([hidden]), select, textarea")]
  .filter((e) => !e.labels || !e.labels.length).map((e) => e.outerHTML)
  .concat([...document.querySelectorAll("a, button")].filter((e) => !e.textContent.trim()).map((e) => e.outerHTML))
  .concat(Object.entries([...document.querySelectorAll("[id]")].reduce((all, e) => {
    all[e.id] = (all[e.id] || 0) + 1; return all; }, {})).filter(([, n]) => n > 1).map(([id]) => "twice: " + id))
  .concat(document.documentElement.lang ? [] : ["no language"])
  .concat(["main", "h1"].filter((name) => document.querySelectorAll(name).length !== 1))"""
"""What a screen reader could not name, and other faults of structure."""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("browser")) as made:
        yield made


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


def sign_in(tab: Tab, url: str, name: str = "mira") -> None:
    """By keyboard."""
    tab.open(f"{url}/sign-in")
    tab.write("#user", name)
    tab.keys("Tab", *OWN)
    tab.enter()


def sound(tab: Tab, url: str) -> None:
    """Nothing asked for elsewhere, no complaint of the browser's, nothing wider than the window."""
    assert {urlsplit(request.split(" ", 1)[1]).netloc for request in tab.requests} == {urlsplit(url).netloc}
    assert tab.complaints == []
    width: Any = tab.evaluate("innerWidth")
    assert tab.content_width() <= width
    assert tab.evaluate(CONTRAST) == []
    assert tab.evaluate(NAMELESS) == []


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
