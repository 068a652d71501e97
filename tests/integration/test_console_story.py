"""A night at the console, end to end: simulated sensors bring an excursion, the page shows it, an operator acknowledges
with a comment, quality signs the review, the report holds all of it, and the chain of the record is whole.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from html import unescape
from io import BytesIO
from pathlib import Path
from urllib.parse import quote
from zoneinfo import ZoneInfo

import pytest
from pypdf import PdfReader

from motewatch.engine.records import AlarmChanged
from motewatch.journal.journal import Journal
from motewatch.service import Service
from motewatch.site.instants import instant
from motewatch.web.access.signable import alarm_subject
from motewatch.wire.records import MINUTE_US
from support.console import OWN, Person, administrator, user
from support.live import now_us
from support.servers import Mosquitto, free_port, wait_until

pytestmark = pytest.mark.broker

CONFIG = Path(__file__).parents[2] / "config"
COMMENT = "four persons at once <in> street clothes"


@contextmanager
def facility(folder: Path, broker: Mosquitto) -> Iterator[str]:
    """The demo's site with a console, its service, and its simulated sensors."""
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    text = (CONFIG / "demo-site.toml").read_text()
    assert text.count("\nport = 1883\n") == 1
    site = folder / "site.toml"
    console = f'\n[console]\npublic_url = "{url}"\nport = {port}\n'
    site.write_text(text.replace("\nport = 1883\n", f"\nport = {broker.port}\n") + console)
    command = [sys.executable, "-m", "motewatch_simulator", "run", str(site), str(CONFIG / "demo-scenario.toml")]
    with Service(site), (folder / "simulator.log").open("wb") as log:
        simulator = subprocess.Popen([*command, "--seconds", "600"], stdout=log, stderr=log)
        try:
            yield url
        finally:
            simulator.terminate()
            simulator.wait(30)


def steps(folder: Path, alarm: str) -> list[AlarmChanged]:
    with Journal.open_reader(folder / "motewatch.db") as journal:
        return journal.query_alarm_events(alarm)


def seen(person: Person) -> str:
    """The first alarm with a button that the stream of the page tells of."""
    with person.http.stream("GET", "/events", timeout=120) as stream:
        for line in stream.iter_lines():
            found = re.search(r'/acknowledge\?alarm=([^"\\]+count[^"\\]*|location[^"\\]+action)', line)
            if found is not None:
                return found[1].replace("%2F", "/")
    raise AssertionError("the stream ended without an alarm")


def signed(quinn: Person, subject: str, meaning: str) -> None:
    path = f"/sign?subject={quote(subject)}"
    page = quinn.http.get(path).text
    digest = re.search(r'name="sha256" value="([0-9a-f]{64})"', page)
    assert digest is not None, page
    said = {"meaning": meaning, "comment": "read", "user": "quinn", "password": OWN, "sha256": digest[1]}
    assert quinn.post(path, **said).status_code == 303
    assert f"<b>{meaning.capitalize()}</b> by <b>Quinn</b>" in quinn.http.get(path).text


def test_from_the_air_to_the_signed_report(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with (
        facility(tmp_path, mosquitto) as url,
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "operator") as mira,
        user(admin, url, "quinn", "quality") as quinn,
    ):
        began_us = now_us()
        alarm = seen(mira)
        shown_us = now_us()
        first = steps(tmp_path, alarm)[0]
        print(f"\non the page {(shown_us - first.found_us) / 1e6:.2f} s after the engine knew of {alarm}")
        page = mira.http.get("/").text
        assert "Not fine" in page
        one = f"/alarm?id={quote(alarm)}"
        assert mira.post(one, act="acknowledge", comment=COMMENT).status_code == 303
        # The burst ends, and so does the alarm.
        life = wait_until(lambda: over(steps(tmp_path, alarm)), "the end of the alarm", 120)
        assert [step.comment for step in life if step.by == "mira"] == [COMMENT]
        signed(quinn, alarm_subject(alarm, life[0].at_us), "reviewed")
        page = unescape(quinn.http.get(one).text)
        assert COMMENT in page
        assert "Reviewed" in page

        zone = ZoneInfo(tomllib.loads((tmp_path / "site.toml").read_text())["site"]["time_zone"])
        times = [f"{instant(us).astimezone(zone):%Y-%m-%dT%H:%M:%S}" for us in (began_us - MINUTE_US, now_us())]
        fields = {"kind": "batch", "batch": "B-0001", "start": times[0], "end": times[1], "place": ""}
        made = quinn.post("/reports/make", **fields)
        assert made.status_code == 303, unescape(made.text)
        report = made.headers["location"]
        signed(quinn, f"report/{report.rpartition('/')[2]}", "approved")
        content = json.loads(quinn.http.get(f"{report}/json").text)
        assert COMMENT in json.dumps(content, ensure_ascii=False)
        pdf = quinn.http.get(f"{report}/pdf").content
        text = " ".join(" ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).split())
        assert "B-0001" in text
        assert "Quinn" in text
        assert "mira" in text
        checked = quinn.http.get(f"{report}?check=1").text
        assert "made again from the record as it was then, it has the same content" in checked
    with Journal.open_reader(tmp_path / "motewatch.db") as journal:
        assert journal.verify() == []


def over(found: list[AlarmChanged]) -> list[AlarmChanged]:
    """The first life of an alarm, once it is back to normal."""
    for number, step in enumerate(found):
        if step.after.value == "normal":
            return found[: number + 1]
    return []
