"""Reports in front of the real service: made on the page and by a program, downloaded, checked and signed."""

from __future__ import annotations

import re
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from urllib.parse import quote

import httpx
import jsonschema
import pytest
from pypdf import PdfReader

from motewatch.web.console.operation import BASE
from support.console import OWN, Person, administrator, bearer, console, user
from support.live import ABOVE, spot
from support.mqtt_peer import Peer
from support.servers import Mosquitto, wait_until

pytestmark = pytest.mark.broker

REPORTS = f"{BASE}/reports"
WINDOW = {"start": "2020-01-01T00:00", "end": "2020-12-31T00:00"}


@pytest.fixture
def ground(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[tuple[Path, str, Person, Person]]:
    with (
        console(tmp_path, mosquitto) as (_, url),
        administrator(tmp_path, url) as admin,
        user(admin, url, "vera", "viewer") as vera,
        user(admin, url, "quinn", "quality") as quinn,
        Peer(mosquitto.port) as peer,
    ):
        peer.publish(*spot(1, ABOVE))
        wait_until(lambda: "Not fine" in quinn.http.get("/").text, "the excursion")
        yield tmp_path, url, vera, quinn


def today(person: Person) -> dict[str, str]:
    """A batch around now, as the page asks for it."""
    page = person.http.get("/record").text
    found = re.search(r"(\d{4}-\d{2}-\d{2})", page)
    assert found is not None, page
    return {"kind": "batch", "batch": "B-<b>1042", "start": f"{found[1]}T00:00", "end": f"{found[1]}T23:59"}


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).split())


def test_a_report_is_made_looked_at_checked_and_signed(ground: tuple[Path, str, Person, Person]) -> None:
    folder, _, vera, quinn = ground
    assert "No report has been made." in vera.http.get("/reports").text
    assert vera.http.get("/reports/make").status_code == 403
    asked = today(quinn)
    made = quinn.post("/reports/make", **asked)
    assert made.status_code == 303, made.text
    path = made.headers["location"]
    report = path.removeprefix("/report/")
    page = vera.http.get(path)
    assert page.status_code == 200
    assert "B-&lt;b&gt;1042" in page.text
    assert "Sign this report" not in page.text
    assert "<b>The same:</b>" in vera.http.get(f"{path}?check=1").text

    # The file, the paper and the register agree.
    pdf = vera.http.get(f"{path}/pdf")
    assert pdf.headers["content-type"] == "application/pdf"
    assert f'filename="{report}.pdf"' in pdf.headers["content-disposition"]
    assert "No electronic signature" in text_of(pdf.content)
    assert "B-<b>1042" in text_of(pdf.content)
    assert vera.http.get(f"{path}/pdf").content == pdf.content
    assert vera.http.get(f"{path}/json").json()["excursions"][0]["kind"] == "count-action"
    assert "<!DOCTYPE html>" in vera.http.get(f"{path}/html").text

    # Signed, it says so on the next copy.
    subject = f"report/{report}"
    sign = quinn.http.get(f"/sign?subject={quote(subject)}")
    found = re.search(r'name="sha256" value="([0-9a-f]{64})"', sign.text)
    assert found is not None, sign.text
    fields = {"sha256": found[1], "meaning": "approved", "user": "quinn", "password": OWN, "comment": "fit"}
    assert quinn.post(f"/sign?subject={quote(subject)}", f"/sign?subject={quote(subject)}", **fields).status_code == 303
    assert "Approved" in vera.http.get(path).text
    assert "Quinn approved" in text_of(vera.http.get(f"{path}/pdf").content)

    # Who made it is on the audit trail.
    trail = vera.http.get("/record/audit").text
    assert "report-made" in trail
    assert report in trail

    # A kept file that was changed is not shown.
    kept = folder / "reports" / f"{report}.json"
    kept.write_text(kept.read_text().replace("Testing ground", "Another ground"))
    spoiled = vera.http.get(path)
    assert spoiled.status_code == 500
    assert "its content is not what was made" in spoiled.text
    broken = vera.http.get(f"{path}/pdf")
    assert broken.status_code == 500
    assert 'aria-label="Pages"' in broken.text


def test_what_cannot_be_reported_is_said(ground: tuple[Path, str, Person, Person]) -> None:
    _, _, vera, quinn = ground
    for wrong, fields in (
        ("nothing was monitored", {"kind": "batch", "batch": "1", **WINDOW}),
        ("needs its number", {"kind": "batch", **WINDOW}),
        ("needs a start and an end", {"kind": "batch", "batch": "1", "start": "now", "end": ""}),
        ("names no shifts", {"kind": "shift"}),
        ("is no day", {"kind": "day", "at": "2026-02-30T10:00"}),
        ("say what to report", {"kind": "week"}),
        ("there is no location in", {"kind": "day", "place": "room:../../etc"}),
        ("366 days at most", {"kind": "batch", "batch": "1", "start": "0001-01-01", "end": "9999-12-31T00:00Z"}),
    ):
        answer = quinn.post("/reports/make", **fields)
        assert answer.status_code == 422, fields
        assert wrong.casefold() in answer.text.casefold(), answer.text
    for path in ("/report/x", "/report/day-20260302-0000-000000000000", "/report/x/pdf", "/report/x/exe"):
        assert vera.http.get(path).status_code == 404
    assert vera.http.get("/reports?cursor=zzz").status_code == 400


def test_programs_make_list_and_fetch_reports(ground: tuple[Path, str, Person, Person]) -> None:
    _, url, _, quinn = ground
    acting, reading = bearer(quinn, "operate"), bearer(quinn, "read")
    asked = today(quinn)
    with httpx.Client(base_url=url, trust_env=False, timeout=30) as program:
        document = program.get(f"{BASE}/openapi.json").json()
        assert program.post(REPORTS, headers=reading, json=asked).status_code == 403
        made = []
        for place in ("", "room:fill"):
            answer = program.post(REPORTS, headers=acting, json={**asked, "place": place})
            assert answer.status_code == 200, answer.text
            made.append(answer.json())
        assert program.post(REPORTS, headers=acting, json={**asked, "kind": "week"}).status_code == 422
        assert program.post(REPORTS, headers=acting, json={"kind": "shift"}).status_code == 422
        first = program.get(REPORTS, headers=reading, params={"limit": 1})
        schema = document["paths"][REPORTS]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
        jsonschema.validate(first.json(), {**schema, "components": document["components"]})
        assert [one["id"] for one in first.json()["reports"]] == [made[1]["id"]]
        second = program.get(REPORTS, headers=reading, params={"limit": 1, "cursor": first.json()["next"]})
        assert [one["id"] for one in second.json()["reports"]] == [made[0]["id"]]
        assert second.json()["next"] is None
        for form, start in (("pdf", b"%PDF"), ("html", b"<!DOCTYPE"), ("json", b"{")):
            answer = program.get(f"{REPORTS}/{made[0]['id']}.{form}", headers=reading)
            assert answer.content.startswith(start)
            kinds = document["paths"][f"{REPORTS}/{{report}}.{form}"]["get"]["responses"]["200"]["content"]
            assert [*kinds] == [answer.headers["content-type"].partition(";")[0]]
        assert program.get(f"{REPORTS}/nothing.pdf", headers=reading).status_code == 404
