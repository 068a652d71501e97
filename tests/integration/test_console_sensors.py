"""The pages about sensors: what can be trusted, what could not be used, who knocks, and where a portable stands."""

from __future__ import annotations

import json
import re
from functools import partial
from html import unescape
from pathlib import Path

import pytest

from support.console import Person, administrator, console, user
from support.live import TOPICS, ask, now_us, spot
from support.mqtt_peer import Peer
from support.servers import Mosquitto, wait_until
from support.writer_bench import count_payload

pytestmark = pytest.mark.broker


def air(sensor: str, seq: int, seconds: float = 1.0) -> tuple[str, bytes]:
    """A reading that ends now and does not say where."""
    return TOPICS.counts(sensor), count_payload(sensor, seq, now_us(), (3, 0), seconds)


def test_sensors_dead_letters_and_check_in(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with (
        console(tmp_path, mosquitto) as (_, url),
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "operator") as mira,
        user(admin, url, "vic", "viewer") as vic,
        Peer(mosquitto.port) as peer,
    ):
        peer.publish(*spot(1, (1, 0), end_us=now_us()))
        peer.publish(*air("stranger-1", 1))
        peer.publish(TOPICS.counts("pc-2"), b"<script>alert(1)</script>\x00\xff")
        peer.publish(*air("hand-1", 1))
        wait_until(lambda: "stranger-1" in vic.http.get("/sensors").text, "the stranger")
        wait_until(lambda: "portable sensor" in vic.http.get("/sensors").text, "the reading that is nowhere")
        page = vic.http.get("/sensors").text
        assert "<script>alert" not in page
        page = unescape(page)
        assert 'id = "stranger-1"' in page
        assert "sizes_um = [0.5, 5.0]" in page
        assert "nowhere: nobody has checked it in" in page
        assert "Check in" not in page
        assert "In order" in page[page.index('href="/sensor/pc-1"') :][:400]
        letters = unescape(vic.http.get("/sensors/letters").text)
        assert "not json" in letters
        assert "alert(1)" in letters

        # The bytes, as they came, and never as a page.
        kept = vic.http.get("/sensors/letter?id=2")
        assert kept.headers["content-type"] == "application/octet-stream"
        assert "attachment" in kept.headers["content-disposition"]
        bodies = [vic.http.get(f"/sensors/letter?id={number}").content for number in (1, 2, 3)]
        assert b"<script>alert(1)</script>\x00\xff" in bodies
        for wrong in ("", "99", "-1", "x", "9" * 30):
            assert vic.http.get(f"/sensors/letter?id={wrong}").status_code == 404

        # Only who may operate says where a counter stands; the engine's refusals are shown.
        assert vic.http.post("/sensor/hand-1", data={"act": "check-in", "location": "cart"}).status_code == 403
        assert "already" not in mira.http.get("/sensor/hand-1").text
        refused = mira.post("/sensor/hand-1", act="check-in", location="attic", comment="kept words")
        assert refused.status_code == 409
        assert "no location 'attic'" in unescape(refused.text)
        assert "kept words" in refused.text
        assert mira.post("/sensor/hand-1", act="check-in", location="cart", comment="round <3>").status_code == 303
        assert "Cart, since" in mira.http.get("/sensor/hand-1").text
        fixed = mira.post("/sensor/pc-1", "/sensor/hand-1", act="check-in", location="cart", comment="")
        assert fixed.status_code == 409
        assert "is fixed at 'spot-1'" in unescape(fixed.text)
        assert mira.post("/sensor/hand-1", act="explode").status_code == 400

        # Air sampled from then on is used, and is shown.
        numbers = iter(range(2, 1_000))

        def taken() -> bool:
            peer.publish(*air("hand-1", next(numbers), 0.1))
            return bool(ask(tmp_path, lambda journal: journal.query_samples("cart")))

        wait_until(taken, "a sample at the cart")
        one = unescape(mira.http.get("/sensor/hand-1").text)
        assert "≥0.5 µm: 3" in one
        assert "flow ok, laser ok" in one
        assert mira.post("/sensor/hand-1", act="check-out", comment="").status_code == 303
        assert "nowhere" in mira.http.get("/sensor/hand-1").text
        rows = ask(tmp_path, lambda journal: journal.query_audit(40)) or []
        acts = [(row.action, row.detail) for row in rows if row.subject == "sensor/hand-1" and row.by == "mira"]
        assert acts[1:] == [("check-in", "cart; round <3>"), ("check-out", "")]
        assert acts[0][0] == "refused"
        assert vic.http.get("/sensor/none").status_code == 404

        # The same for programs; a browser reads with its cookie.
        found = {each["id"]: each for each in vic.http.get("/api/v1/sensors").json()["sensors"]}
        assert (found["pc-1"]["answer"], found["pc-1"]["location"]) == ("in-order", "spot-1")
        assert (found["hand-1"]["answer"], found["hand-1"]["location"]) == ("cannot-tell", None)
        assert (found["pc-1"]["flow"], found["pc-1"]["laser"]) == ("ok", "ok")
        assert found["pc-1"]["last_end"].endswith("Z")
        assert 0 <= found["pc-1"]["delay_s"] < 60
        assert found["pc-1"]["silences_week"] == {"number": 0, "seconds": 0.0}
        assert (found["hand-1"]["silences_day"], found["hand-1"]["calibration_due"]) == (None, None)
        first = vic.http.get("/api/v1/dead-letters?limit=2").json()
        rest = vic.http.get(f"/api/v1/dead-letters?limit=200&cursor={first['next']}").json()
        numbers_seen = [each["id"] for each in first["letters"] + rest["letters"]]
        assert numbers_seen == list(range(max(numbers_seen), 0, -1))
        assert rest["next"] is None
        assert vic.http.get("/api/v1/dead-letters?cursor=x").status_code == 400
        acts_as = {"Authorization": f"Bearer {_token(mira, 'operate')}"}
        body = {"sensor": "hand-1", "location": "cart"}
        place = "/api/v1/sensors/place"
        assert mira.http.post(place, json=body).status_code == 401
        assert mira.http.post(place, json=body, headers=acts_as).status_code == 200
        again = mira.http.post(place, json=body, headers=acts_as)
        assert again.status_code == 409
        assert "already" in again.json()["detail"]

        # And over MQTT, as every command.
        for id_, said, words in (
            ("out-1", {"command": "check-out"}, "nowhere"),
            ("in-1", {"command": "check-in", "location": "cart"}, "Cart, since"),
        ):
            message = {"v": 1, "id": id_, "by": "ada", "sensor": "hand-1", **said}
            peer.publish(TOPICS.command, json.dumps(message).encode())
            wait_until(partial(_says, vic, words), f"the answer to {id_}")
        assert "by ada" in vic.http.get("/sensor/hand-1").text
        assert ask(tmp_path, lambda journal: journal.verify()) == []
    # It stands there after a restart, too.
    before = len(ask(tmp_path, lambda journal: journal.query_samples("cart")) or [])
    with console(tmp_path, mosquitto), Peer(mosquitto.port) as peer:

        def more() -> bool:
            peer.publish(*air("hand-1", next(numbers), 0.1))
            return len(ask(tmp_path, lambda journal: journal.query_samples("cart")) or []) > before

        wait_until(more, "another sample at the cart")


def _says(person: Person, words: str) -> bool:
    return words in person.http.get("/sensor/hand-1").text


def _token(person: Person, scope: str) -> str:
    page = person.post("/tokens", act="make", label="program", scope=scope, days="30").text
    found = re.search(r'class="secret">([^<]+)<', page)
    assert found is not None, page
    return found[1]
