"""Rooms and locations in a real browser: phone, desk, by night; with scripts, by keyboard, and without scripts."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from support.browser import PHONE, Browser, Tab
from support.console import administrator, user
from support.page_checks import sign_in, sound
from support.servers import wait_until
from support.trend_console import trend_console

pytestmark = pytest.mark.browser

DESK = (1366, 900)
DAY = "from=2026-03-05T00:00:00Z&until=2026-03-06T00:00:00Z"
READ = "document.querySelector('.read-out').textContent"


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Browser, str]]:
    folder = tmp_path_factory.mktemp("trends")
    with (
        trend_console(folder) as (url, _),
        administrator(folder, url) as admin,
        user(admin, url, "mira", "operator"),
        Browser(folder) as browser,
    ):
        yield browser, url


@pytest.mark.parametrize(("size", "dark"), [(PHONE, False), (DESK, False), (DESK, True)], ids=["phone", "desk", "dark"])
def test_every_page(ground: tuple[Browser, str], tmp_path: Path, size: tuple[int, int], dark: bool) -> None:
    browser, url = ground
    tab = browser.tab(dark=dark, size=size, scripts=True)
    sign_in(tab, url)
    # What the browser has to say against that page is not about these.
    tab.complaints.clear()
    for name in ("rooms", f"room/prep?{DAY}", f"location/bench?{DAY}", "location/sink"):
        tab.open(f"{url}/{name}")
        sound(tab, url)
        tab.screenshot(tmp_path / f"{name.partition('?')[0].replace('/', '-')}.png")
    tab.call("Network.clearBrowserCookies", {})


def test_values_are_read_by_keyboard_and_a_key_zooms(ground: tuple[Browser, str]) -> None:
    browser, url = ground
    tab = browser.tab(size=DESK, scripts=True)
    sign_in(tab, url)
    tab.open(f"{url}/location/bench?{DAY}")
    tab.evaluate("document.querySelector('.at-desk svg').focus()")
    _arrow(tab)
    wait_until(lambda: "≥0.5 µm" in str(tab.evaluate(READ)), "a value")
    said = str(tab.evaluate(READ))
    assert "action 3 520" in said
    assert "at rest" in said
    tab.keys("+")
    # The half of the day around the cursor, which stands near its end.
    wait_until(lambda: "from=2026-03-05T17" in str(tab.evaluate("location.search")), "the zoom")
    assert tab.complaints == []
    tab.call("Network.clearBrowserCookies", {})


SHOWN = "[...document.querySelectorAll('.read-out span')].filter((e) => e.checkVisibility()).map((e) => e.className)"


def test_the_read_out_says_what_the_device_can_do(ground: tuple[Browser, str]) -> None:
    browser, url = ground
    for size, touch, kind in ((DESK, False, "for-mouse"), (PHONE, True, "for-finger")):
        tab = browser.tab(size=size, scripts=True)
        tab.call("Emulation.setTouchEmulationEnabled", {"enabled": touch})
        sign_in(tab, url)
        tab.open(f"{url}/location/bench?{DAY}")
        assert tab.evaluate(SHOWN) == [kind]
        said = str(tab.evaluate(f"document.querySelector('.read-out .{kind}').textContent"))
        assert ("drag" in said) is not touch
        tab.call("Network.clearBrowserCookies", {})


def _arrow(tab: Tab) -> None:
    key = {"key": "ArrowLeft", "windowsVirtualKeyCode": 37}
    tab.call("Input.dispatchKeyEvent", {"type": "keyDown", **key})
    tab.call("Input.dispatchKeyEvent", {"type": "keyUp", **key})


def test_without_scripts_the_drawing_and_the_table_are_there(ground: tuple[Browser, str]) -> None:
    browser, url = ground
    tab = browser.tab(size=DESK)
    sign_in(tab, url)
    tab.open(f"{url}/location/bench?{DAY}")
    page = tab.text()
    assert "read-out" not in page
    assert "Above the action level" in page
    assert tab.box(".at-desk svg")[2] > 900
    assert "Older samples" in page
    tab.call("Network.clearBrowserCookies", {})
