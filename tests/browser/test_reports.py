"""`Reports` in a real browser: phone and desk, by day and by night, without scripts or outside requests."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.browser import Browser
from support.console import administrator, console, user
from support.live import ABOVE, spot
from support.mqtt_peer import Peer
from support.page_checks import NAMELESS, sign_in, sound
from support.servers import Mosquitto, wait_until

pytestmark = [pytest.mark.browser, pytest.mark.broker]

PHONE, DESK = (360, 740), (1366, 768)
BATCH = {"kind": "batch", "batch": "B-1042 <i>", "start": "2020-01-01T00:00", "end": "2020-06-01T00:00"}


def test_reports_are_made_read_and_checked(mosquitto: Mosquitto, tmp_path: Path, browser: Browser) -> None:
    with (
        console(tmp_path, mosquitto) as (_, url),
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "quality") as mira,
        Peer(mosquitto.port) as peer,
    ):
        peer.publish(*spot(1, ABOVE))
        wait_until(lambda: "Not fine" in mira.http.get("/").text, "the excursion")
        now = mira.http.get("/api/v1/alarms").json()["alarms"][0]["since"][:10]
        assert mira.post("/reports/make", **BATCH).status_code == 422
        today = {**BATCH, "start": f"{now}T00:00", "end": f"{now}T23:59"}
        report = mira.post("/reports/make", **today).headers["location"]
        pages = {
            "list": "/reports",
            "make": "/reports/make",
            "report": report,
            "checked": f"{report}?check=1",
        }
        for name, size, dark in (("phone", PHONE, False), ("desk", DESK, False), ("dark", DESK, True)):
            tab = browser.tab(size=size, dark=dark)
            sign_in(tab, url)
            for page, path in pages.items():
                tab.open(f"{url}{path}")
                tab.screenshot(tmp_path / f"{name}-{page}.png")
                sound(tab, url)
                assert tab.evaluate(NAMELESS) == [], page
            tab.open(f"{url}/reports")
            assert "B-1042 &lt;i&gt;" in tab.text()
            assert min(tab.box(".reports .acts a")[2:]) >= 44
            tab.call("Network.clearBrowserCookies", {})
        document = tmp_path / "report.html"
        document.write_bytes(mira.http.get(f"{report}/html").content)
        tab = browser.tab(size=PHONE)
        tab.open(document.as_uri())
        tab.screenshot(tmp_path / "phone-document.png")
        assert tab.content_width() <= PHONE[0]
