"""`Sensors` in a real browser: phone, desk, night; a portable counter is checked in by keyboard, without scripts."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from support.browser import PHONE, Browser
from support.console import administrator, console_site, user
from support.live import TOPICS, now_us, serving, spot
from support.mqtt_peer import Peer
from support.page_checks import sign_in, sound
from support.servers import Mosquitto, wait_until
from support.writer_bench import count_payload

pytestmark = [pytest.mark.browser, pytest.mark.broker]

DESK = (1366, 900)


def test_the_pages_at_each_size_and_a_check_in_by_keyboard(
    mosquitto: Mosquitto, browser: Browser, tmp_path: Path
) -> None:
    site = console_site(mosquitto)
    url = str(site["console"]["public_url"])
    today = datetime.now(UTC).date()
    for each, days in zip(site["sensors"], (12, -3, 300), strict=True):
        each["calibration_due"] = today + timedelta(days)
    with (
        serving(tmp_path, site),
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "operator") as mira,
        Peer(mosquitto.port) as peer,
    ):
        peer.publish(*spot(1, (1, 0)))
        peer.publish(*spot(2, (1, 0), end_us=now_us() + 60_000_000, status={"flow": "fault"}))
        for seq in (1, 2, 3):
            peer.publish(TOPICS.counts("new-1"), count_payload("new-1", seq, now_us(), (3, 0), 1.0))
        peer.publish(TOPICS.counts("pc-2"), b"<img src=x onerror=alert(1)>\x00\xff" + b"\xc3\xb1 " * 200)
        peer.publish(TOPICS.counts("hand-1"), count_payload("hand-1", 1, now_us(), (3, 0), 1.0))
        wait_until(lambda: "unknown location" in mira.http.get("/sensors").text, "the reading that is nowhere")
        wait_until(lambda: "its flow is outside" in mira.http.get("/sensors").text, "the sensor's alarm")
        for name, size, dark in (("phone", PHONE, False), ("desk", DESK, False), ("night", DESK, True)):
            tab = browser.tab(size=size, dark=dark, scripts=True)
            sign_in(tab, url)
            pages = {"all": "sensors", "letters": "sensors/letters", "fixed": "sensor/pc-1", "hand": "sensor/hand-1"}
            for page, path in pages.items():
                tab.open(f"{url}/{path}")
                # What is folded away is looked at too.
                tab.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
                sound(tab, url)
                tab.screenshot(tmp_path / f"sensors-{page}-{name}.png")
            tab.call("Network.clearBrowserCookies", {})
        tab = browser.tab(size=PHONE)
        sign_in(tab, url)
        tab.open(f"{url}/sensors")
        tab.evaluate("document.querySelector('a[href=\"/sensor/hand-1#place\"]').focus()")
        tab.enter()
        assert "Sensor hand-1" in tab.text()
        tab.evaluate("document.querySelector('#location').focus()")
        # Its first letters choose a location; then the comment and the button.
        tab.keys(*"Cart", "Tab", *"round 3", "Tab")
        tab.enter()
        assert "Cart, since" in tab.text()
        assert "Check it out" in tab.text()
        tab.call("Network.clearBrowserCookies", {})
