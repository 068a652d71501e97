"""Electronic signatures in front of the real service: an alarm, a sample and the audit trail are signed, or not."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from motewatch.web.access.signable import alarm_subject, sample_subject, signatures_of
from support.console import OWN, Person, administrator, console, user
from support.live import ABOVE, ACTION, ask, spot
from support.mqtt_peer import Peer
from support.servers import Mosquitto, wait_until

pytestmark = pytest.mark.broker


@pytest.fixture
def ground(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[tuple[Path, Person, Person]]:
    with (
        console(tmp_path, mosquitto) as (_, url),
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "operator") as mira,
        user(admin, url, "quinn", "quality") as quinn,
        Peer(mosquitto.port) as peer,
    ):
        peer.publish(*spot(1, ABOVE))
        wait_until(lambda: "Not fine" in mira.http.get("/").text, "the excursion")
        yield tmp_path, mira, quinn


def sign(person: Person, subject: str, meaning: str = "reviewed", who: str = "quinn", password: str = OWN) -> int:
    path = f"/sign?subject={quote(subject)}"
    page = person.http.get(path)
    found = re.search(r'name="sha256" value="([0-9a-f]{64})"', page.text)
    assert found is not None, page.text
    fields = {"sha256": found[1], "meaning": meaning, "user": who, "password": password, "comment": "all\nof it"}
    return person.post(path, path, **fields).status_code


def test_things_are_signed_once_they_are_confirmed(ground: tuple[Path, Person, Person]) -> None:
    folder, mira, quinn = ground
    steps = ask(folder, lambda journal: journal.query_alarm_events(ACTION)) or []
    alarm = alarm_subject(ACTION, steps[0].at_us)

    # Only quality signs, and only with user, password and a meaning.
    assert mira.http.get(f"/sign?subject={quote(alarm)}").status_code == 403
    assert sign(quinn, alarm, who="mira") == 403
    assert [sign(quinn, alarm, password="another one") for _ in range(2)] == [403, 403]
    # From now on even the right one has to wait.
    assert sign(quinn, alarm) == 429
    failures = ask(folder, lambda journal: [row.action for row in journal.query_audit()]) or []
    assert failures.count("signature-failed") == 3
    assert "signed" not in failures


def test_a_signature_is_bound_to_what_it_is_about(ground: tuple[Path, Person, Person]) -> None:
    folder, mira, quinn = ground
    steps = ask(folder, lambda journal: journal.query_alarm_events(ACTION)) or []
    alarm = alarm_subject(ACTION, steps[0].at_us)
    taken, *_ = ask(folder, lambda journal: journal.query_samples()) or []
    sample = sample_subject(taken.location, taken.end_us)

    assert "not back to normal" in quinn.http.get(f"/sign?subject={quote(alarm)}").text
    assert sign(quinn, alarm, "liked") == 422
    assert sign(quinn, alarm) == 303
    assert sign(quinn, sample, "approved") == 303
    (row,) = [row for row in ask(folder, lambda journal: journal.query_audit()) or [] if row.subject == alarm]
    assert (row.by, row.action) == ("quinn", "signed")
    assert row.detail.startswith('reviewed; by "Quinn"; at ')
    assert row.detail.endswith("; all of it")

    def changed(subject: str) -> list[bool]:
        return [one.changed for one in ask(folder, lambda journal: signatures_of(journal, subject)) or []]

    assert changed(alarm) == [False]
    # What was read is what is signed: the alarm goes on meanwhile.
    path = f"/sign?subject={quote(alarm)}"
    old = re.search(r'name="sha256" value="(\w+)"', quinn.http.get(path).text)
    assert old is not None
    assert mira.post(f"/acknowledge?alarm={quote(ACTION)}", comment="seen").status_code == 303
    fields = {"sha256": old[1], "meaning": "approved", "user": "quinn", "password": OWN, "comment": ""}
    assert quinn.post(path, path, **fields).status_code == 409
    assert changed(alarm) == [True]
    assert changed(sample) == [False]
    assert "Changed since it was signed" in quinn.http.get(path).text

    # The audit trail is reviewed in stretches that follow each other.
    page = quinn.http.get("/sign").text
    review = re.search(r'href="/sign\?subject=(audit/1-\d+)"', page)
    assert review is not None, page
    assert sign(quinn, review[1]) == 303
    assert f"Signed up to row {review[1].rpartition('-')[2]}" in quinn.http.get("/sign").text

    # Programs read signatures, page by page.
    first = quinn.http.get("/api/v1/signatures", params={"limit": "2"}).json()
    assert [one["subject"] for one in first["signatures"]] == [review[1], sample]
    rest = quinn.http.get("/api/v1/signatures", params={"limit": "2", "cursor": first["next"]}).json()
    assert [(one["subject"], one["changed"]) for one in rest["signatures"]] == [(alarm, None)]
    assert rest["next"] is None
    (one,) = quinn.http.get("/api/v1/signatures", params={"subject": alarm}).json()["signatures"]
    assert (one["name"], one["meaning"], one["changed"]) == ("Quinn", "reviewed", True)
    assert quinn.http.get("/api/v1/signatures", params={"cursor": "x"}).status_code == 400

    for missing in ("audit/1-99999", "audit/0-1", "audit/2-1", "sample/none/2026-01-01", f"alarm/{ACTION}/2026-01-01"):
        assert quinn.http.get(f"/sign?subject={quote(missing)}").status_code == 404
    assert ask(folder, lambda journal: journal.verify()) == []
