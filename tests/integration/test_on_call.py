"""`On call` in front of the real service: rotas, a climb as it goes, calls with their outcome, and testing a way."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from motewatch.web.console.way_test import ACTION as TESTED
from support.console import Person, administrator, bearer, user
from support.live import ABOVE, ACTION, ask, serving, spot
from support.mail import MailServer
from support.mqtt_peer import Peer
from support.on_call_site import on_call_site
from support.servers import Mosquitto, wait_until

pytestmark = pytest.mark.broker


def page(person: Person, path: str = "/on-call") -> str:
    """The words of a page, without its tags."""
    return " ".join(re.sub(r"<[^>]*>", " ", person.http.get(path).text).split()).replace("\u202f", " ")


def audited(folder: Path) -> list[tuple[str, str, str]]:
    rows = ask(folder, lambda journal: journal.query_audit(50)) or []
    return [(row.by, row.subject, row.detail) for row in rows if row.action == TESTED]


def test_who_is_on_call_is_called_and_tested(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with MailServer() as mails:
        site = on_call_site(mosquitto, mails)
        url = site["console"]["public_url"]
        with (
            serving(tmp_path, site),
            administrator(tmp_path, url) as admin,
            user(admin, url, "mira", "operator") as mira,
            user(admin, url, "vera", "viewer") as vera,
            user(admin, url, "ada", "operator") as ada,
            Peer(mosquitto.port) as peer,
        ):
            # Who will not be obeyed is told so before the alarm, and so is who made the user.
            told = "No person of the site file has the id 'mira'"
            assert told in unescape(page(mira, "/alarms"))
            assert told in unescape(page(mira, "/password"))
            assert told in unescape(page(admin, "/access"))
            assert "Persons of the site file without a user: ben (Ben Lind)" in page(admin, "/access")
            assert "No person of the site file" not in page(ada, "/alarms") + page(vera, "/alarms")
            before = page(mira)
            assert "No alarm stands: nobody is being called." in before
            assert "Technicians ✓ Ada Okafor until" in before
            assert "Second line ✓ Dot Reyes cover; until" in before
            assert "Nobody on call in the next 60 days" in before
            assert "No call is on record." in before

            # A climb as it goes: the engine's own picture and the record say the same.
            peer.publish(*spot(1, ABOVE))
            climbing = wait_until(lambda: _with(page(mira), "✓ delivered", "Next: step 2 of 2 at"), "the call")
            assert "tells Dot Reyes, Cy Marlow. An acknowledgement ends it." in climbing
            assert "Ada Okafor : told" in climbing
            assert "Ben Lind : not on call" in climbing
            assert "1 call about it" in climbing

            _api(mira, peer)
            _ways(tmp_path, mira, vera, mails)
            _program(tmp_path, mira, mails)

            # Of those who sign in, whoever the site file entitles.
            assert ada.post(f"/acknowledge?alarm={ACTION.replace('/', '%2F')}", comment="seen").status_code == 303
            wait_until(lambda: "Somebody has it: the climb has ended." in page(mira), "the end of the climb")
    assert ask(tmp_path, lambda journal: journal.verify()) == []


def _with(text: str, *parts: str) -> str:
    """The text, once all of these are in it."""
    return text if all(part in text for part in parts) else ""


def _api(mira: Person, peer: Peer) -> None:
    said = mira.http.get("/api/v1/on-call").json()
    assert [(rota["id"], rota["on_call"], rota["then"]) for rota in said["rotas"]] == [
        ("tech", ["ada"], ["ben"]),
        ("second", ["dot"], []),
    ]
    assert [len(rota["gaps"]) for rota in said["rotas"]] == [0, 1]
    (climb,) = said["climbs"]
    assert (climb["alarm"], climb["stage"], climb["steps_taken"]) == (ACTION, "open", 1)
    assert {each["person"]: (each["why"], each["step"]) for each in climb["persons"]} == {
        "ada": ("told", None),
        "ben": ("off-duty", None),
        "cy": ("later", 2),
        "dot": ("later", 2),
    }
    # A second alarm is a second call, so that there are two pages of one.
    peer.publish(*spot(2, (100, 100)))
    wait_until(lambda: len(mira.http.get("/api/v1/calls").json()["calls"]) >= 2, "the second call")
    first = mira.http.get("/api/v1/calls", params={"limit": 1}).json()
    second = mira.http.get("/api/v1/calls", params={"limit": 1, "cursor": first["next"]}).json()
    assert [call["person"] for call in first["calls"] + second["calls"]] == ["ada", "ada"]
    assert first["calls"][0]["id"] != second["calls"][0]["id"]
    assert second["next"] is None
    assert second["calls"][0]["alarms"] == [ACTION]
    about = mira.http.get("/api/v1/calls", params={"alarm": ACTION, "person": "ada"}).json()["calls"]
    assert second["calls"][0]["id"] in [call["id"] for call in about]
    assert mira.http.get("/api/v1/calls", params={"person": "nobody"}).json() == {"calls": [], "next": None}
    assert mira.http.get("/api/v1/calls", params={"cursor": "xyz"}).status_code == 400
    assert mira.http.get("/api/v1/calls", params={"limit": 0}).status_code == 422


def _ways(folder: Path, mira: Person, vera: Person, mails: MailServer) -> None:
    assert "Test a way" not in page(vera)
    assert vera.http.get("/on-call/test").status_code == 403
    before = len(mails.mails)
    taken = mira.post("/on-call/test", way="ben mail")
    assert taken.status_code == 200
    assert "Taken, to &#39;ben@example.org&#39;" in taken.text
    assert mails.mails[-1]["To"] == "ben@example.org"
    assert mails.mails[-1]["Subject"] == "Test call from Testing ground"
    assert len(mails.mails) == before + 1
    refused = mira.post("/on-call/test", way="cy dead")
    assert "Not taken" in refused.text
    assert "refuses connections; check host and port" in refused.text
    for way in ("", "cy", "cy mail", "eve mail", "ben mail x"):
        assert mira.post("/on-call/test", way=way).status_code == 422, way
    assert mira.http.post("/on-call/test", data={"way": "ben mail"}).status_code == 403, "no token of the form"
    assert len(mails.mails) == before + 1
    rows = audited(folder)
    assert [(by, subject) for by, subject, _ in rows] == [("mira", "channel/mail"), ("mira", "channel/dead")]
    assert rows[0][2].startswith("to ben: taken: The mail server 127.0.0.1 has it")
    assert rows[1][2].startswith("to cy: not taken: Not delivered:")


def _program(folder: Path, mira: Person, mails: MailServer) -> None:
    """With a token that operates; one that reads may not."""
    tokens = {scope: bearer(mira, scope) for scope in ("read", "operate")}
    asked, path = {"person": "dot", "channel": "mail"}, "/api/v1/on-call/test"
    assert mira.http.post(path, json=asked, headers=tokens["read"]).status_code == 403
    answer = mira.http.post(path, json=asked, headers=tokens["operate"])
    assert answer.status_code == 200, answer.text
    (trial,) = answer.json()["trials"]
    assert trial["taken"]
    wrong = {"person": "dot", "channel": "pigeon"}
    assert mira.http.post(path, json=wrong, headers=tokens["operate"]).status_code == 422
    assert [mail["To"] for mail in mails.mails][-1] == "dot@example.org"
    assert audited(folder)[-1][:2] == ("mira", "channel/mail")
