"""The console in front of the real service: first start, signing in, roles, what stands now, acknowledging."""

from __future__ import annotations

import re
import ssl
import stat
import time
from pathlib import Path

import httpx
import pytest

from motewatch.service.console import SECRET_FILE
from motewatch.web.access.roles import RIGHTS, Role
from motewatch.web.console.app import OPEN, ROUTES
from support.certificates import make_certificates
from support.console import (
    OWN,
    administrator,
    console,
    console_site,
    first_secret,
    person,
    user,
)
from support.live import ABOVE, ACTION, ask, serving, spot
from support.mqtt_peer import Peer
from support.servers import Mosquitto, free_port, wait_until

pytestmark = pytest.mark.broker


def audit(folder: Path) -> list[tuple[str, str, str]]:
    rows = ask(folder, lambda journal: journal.query_audit()) or []
    return [(row.by, row.action, row.subject) for row in rows if row.action != "configuration"]


def test_the_first_start_makes_one_administrator_with_a_secret_for_one_sign_in(
    mosquitto: Mosquitto, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    site = console_site(mosquitto)
    with serving(tmp_path, site), person(site["console"]["public_url"]) as admin:
        secret = first_secret(tmp_path)
        assert stat.S_IMODE((tmp_path / SECRET_FILE).stat().st_mode) == 0o600
        assert secret not in caplog.text
        assert secret.encode() not in (tmp_path / "journal.db").read_bytes()
        assert admin.http.get("/").headers["location"] == "/sign-in"
        assert admin.sign_in("administrator", "wrong").status_code == 403
        assert admin.sign_in("administrator", secret).status_code == 303
        # Nothing but choosing a password.
        for path in ("/", "/access", "/tokens", "/wall"):
            assert admin.http.get(path).headers["location"] == "/password"
        assert "at least 12 characters" in admin.choose(secret, "short").text
        assert "guessed first" in admin.choose(secret, "Password123456").text
        before = admin.http.cookies["motewatch"]
        assert admin.choose(secret).status_code == 303
        assert admin.http.cookies["motewatch"] != before
        assert admin.http.get("/").status_code == 200
        with person(site["console"]["public_url"]) as thief:
            thief.http.cookies.set("motewatch", before)
            assert thief.http.get("/").headers["location"] == "/sign-in"
            assert thief.sign_in("administrator", secret).status_code == 403
        wait_until(lambda: len(audit(tmp_path)) == 5, "the audit trail")
        assert audit(tmp_path) == [
            ("service", "administrator-made", "administrator"),
            ("console", "sign-in-failed", "administrator"),
            ("administrator", "sign-in", "administrator"),
            ("administrator", "password-changed", "administrator"),
            ("console", "sign-in-failed", "administrator"),
        ]
    (tmp_path / SECRET_FILE).unlink()
    with serving(tmp_path, site), person(site["console"]["public_url"]) as admin:
        assert not (tmp_path / SECRET_FILE).exists()
        assert admin.sign_in("administrator", OWN).status_code == 303
    assert ask(tmp_path, lambda journal: journal.verify()) == []


def test_every_route_refuses_what_the_role_may_not_do(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with console(tmp_path, mosquitto) as (_, url), administrator(tmp_path, url) as admin:
        with person(url) as stranger:
            for rule in ROUTES:
                for method in rule.methods:
                    answer = stranger.http.request(method, rule.path, data={} if method == "POST" else None)
                    refused = answer.status_code == 401 or answer.headers.get("location", "").startswith("/sign-in")
                    assert refused, (rule.path, method, answer.status_code)
            for path in OPEN:
                assert stranger.http.get(path).status_code == 200
        for role in Role:
            with user(admin, url, f"a-{role}", role) as somebody:
                for rule in ROUTES:
                    if rule.name in ("sign_out", "password"):
                        continue
                    allowed = rule.needs is None or rule.needs in RIGHTS[role]
                    if rule.name == "events":
                        with somebody.http.stream("GET", rule.path) as stream:
                            assert stream.status_code == (200 if allowed else 403)
                        continue
                    if "GET" in rule.methods:
                        answer = somebody.http.get(rule.path)
                        # The page to acknowledge an alarm that there is not says so.
                        assert (answer.status_code != 403) is allowed, (role, rule.path)
                    if "POST" in rule.methods:
                        # Allowed or not, without the token of the form nothing is taken.
                        assert somebody.http.post(rule.path, data={"act": "make"}).status_code == 403


def test_forms_of_other_pages_are_not_taken(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with console(tmp_path, mosquitto) as (_, url), administrator(tmp_path, url) as admin:
        fields = {"user": "administrator", "password": OWN}
        for headers in ({"Origin": "https://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}, {"Origin": "null"}):
            assert admin.http.post("/sign-in", data=fields, headers=headers).status_code == 403
        assert admin.http.post("/sign-in", data=fields, headers={"Origin": url}).status_code == 303
        assert admin.http.post("/sign-in", content=b"x" * 20_000_000).status_code in (400, 413)
        page = admin.http.get("/").headers
        assert "default-src 'none'" in page["content-security-policy"]
        assert "unsafe" not in page["content-security-policy"]
        assert page["x-frame-options"] == "DENY"
        assert page["cache-control"] == "no-store"
        cookie = admin.sign_in("administrator", OWN).headers["set-cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=strict" in cookie


def test_an_excursion_is_shown_at_once_and_acknowledged_by_name(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with (
        console(tmp_path, mosquitto) as (_, url),
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "operator") as mira,
        Peer(mosquitto.port) as peer,
    ):
        page = wait_until(lambda: said(mira.http, "Cannot tell"), "the page")
        assert "Filling" in page
        assert "Nothing changed" in page
        with mira.http.stream("GET", "/events", timeout=20) as stream:
            lines = stream.iter_lines()
            next(line for line in lines if line.startswith("event: tick"))
            peer.publish(*spot(1, ABOVE))
            sent_s = time.monotonic()
            next(line for line in lines if "Acknowledge" in line)
            # Loose, since a test machine may be busy; the benchmark tells the time.
            assert time.monotonic() - sent_s < 20
        page = mira.http.get("/").text
        assert "Not fine" in page
        assert "of the action level" in page
        assert "not acknowledged" in page
        assert "Acknowledge" not in admin.http.get("/").text
        path = f"/acknowledge?alarm={ACTION.replace('/', '%2F')}"
        assert "Acknowledge an alarm" in mira.http.get(path).text
        assert mira.post(path, comment='door "open" <b>').status_code == 303
        rows = ask(tmp_path, lambda journal: journal.query_audit(1)) or []
        assert [(row.by, row.action, row.subject, row.detail) for row in rows] == [
            ("mira", "acknowledge", ACTION, 'door "open" <b>')
        ]
        page = wait_until(lambda: said(mira.http, "mira acknowledged"), "the change")
        assert "<b>&quot;" not in page
        assert "&lt;b&gt;" in page
        # Once more there is nothing to acknowledge.
        again = mira.http.get(path).text
        assert "There is nothing to acknowledge" in again
    assert ask(tmp_path, lambda journal: journal.verify()) == []
    with console(tmp_path, mosquitto) as (_, url), person(url) as mira:
        # A restart forgets nothing: no sample has come since.
        assert mira.sign_in("mira", OWN).status_code == 303
        page = wait_until(lambda: said(mira.http, "acknowledged by|\\(by mira\\)"), "the alarm of before")
        assert "Not fine" in page
        assert "of the action level" in page


def test_with_a_certificate_the_cookie_is_for_this_host_and_tls_alone(mosquitto: Mosquitto, tmp_path: Path) -> None:
    made = make_certificates(tmp_path)
    port = free_port()
    url = f"https://127.0.0.1:{port}"
    with (
        console(
            tmp_path, mosquitto, public_url=url, port=port, cert_file=str(made.server), cert_key_file=str(made.key)
        ),
        httpx.Client(base_url=url, verify=ssl.create_default_context(cafile=made.ca), trust_env=False) as browser,
    ):
        fields = {"user": "administrator", "password": first_secret(tmp_path)}
        answer = browser.post("/sign-in", data=fields, headers={"Origin": url})
        assert answer.status_code == 303
        cookie = answer.headers["set-cookie"].lower()
        assert cookie.startswith("__host-motewatch=")
        assert "; secure" in cookie
        assert "max-age" in answer.headers["strict-transport-security"]
        assert "Choose your own password" in browser.get("/password").text


def said(http: httpx.Client, what: str) -> str:
    """The page, once it says this."""
    page = http.get("/").text
    return page if re.search(what, page) else ""
