"""`Record` in a real browser: phone and desk, by day and by night, by keyboard, without scripts or outside requests."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

import pytest

from motewatch.links.publications import iso
from support.browser import Browser, Tab
from support.console import administrator, console, user
from support.live import ABOVE, ACTION, ask, spot
from support.mqtt_peer import Peer
from support.page_checks import sign_in, sound
from support.servers import Mosquitto, wait_until

pytestmark = [pytest.mark.browser, pytest.mark.broker]

PHONE, DESK = (360, 740), (1366, 768)
SCRIPT = "<script>document.title='taken'</script>"


def test_the_record_is_read_searched_and_noted(mosquitto: Mosquitto, tmp_path: Path, browser: Browser) -> None:
    with (
        console(tmp_path, mosquitto) as (_, url),
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "quality") as mira,
        Peer(mosquitto.port) as peer,
    ):
        peer.publish(*spot(1, ABOVE))
        wait_until(lambda: "Not fine" in mira.http.get("/").text, "the excursion")
        (taken,) = ask(tmp_path, lambda journal: journal.query_samples("spot-1")) or []
        assert mira.post(f"/note?subject={quote('room/prep')}", note=SCRIPT).status_code == 303
        sample = f"/record/sample?location=spot-1&end={quote(iso(taken.end_us))}"
        digest = mira.http.get("/api/v1/configurations").json()["configurations"][0]["digest"]
        assert mira.post("/record/chain").status_code == 303
        times = {"since": iso(taken.end_us - 3_600_000_000), "until": iso(taken.end_us + 3_600_000_000)}
        assert mira.post("/record/rehearsal", digest=digest, **times).status_code == 303
        wait_until(lambda: "Check it now" in mira.http.get("/record/chain").text, "the chain's check", 60)
        wait_until(lambda: "Rehearsed" in mira.http.get("/record/rehearsal").text, "the rehearsal", 60)
        pages = {
            "record": "/record",
            "searched": "/record?place=room:prep&kind=note",
            "sample": sample,
            "note": f"/note?subject={quote('alarm/' + ACTION)}",
            "audit": "/record/audit",
            "chain": "/record/chain",
            "configurations": f"/record/configurations?before={digest}&after={digest}",
            "configuration": f"/record/configurations/{digest}",
            "rehearsal": "/record/rehearsal",
        }
        for name, size, dark in (("phone", PHONE, False), ("desk", DESK, False), ("dark", DESK, True)):
            tab = browser.tab(size=size, dark=dark)
            sign_in(tab, url)
            for page, path in pages.items():
                tab.open(f"{url}{path}")
                tab.screenshot(tmp_path / f"{name}-{page}.png")
                tab.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
                sound(tab, url)
                assert tab.content_width() <= size[0], page
            if name == "phone":
                _noted_by_keyboard(tab, f"{url}{sample}")
                _searched_by_keyboard(tab, f"{url}/record")
            tab.call("Network.clearBrowserCookies", {})


def _noted_by_keyboard(tab: Tab, page: str) -> None:
    tab.open(page)
    assert tab.box("form.form button")[3] >= 44
    tab.evaluate('document.querySelector("#note").focus()')
    tab.write("#note", "sleeve caught the probe")
    tab.keys("Tab")
    assert tab.evaluate("document.activeElement.textContent") == "Add the note"
    tab.enter()
    assert tab.evaluate('document.querySelector(".rec-lines .rec-said:last-of-type").textContent')
    assert "sleeve caught the probe" in tab.text()


def _searched_by_keyboard(tab: Tab, page: str) -> None:
    tab.open(page)
    assert tab.evaluate('document.querySelector(".rec-filter").open') is False
    tab.evaluate('document.querySelector(".rec-filter summary").click()')
    tab.write("#text", "script")
    tab.enter()
    assert tab.evaluate("document.title") != "taken"
    assert tab.evaluate('[...document.querySelectorAll(".rec-said")].map((each) => each.textContent)') == [SCRIPT]
    # What was searched for is said, and still in the form.
    assert "Searched for: <b>the words “script”</b>" in tab.text()
    assert tab.evaluate('document.querySelector("#text").value') == "script"
