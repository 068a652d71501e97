"""`Alarms` in a real browser: at a phone's and a desk's size, by day and night, several acknowledged by keyboard."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.browser import PHONE, Browser
from support.console import administrator, console, user
from support.live import ACTION, spot
from support.mqtt_peer import Peer
from support.page_checks import sign_in, sound
from support.servers import Mosquitto, wait_until

pytestmark = [pytest.mark.browser, pytest.mark.broker]

DESK = (1366, 900)
OTHER = "location/spot-1/5um/action"


def test_the_pages_at_each_size_and_a_flood_acknowledged_by_keyboard(
    mosquitto: Mosquitto, browser: Browser, tmp_path: Path
) -> None:
    with (
        console(tmp_path, mosquitto) as (_, url),
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "operator") as mira,
        Peer(mosquitto.port) as peer,
    ):
        peer.publish(*spot(1, (100, 60)))
        wait_until(lambda: OTHER in mira.http.get("/alarms").text, "the alarms")
        for name, size, dark in (("phone", PHONE, False), ("desk", DESK, False), ("night", DESK, True)):
            tab = browser.tab(size=size, dark=dark, scripts=True)
            sign_in(tab, url)
            for page, path in (("list", "alarms"), ("one", f"alarm?id={ACTION}"), ("figures", "alarms/figures?days=1")):
                tab.open(f"{url}/{path}")
                # What is folded away is looked at too.
                tab.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
                sound(tab, url)
                tab.screenshot(tmp_path / f"alarms-{page}-{name}.png")
            tab.call("Network.clearBrowserCookies", {})
        tab = browser.tab(size=DESK)
        sign_in(tab, url)
        tab.open(f"{url}/alarms")
        tab.evaluate("document.querySelector('[name=take-1]').focus()")
        # Tick, on to its link, and so for the second.
        tab.keys(" ", "Tab", "Tab", " ")
        # A third alarm, of a sensor that says nothing, may have come meanwhile.
        presses = 0
        while tab.evaluate("document.activeElement.id") != "comment" and presses < 12:
            tab.keys("Tab")
            presses += 1
        tab.keys(*"seen", "Tab")
        tab.enter()
        assert "Acknowledged, and still so (2)" in tab.text()
        tab.call("Network.clearBrowserCookies", {})
