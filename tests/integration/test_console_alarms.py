"""`Alarms` in front of the real service: lists, one alarm with every act of its lifecycle, figures, and programs."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path
from urllib.parse import quote

import pytest

from support.console import Person, administrator, bearer, console, user
from support.live import ACTION, ask, spot
from support.mqtt_peer import Peer
from support.servers import Mosquitto, wait_until

pytestmark = pytest.mark.broker

OTHER = "location/spot-1/5um/action"
ONE = f"/alarm?id={quote(ACTION)}"


def group(page: str, title: str) -> str:
    """One list of the page."""
    found = re.search(rf"<h2[^>]*>{title} .*?</section>", page, re.DOTALL)
    return "" if found is None else unescape(found[0])


def test_alarms(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with (
        console(tmp_path, mosquitto) as (_, url),
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "operator") as mira,
        user(admin, url, "vic", "viewer") as vic,
        Peer(mosquitto.port) as peer,
    ):
        # What a sensor that says nothing has raised may be there already.
        assert ACTION not in group(mira.http.get("/alarms").text, "Not acknowledged")
        peer.publish(*spot(1, (100, 60)))
        wait_until(lambda: ACTION in group(mira.http.get("/alarms").text, "Not acknowledged"), "the alarm")
        _rights(admin, vic)
        _meaning(vic)
        _acts(mira, tmp_path)
        _together(mira, peer)
        _history(vic)
        _figures(vic)
        _programs(mira)
        _occupancy(mira, vic, tmp_path)
        _hostile(mira)
        assert ask(tmp_path, lambda journal: journal.verify()) == []


def _rights(admin: Person, vic: Person) -> None:
    for somebody in (admin, vic):
        page = somebody.http.get(ONE).text
        assert "What to do" in page
        assert 'name="act"' not in page
        assert 'type="checkbox"' not in somebody.http.get("/alarms").text
        for act in ("acknowledge", "shelve", "remove-from-service"):
            assert somebody.post(ONE, "/tokens", act=act, comment="x").status_code == 403
        assert somebody.post("/alarms", "/tokens", comment="x", **{"take-1": ACTION}).status_code == 403


def _meaning(vic: Person) -> None:
    page = unescape(vic.http.get(ONE).text)
    for part in ("Likely cause", "If nothing is done", "particles ≥0.5 µm above the action level", "3 520", "high"):
        assert part in page.replace("\N{NO-BREAK SPACE}", " "), part
    assert "Trend of Needle side" in page
    assert "raised" in page


def _acts(mira: Person, tmp_path: Path) -> None:
    # Refused by the engine, in its words, and nothing typed is lost.
    refused = mira.post(ONE, act="shelve", minutes="30", comment=" ")
    assert refused.status_code == 409
    assert "say why" in refused.text
    assert mira.post(ONE, act="shelve", minutes="31", comment="x").status_code == 422
    long = mira.post(ONE, act="acknowledge", comment="y" * 501)
    assert long.status_code == 422
    assert "y" * 500 in long.text
    assert mira.post(ONE, act="shelve", minutes="30", comment='seal of the "door"').status_code == 303
    page = unescape(mira.http.get(ONE).text)
    assert "Shelved" in page
    assert "Bring it back now" in page
    assert re.search(r"by mira; until \d\d:\d\d\.", page)
    assert 'seal of the "door"' in group(mira.http.get("/alarms").text, "Shelved")
    assert mira.post(ONE, act="unshelve", comment="").status_code == 303
    assert mira.post(ONE, act="reset", comment="").status_code == 409
    assert mira.post(ONE, act="remove-from-service", permit="P-7", comment="").status_code == 303
    assert "permit P-7" in group(mira.http.get("/alarms").text, "Out of service")
    assert "permit P-7" in mira.http.get(ONE).text
    assert mira.post(ONE, act="return-to-service", comment="back").status_code == 303
    assert mira.post(ONE, act="acknowledge", comment="seen <b>").status_code == 303
    page = mira.http.get(ONE).text
    assert "Acknowledged (by mira)" in page
    assert "seen &lt;b&gt;" in page
    assert ACTION in group(mira.http.get("/alarms").text, "Acknowledged, and still so")
    rows = ask(tmp_path, lambda journal: journal.query_audit(40)) or []
    assert [row.action for row in rows if row.by == "mira" and row.subject == ACTION] == [
        "refused",
        "shelve",
        "unshelve",
        "refused",
        "remove-from-service",
        "return-to-service",
        "acknowledge",
    ]


def _together(mira: Person, peer: Peer) -> None:
    assert mira.post("/alarms", comment="all").status_code == 422
    assert mira.post("/alarms", comment="all", **{"take-1": OTHER}).status_code == 303
    assert OTHER in group(mira.http.get("/alarms").text, "Acknowledged, and still so")
    again = mira.post("/alarms", comment="kept words", **{"take-1": OTHER, "take-2": ACTION})
    assert again.status_code == 409
    assert again.text.count("nothing to acknowledge") == 2
    assert mira.http.get("/").text.count(quote(ACTION, safe="")) + mira.http.get("/").text.count(ACTION) > 0


def _history(vic: Person) -> None:
    page = unescape(vic.http.get("/alarms/history").text)
    assert "raised: Needle side" in page
    assert "acknowledged: " in page
    only = unescape(vic.http.get("/alarms/history?priority=high&room=fill&kind=count-action").text)
    assert "Only: <b>high priority; count action; Filling</b>" in only
    assert "raised: Needle side" in only
    assert "Nothing on record" in vic.http.get("/alarms/history?until=2020-01-01").text
    assert "Nothing on record" in vic.http.get("/alarms/history?room=prep&priority=low").text
    for wrong in ("priority=dire", "kind=none", "room=attic", "since=then", "since=2026-02-02&until=2026-01-01"):
        refused = vic.http.get(f"/alarms/history?{wrong}")
        assert refused.status_code == 422
        assert 'class="beside"' in refused.text
        assert vic.http.get(f"/api/v1/alarms/history?{wrong}").status_code == 422
    whole = vic.http.get("/api/v1/alarms/history?limit=1000").json()
    assert whole["next"] is None
    seen, cursor = [], ""
    for _ in whole["steps"]:
        part = vic.http.get(f"/api/v1/alarms/history?limit=1&cursor={cursor}").json()
        seen += part["steps"]
        cursor = part["next"]
    assert seen == whole["steps"]
    assert cursor is None
    high = vic.http.get("/api/v1/alarms/history?priority=high&room=fill").json()["steps"]
    assert high == [each for each in seen if each["priority"] == "high" and each["room"] == "fill"]
    assert {"starts", "shelve", "acknowledge"} <= {each["event"] for each in high}
    assert any(each["by"] == "mira" and each["comment"] == "seen <b>" for each in high)


def _figures(vic: Person) -> None:
    page = unescape(vic.http.get("/alarms/figures?days=1").text)
    # Some minutes on record: numbers of alarms and how long that is, no rate per day.
    assert re.search(r"The record of this time is \d+ (s|min) long", page)
    assert "alarms presented" in page
    assert "target:" not in page
    assert "Needle side: ≥0.5 µm, action</a>" in page
    assert "in all, at most" in page
    assert "<rect" in page
    assert vic.http.get("/alarms/figures?days=999999999999").status_code == 200


def _programs(mira: Person) -> None:
    reads, acts = bearer(mira, "read"), bearer(mira, "operate")
    body = {"alarm": OTHER, "minutes": 5, "comment": "by a program"}
    assert mira.http.post("/api/v1/alarms/shelve", json=body, headers=reads).status_code == 403
    assert mira.http.post("/api/v1/alarms/shelve", json=body).status_code == 401
    assert mira.http.post("/api/v1/alarms/shelve", json=body, headers=acts).status_code == 200
    assert mira.http.post("/api/v1/alarms/shelve", json=body | {"minutes": 10_080}, headers=acts).status_code == 409
    one = {"alarm": OTHER}
    assert mira.http.post("/api/v1/alarms/unshelve", json=one, headers=acts).status_code == 200
    refused = mira.http.post("/api/v1/alarms/reset", json=one, headers=acts)
    assert refused.status_code == 409
    assert "nothing to reset" in refused.json()["detail"]
    permit = one | {"permit": "P-8"}
    assert mira.http.post("/api/v1/alarms/remove-from-service", json=permit, headers=acts).status_code == 200
    assert mira.http.post("/api/v1/alarms/return-to-service", json=one, headers=acts).status_code == 200


def _occupancy(mira: Person, vic: Person, folder: Path) -> None:
    path = "/room/prep/occupancy"
    assert vic.http.get(path).status_code == 403
    assert "State its occupancy" in mira.http.get("/room/prep").text
    assert "State its occupancy" not in vic.http.get("/room/prep").text
    assert mira.post(path, state="at-rest", comment="nobody <in>").status_code == 303
    assert mira.post(path, state="asleep", comment="kept").status_code == 422
    assert mira.http.get("/room/attic/occupancy").status_code == 404
    acts = bearer(mira, "operate")
    order = {"room": "prep", "occupancy": None, "comment": "back"}
    assert mira.http.post("/api/v1/rooms/occupancy", json=order, headers=acts).status_code == 200
    assert mira.http.post("/api/v1/rooms/occupancy", json=order | {"room": "x"}, headers=acts).status_code == 409
    assert mira.http.post("/api/v1/rooms/occupancy", json=order | {"occupancy": "x"}, headers=acts).status_code == 422
    rows = ask(folder, lambda journal: journal.query_audit(10)) or []
    said = [row.detail for row in rows if row.action == "occupancy" and row.subject == "prep"]
    assert said == ["at-rest; nobody <in>", "by schedule; back"]


def _hostile(mira: Person) -> None:
    for missing in ("", "none", "<script>", "location/" + "x" * 500, "../../etc/passwd"):
        page = mira.http.get(f"/alarm?id={quote(missing)}")
        assert page.status_code == 404
        assert "<script>" not in page.text
    assert mira.post(f"/alarm?id={quote('none')}", act="acknowledge", comment="x").status_code == 404
    assert mira.post(ONE, act="explode").status_code == 400
    assert mira.http.post(ONE, data={"act": "acknowledge"}).status_code == 403
