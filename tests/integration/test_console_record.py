"""`Record` in front of the real service: what happened is found, read and noted; what is hostile does nothing."""

from __future__ import annotations

import re
import tomllib
from html import unescape
from pathlib import Path
from urllib.parse import quote

import pytest

from motewatch.links.publications import iso
from motewatch.service import Service
from motewatch.web.access.signable import alarm_subject, sample_subject
from support.command_line import write_site
from support.console import OWN, Person, administrator, bearer, console, user
from support.live import ABOVE, ACTION, TOPICS, ask, spot
from support.mqtt_peer import Peer
from support.servers import Mosquitto, wait_until

pytestmark = pytest.mark.broker


def said(page: str) -> list[str]:
    """What each line of a list says."""
    return [unescape(each) for each in re.findall(r'<p class="rec-said">([^<]*)</p>', page)]


def test_the_record(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with (
        console(tmp_path, mosquitto) as (service, url),
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "operator") as mira,
        user(admin, url, "vic", "viewer") as vic,
        user(admin, url, "quinn", "quality") as quinn,
        Peer(mosquitto.port) as peer,
    ):
        peer.publish(*spot(1, ABOVE))
        peer.publish(TOPICS.counts("pc-1"), b"<script>")
        wait_until(lambda: "Not fine" in mira.http.get("/").text, "the excursion")
        wait_until(lambda: "dead-letter" in mira.http.get("/api/v1/record?kind=dead-letter").text, "the dead letter")
        (taken,) = ask(tmp_path, lambda journal: journal.query_samples("spot-1")) or []
        sample = f"/record/sample?location=spot-1&end={quote(iso(taken.end_us))}"
        _a_sample(mira, vic, sample)
        _notes(mira, vic, taken.end_us, sample)
        _the_list(mira, vic, sample)
        _the_trail(admin)
        _signed(quinn, vic, tmp_path)
        reads = bearer(vic, "read")
        _programs(mira, vic, taken.end_us, reads)
        _configurations(tmp_path, service, vic, reads)
        _hostile(mira)
        _asides(mira, taken.end_us)
        assert ask(tmp_path, lambda journal: journal.verify()) == []


def _a_sample(mira: Person, vic: Person, sample: str) -> None:
    page = mira.http.get(sample).text
    assert "Sample at Needle side" in page
    assert "✖ above the action level" in page
    assert "3\N{NO-BREAK SPACE}520" in page
    assert "Readings" in page
    assert "were not found" not in page
    assert f"raised: {said(page)[0].removeprefix('raised: ')}" in said(page)
    assert "Add a note" in page
    assert "Add a note" not in vic.http.get(sample).text


def _notes(mira: Person, vic: Person, end_us: int, sample: str) -> None:
    subject = sample_subject("spot-1", end_us)
    page = vic.http.get(f"/note?subject={quote(subject)}")
    assert page.status_code == 200
    assert "Add a note" not in page.text
    assert vic.post(f"/note?subject={quote(subject)}", "/tokens", note="not mine to say").status_code == 403
    for about in (subject, f"alarm/{ACTION}", "location/bench-1", "room/prep", "sensor/pc-2"):
        path = f"/note?subject={quote(about)}"
        assert mira.post(path, note="a\r\n<b>door</b> stood open").status_code == 303
        assert "a &lt;b&gt;door&lt;/b&gt; stood open" in mira.http.get(path).text
    assert mira.post(path, note=" \n ").status_code == 422
    assert mira.post(path, note="x" * 601).status_code == 422
    assert "a &lt;b&gt;door&lt;/b&gt;" in vic.http.get(sample).text
    for missing in (
        "",
        "sample/spot-1/2026-01-01T00:00:00Z",
        "alarm/none",
        "room/none",
        "sensor/",
        "x/y",
        "room/" + "x" * 400,
    ):
        page = mira.http.get(f"/note?subject={quote(missing)}")
        assert page.status_code == 404
        assert "There is nothing of this name" in page.text
    assert mira.http.post(path, data={"note": "without the form"}).status_code == 403


def _the_list(mira: Person, vic: Person, sample: str) -> None:
    lines = said(vic.http.get("/record").text)
    assert sum(each == "a <b>door</b> stood open" for each in lines) == 5
    assert sum(each.startswith("raised: ") for each in lines) == 1
    assert any("sign in" in each for each in lines)
    page = vic.http.get("/record?kind=sample").text
    assert [each for each in said(page) if "above the action level" in each]
    assert sample.replace("&", "&amp;") in page
    at_the_room = said(vic.http.get("/record?place=room:prep").text)
    assert at_the_room == ["a <b>door</b> stood open"] * 2
    assert said(vic.http.get("/record?place=sensor:pc-2").text) == ["a <b>door</b> stood open"]
    assert len(said(vic.http.get("/record?person=mira&kind=note").text)) == 5
    assert len(said(vic.http.get("/record?text=DOOR").text)) == 5
    assert said(vic.http.get("/record?until=2020-01-01T00:00").text) == []
    letter = vic.http.get("/record?kind=dead-letter").text
    assert "<script>" not in letter
    assert "Not understood" in letter


def _the_trail(admin: Person) -> None:
    page = admin.http.get("/record/audit").text
    assert "administrator-made" in page
    assert "&lt;b&gt;door&lt;/b&gt;" in page


def _signed(quinn: Person, vic: Person, folder: Path) -> None:
    """What quality signed stands beside the thing."""
    (start, *_) = ask(folder, lambda journal: journal.query_alarm_events(ACTION)) or []
    for subject in ("audit/1-3", alarm_subject(ACTION, start.at_us)):
        path = f"/sign?subject={quote(subject)}"
        digest = re.search(r'name="sha256" value="(\w+)"', quinn.http.get(path).text)
        assert digest is not None
        fields = {"sha256": digest[1], "meaning": "reviewed", "user": "quinn", "password": OWN, "comment": "read it"}
        assert quinn.post(path, path, **fields).status_code == 303
    for page in ("/record/audit", f"/note?subject={quote('alarm/' + ACTION)}"):
        text = vic.http.get(page).text
        assert "<b>Reviewed</b> by <b>Quinn</b>" in text, page
        assert "read it" in text
    assert "Rows 1-3" in vic.http.get("/record/audit").text
    assert len(said(vic.http.get("/record?kind=signature").text)) == 2


def _programs(mira: Person, vic: Person, end_us: int, reads: dict[str, str]) -> None:
    acts = bearer(mira, "operate")
    whole, cursor = [], ""
    while True:
        got = vic.http.get(f"/api/v1/record?limit=3&cursor={cursor}", headers=reads)
        assert got.status_code == 200, got.text
        whole += [row["id"] for row in got.json()["rows"]]
        cursor = got.json()["next"] or ""
        if not cursor:
            break
    assert len(whole) == len(set(whole)) > 10
    first = vic.http.get("/api/v1/audit?limit=2", headers=reads).json()
    second = vic.http.get(f"/api/v1/audit?limit=2&cursor={first['next']}", headers=reads).json()
    assert [row["id"] for row in first["rows"] + second["rows"]] == list(
        range(first["rows"][0]["id"], first["rows"][0]["id"] - 4, -1)
    )
    assert first["rows"][1]["previous_hash"] == second["rows"][0]["hash"]
    one = vic.http.get("/api/v1/samples/one", params={"location": "spot-1", "end": iso(end_us)}, headers=reads)
    assert one.status_code == 200, one.text
    assert [revision["revision"] for revision in one.json()["revisions"]] == [1]
    assert one.json()["levels"][0]["beyond"] == "action"
    note = {"subject": one.json()["subject"], "note": "by a program"}
    assert vic.http.post("/api/v1/notes", json=note, headers=reads).status_code == 403
    assert mira.http.post("/api/v1/notes", json=note).status_code == 401
    assert mira.http.post("/api/v1/notes", json=note, headers=acts).json()["by"] == "mira"
    assert mira.http.post("/api/v1/notes", json={**note, "note": "\n"}, headers=acts).status_code == 422
    assert mira.http.post("/api/v1/notes", json={**note, "subject": "room/x"}, headers=acts).status_code == 404
    again = vic.http.get("/api/v1/samples/one", params={"location": "spot-1", "end": iso(end_us)}, headers=reads)
    assert [each["note"] for each in again.json()["notes"]] == ["a <b>door</b> stood open", "by a program"]


def _configurations(folder: Path, service: Service, vic: Person, reads: dict[str, str]) -> None:
    first = vic.http.get("/api/v1/configurations", headers=reads).json()["configurations"]
    assert [(each["by"], each["end"]) for each in first] == [("service", None)]
    site = tomllib.loads((folder / "site.toml").read_text())
    site["rooms"][1]["name"] = "Prep <i>aration</i>"
    site["levels"] = [{"location": "spot-1", "size_um": 0.5, "action_per_m3": 1000}]
    write_site(folder, site)
    assert service.reload()

    def both() -> list[dict[str, str]]:
        got = vic.http.get("/api/v1/configurations?limit=5", headers=reads).json()
        assert got["next"] is None
        found: list[dict[str, str]] = got["configurations"]
        return found if len(found) == 2 else []

    new, old = wait_until(both, "the second configuration")
    assert old["end"] == new["start"]
    page = vic.http.get("/record/configurations").text
    assert "in force" in page
    page = vic.http.get(f"/record/configurations?before={old['digest']}&after={new['digest']}").text
    assert "2 differences" in page
    assert "Prep &lt;i&gt;aration&lt;/i&gt;" in page
    one = vic.http.get(f"/api/v1/configurations/{new['digest']}?against={old['digest']}", headers=reads).json()
    assert [each["path"] for each in one["differences"]] == ["levels[spot-1 0.5]", "rooms[prep].name"]
    page = vic.http.get(f"/record/configurations/{old['digest']}").text
    assert "In force from" in page
    assert "&#34;Preparation&#34;" in page
    cursor = vic.http.get("/api/v1/configurations?limit=1", headers=reads).json()["next"]
    rest = vic.http.get(f"/api/v1/configurations?limit=1&cursor={cursor}", headers=reads).json()
    assert (rest["configurations"][0]["digest"], rest["next"]) == (old["digest"], None)


def _asides(mira: Person, end_us: int) -> None:
    """What the record is asked beside the service: the chain, and a rehearsal."""
    assert mira.post("/record/chain").status_code == 303

    def checked() -> str:
        page = mira.http.get("/record/chain").text
        return page if "Check it now" in page and "Checked" in page else ""

    page = wait_until(checked, "the chain's check", 300)
    assert re.search(r"The audit trail&#39;s chain holds from|The audit trail's chain holds from", page)
    assert "The record's chain holds" in page
    # What was found is on record, with who asked: it is known after a restart, too.
    kept = wait_until(lambda: with_(mira, "Both chains held"), "the fact of the check")
    assert "asked by mira" in kept
    assert re.search(r"audit trail: \d+ rows, last hash [0-9a-f]{64}; record: \d+ seals", kept)
    assert "chain checked: record/chain" in mira.http.get("/record?kind=access").text

    page = mira.http.get("/record/configurations").text
    old = re.findall(r"/record/rehearsal\?digest=([0-9a-f]{64})", page)[-1]
    new = re.findall(r"/record/rehearsal\?digest=([0-9a-f]{64})", page)[0]
    times = {"since": iso(end_us - 3_600_000_000), "until": iso(end_us + 3_600_000_000)}
    for wrong in ({}, {**times, "digest": "0" * 64}, {"digest": old, "since": "x", "until": "y"}):
        assert mira.post("/record/rehearsal", **wrong).status_code == 422
    long = {"digest": old, "since": "2020-01-01", "until": "2026-01-01"}
    assert "7 days at most" in mira.post("/record/rehearsal", **long).text
    assert mira.post("/record/rehearsal", digest=new, **times).status_code == 303

    def rehearsed() -> str:
        page = mira.http.get("/record/rehearsal").text
        return page if "Rehearsed" in page else ""

    page = unescape(wait_until(rehearsed, "the rehearsal", 300))
    assert "What this assumes" in page, page
    # The tighter level of 1 000 raises the same alarm, at the same time.
    assert "The same alarms at the same times" in page


def with_(mira: Person, words: str) -> str:
    """The part of the page about the last check on record, once it says this."""
    kept = mira.http.get("/record/chain").text.partition("The last check on record")[2]
    return kept if words in kept else ""


HOSTILE = (
    *(
        "/record/configurations/" + "0" * 64,
        "/record/configurations/%2e%2e%2fx",
        "/record/configurations?before=a&after=b",
    ),
    *("/api/v1/configurations/x", "/api/v1/configurations?cursor=%7b", "/api/v1/configurations?limit=-1"),
    *("/record?since=yesterday", "/record?since=2026-01-02&until=2026-01-01", "/record?kind=nonsense"),
    *("/record?place=room:<b>", "/record?since=0001-01-01T00:00:00%2B14:00", "/record?since=9999-12-31T23:59:59-14:00"),
    *("/record?cursor=1.2.3", "/record?cursor=%00", "/record/sample?location=x&end=x", "/record/sample"),
    *("/record/sample?location=%2e%2e%2f&end=2026-01-01", "/record?person=%00%00", "/record?text=%25%5f%5c"),
    *("/record/audit?cursor=zzz", "/record?kind=" + "&kind=".join(["note"] * 500), "/record?text=" + "x" * 5000),
    *("/api/v1/record?since=x", "/api/v1/record?kind=x", "/api/v1/record?limit=100000", "/api/v1/audit?cursor=x"),
    *("/api/v1/samples/one?location=x&end=y", "/api/v1/samples/one?location=x&end=99999-01-01"),
)


def _hostile(mira: Person) -> None:
    for path in HOSTILE:
        got = mira.http.get(path)
        assert got.status_code in (200, 303, 400, 404, 422), path
        assert "<b>" not in re.sub(r"<b>[^<]*</b>|<b aria", "", got.text) or path.startswith("/record?kind"), path
