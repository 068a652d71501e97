"""`On call` in a real browser: at a phone's and a desk's size, by day and by night, and a test sent by keyboard."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.browser import PHONE, Browser
from support.console import administrator, user
from support.live import ABOVE, serving, spot
from support.mail import MailServer
from support.mqtt_peer import Peer
from support.on_call_site import on_call_site
from support.page_checks import sign_in, sound
from support.servers import Mosquitto, wait_until

pytestmark = [pytest.mark.browser, pytest.mark.broker]

DESK = (1366, 900)


def test_the_page_at_each_size_and_a_test_by_keyboard(mosquitto: Mosquitto, browser: Browser, tmp_path: Path) -> None:
    with MailServer() as mails:
        site = on_call_site(mosquitto, mails, test_calls={"at": "Tue 10:00"})
        hook = {"id": "hook", "kind": "webhook", "url": "https://hook.example.org/", "key_file": "missing.key"}
        site["channels"].append(hook)
        url = site["console"]["public_url"]
        with (
            serving(tmp_path, site),
            administrator(tmp_path, url) as admin,
            user(admin, url, "mira", "operator") as mira,
            Peer(mosquitto.port) as peer,
        ):
            peer.publish(*spot(1, ABOVE))
            wait_until(lambda: "Next: step 2 of 2" in mira.http.get("/on-call").text, "the climb")
            for name, size, dark in (("phone", PHONE, False), ("desk", DESK, False), ("night", PHONE, True)):
                tab = browser.tab(size=size, dark=dark, scripts=True)
                sign_in(tab, url)
                tab.open(f"{url}/on-call")
                assert "No call goes out over this channel" in tab.text()
                assert "The channel hook is out of use: " in tab.text()
                # What is folded away is looked at too.
                tab.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
                sound(tab, url)
                tab.screenshot(tmp_path / f"on-call-{name}.png")
                tab.open(f"{url}/on-call/test?way=ada+mail")
                sound(tab, url)
                tab.screenshot(tmp_path / f"on-call-test-{name}.png")
                tab.call("Network.clearBrowserCookies", {})
            before = len(mails.mails)
            tab = browser.tab(size=DESK)
            sign_in(tab, url)
            tab.open(f"{url}/on-call/test?way=ada+mail")
            tab.evaluate("document.querySelector('#way').focus()")
            tab.keys("Tab")
            tab.enter()
            wait_until(lambda: len(mails.mails) == before + 1, "the test message")
            assert "Taken, to" in tab.text()
            tab.call("Network.clearBrowserCookies", {})
