"""Signing in by an identity provider: the real service, a real provider over HTTP, and people at both.

OIDC: OpenID Connect Core 1.0; BCP: RFC 9700.
"""

from __future__ import annotations

import logging
import re
import sqlite3
import ssl
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest

from motewatch.journal.rows import AuditRow
from motewatch.web.console.by_provider import TIMES
from support.certificates import make_certificates
from support.console import OWN, Person, administrator, console, csrf_of, first_secret, new_user, person, user
from support.identity import SECRET, Claims, IdentityProvider
from support.live import ask
from support.outside import Outsider, asked_of, link_of, outside_console
from support.servers import Mosquitto, free_port, running, wait_until

pytestmark = pytest.mark.broker


@dataclass
class Ground:
    url: str
    folder: Path
    house: IdentityProvider
    admin: Person
    log: list[str] = field(default_factory=list)

    def rows(self, subject: str = "") -> list[AuditRow]:
        found = ask(self.folder, lambda journal: journal.query_audit()) or []
        return [row for row in found if subject in ("", row.subject)]

    def told(self, subject: str) -> list[tuple[str, str, str]]:
        """(by, action, detail without the address) about a subject."""
        return [(row.by, row.action, row.detail.partition("; from ")[0]) for row in self.rows(subject)]

    @contextmanager
    def outsider(self, who: str, *groups: str, **more: str) -> Iterator[Outsider]:
        if groups or more:
            self.house.member(who, *groups, **more)
        made = Outsider(self.url, self.house, who)
        try:
            yield made
        finally:
            made.close()


class Lines(logging.Handler):
    def __init__(self, lines: list[str]) -> None:
        super().__init__(0)
        self._lines = lines

    def emit(self, record: logging.LogRecord) -> None:
        self._lines.append(f"{record.getMessage()} {record.__dict__}")


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    folder, lines = tmp_path_factory.mktemp("outside"), list[str]()
    listener, root = Lines(lines), logging.getLogger()
    root.addHandler(listener)
    try:
        with (
            running(Mosquitto(tmp_path_factory.mktemp("broker"))) as broker,
            IdentityProvider() as house,
            outside_console(folder, broker, house) as (_, url),
            administrator(folder, url) as admin,
        ):
            yield Ground(url, folder, house, admin, lines)
    finally:
        root.removeHandler(listener)


@pytest.fixture(autouse=True)
def honest(ground: Ground) -> None:
    """Each test finds a provider that does what it has to."""
    ground.house.twist, ground.house.forge, ground.house.stale_by_s = dict, None, 0
    ground.house.answers.clear()


def settled(ground: Ground, subject: str, action: str) -> list[tuple[str, str, str]]:
    wait_until(lambda: any(row.action == action for row in ground.rows(subject)), f"{action} on the audit trail")
    return ground.told(subject)


def test_the_first_sign_in_makes_the_user_and_each_one_brings_it_up_to_date(ground: Ground) -> None:
    with ground.outsider("Mira.Vale@house", "choir", "shift", name="Mira  Vale\u202e") as mira:
        page = mira.http.get("/sign-in?next=/alarms").text
        assert 'href="/sign-in/outside?next=/alarms">Sign in with the house account<' in page
        answer = mira.come("/alarms")
        assert answer.status_code == 200
        assert 'http-equiv="refresh" content="0; url=/alarms"' in answer.text
        assert mira.http.get("/alarms").status_code == 200
        # No password here, so no page to change it, and no form that takes one.
        assert "/password" not in mira.http.get("/").text
        assert "You have no password here" in mira.post("/password", "/tokens", old="x", new=OWN, again=OWN).text
        assert mira.http.get("/sign").status_code == 403
        told = settled(ground, "mira-vale-house", "sign-in")
        assert told == [
            ("console", "user-made", "Mira Vale; operator; by the identity provider"),
            ("mira-vale-house", "sign-in", "as operator; by the identity provider"),
        ]
        # Another group, another name: the same person, by the subject.
        ground.house.member("Mira.Vale@house", "quality", "shift", name="Mira Hill")
        assert mira.come().status_code == 200
        assert mira.http.get("/sign").status_code == 200
        assert "Sign out Mira Hill" in mira.http.get("/").text
        wait_until(lambda: len(ground.told("mira-vale-house")) == 5, "five rows")
        assert ground.told("mira-vale-house")[2:] == [
            ("console", "user-role", "operator to quality; by the identity provider"),
            ("console", "user-name", "Mira Vale to Mira Hill; by the identity provider"),
            ("mira-vale-house", "sign-in", "as quality; by the identity provider"),
        ]
        assert mira.post("/sign-out", "/tokens").status_code == 303
        assert mira.http.get("/").status_code == 303


def test_one_goes_on_to_pages_of_our_own_only(ground: Ground) -> None:
    """BCP 4.11."""
    with ground.outsider("nils", "guests") as nils:
        for after in ("https://evil.example/", "//evil.example", "/\\evil.example", "/sign-in", "javascript:alert(1)"):
            assert 'content="0; url=/"' in nils.come(after).text
        assert 'content="0; url=/record?text=a&amp;kind=note"' in nils.come("/record?text=a&kind=note").text


def test_who_is_in_no_group_with_a_role_is_refused_and_loses_what_there_was(ground: Ground) -> None:
    with ground.outsider("olaf", "choir") as olaf:
        answer = olaf.come()
        assert answer.status_code == 403
        assert "None of your groups has a role here (the identity provider told 1)" in answer.text
        assert olaf.http.get("/").status_code == 303
        assert ground.told("olaf") == []
        ground.house.member("olaf", "shift")
        assert olaf.come().status_code == 200
        ground.house.member("olaf", "choir")
        with ground.outsider("olaf") as elsewhere:
            assert elsewhere.come().status_code == 403
        # Also where he was still signed in.
        assert olaf.http.get("/").status_code == 303
        told = settled(ground, "olaf", "sign-in-failed")
        assert told[-1] == ("console", "sign-in-failed", "no group with a role; by the identity provider")


def test_a_disabled_user_stays_so(ground: Ground) -> None:
    with ground.outsider("pia", "shift") as pia:
        assert pia.come().status_code == 200
        assert ground.admin.post("/access", user="pia", act="disable", reason="left the house").status_code == 303
        assert pia.http.get("/").status_code == 303
        answer = pia.come()
        assert (answer.status_code, "This user is disabled in motewatch." in answer.text) == (403, True)
        assert pia.http.get("/").status_code == 303
        # What the provider decides is not decided here.
        for act in ({"act": "role", "role": "quality"}, {"act": "secret"}, {"act": "outside"}):
            refused = ground.admin.post("/access", user="pia", reason="for a try", **act)
            assert (refused.status_code, "decided there" in refused.text) == (422, True)


def test_a_user_of_our_own_is_never_taken_over_unless_handed_over(ground: Ground) -> None:
    with user(ground.admin, ground.url, "rosa", "operator") as rosa, ground.outsider("Rosa", "quality") as outside:
        answer = outside.come()
        assert (answer.status_code, "not yours" in answer.text) == (403, True)
        assert rosa.http.get("/").status_code == 200
        page = ground.admin.http.get("/access").text
        assert "From now on with the house account" in page
        fields = {"user": "rosa", "act": "outside", "reason": "the house account came"}
        assert ground.admin.post("/access", **fields).status_code == 303
        # From now on there is no password, not even the right one.
        assert rosa.http.get("/").status_code == 303
        assert rosa.sign_in("rosa", OWN).status_code == 403
        assert "waits for the first sign-in with the house account" in ground.admin.http.get("/access").text
        assert outside.come().status_code == 200
        assert outside.http.get("/sign").status_code == 200
        told = settled(ground, "rosa", "user-outside")
        assert ("administrator", "user-outside", "handed over to the identity provider; the house account came") in told
        # Somebody else of the same name at the provider, later: names are given again, subjects are not.
        with ground.outsider("rosa", "it", sub="somebody-else") as other:
            assert other.come().status_code == 403


def test_two_people_whose_names_become_one_id_are_not_one(ground: Ground) -> None:
    with ground.outsider("t.o", "shift") as first, ground.outsider("t+o", "shift") as second:
        assert first.come().status_code == 200
        assert second.come().status_code == 403
        with ground.outsider("\u2603", "shift", sub="of-snow") as nameless:
            assert "no name of yours" in nameless.come().text


def test_state_is_bound_to_the_browser_and_good_once(ground: Ground) -> None:
    """BCP 4.7, OIDC 3.1.2.1: state; and a code that is replayed."""
    with ground.outsider("uma", "shift") as uma, ground.outsider("vic", "shift") as vic:
        path = uma.enter(uma.leave())
        # Somebody else's link, in a browser that has begun nothing, or something of its own.
        assert "Begin again" in vic.http.get(path).text
        vic.leave()
        assert "Begin again" in vic.http.get(path).text
        for spoilt in (re.sub("state=[^&]+", "state=x", path), re.sub("&?state=[^&]+", "", path)):
            assert uma.http.get(spoilt).status_code == 403
        assert uma.http.head(path).status_code == 405
        assert uma.http.get(path + "&code=twice").status_code == 400
        cookies = dict(uma.http.cookies)
        assert uma.http.get(path).status_code == 200
        # Once, also where the cookie was kept.
        uma.http.cookies.clear()
        uma.http.cookies.update(cookies)
        assert "used already" in uma.http.get(path).text
        assert uma.http.get("/").status_code == 303


def test_an_answer_that_says_no_is_told_in_our_words(ground: Ground) -> None:
    """RFC 6749 4.1.2.1."""
    with ground.outsider("wim", "shift") as wim:
        for fault, said in (
            ("access_denied", "did not let you in"),
            ("temporarily_unavailable", "does not answer now"),
            ("anything<b>", "not set up as it has to be"),
        ):
            state = asked_of(wim.leave())["state"]
            answer = wim.http.get(
                "/sign-in/outside/back",
                params={"state": state, "error": fault, "error_description": "call 555", "iss": ground.house.issuer},
            )
            assert (answer.status_code, said in answer.text) == (403, True)
            assert "555" not in answer.text
            assert "<b>" not in answer.text


@pytest.mark.parametrize(
    ("twist", "said"),
    [
        (lambda claims: {**claims, "nonce": "x"}, "nonce"),
        (lambda claims: {**claims, "iss": "http://localhost/other"}, "issuer"),
        (lambda claims: {**claims, "aud": ["other"]}, "audience"),
        (lambda claims: {**claims, "exp": claims["iat"] - 600}, "expired"),
    ],
    ids=["nonce", "issuer", "audience", "expired"],
)
def test_what_does_not_hold_lets_nobody_in(ground: Ground, twist: Callable[[Claims], Claims], said: str) -> None:
    """OIDC 3.1.3.7. All checks: `test_identity_provider`."""
    ground.house.twist = twist
    with ground.outsider("xara", "shift") as xara:
        answer = xara.come()
        assert (answer.status_code, f"does not hold ({said})" in answer.text) == (403, True)
        assert xara.http.get("/").status_code == 303
        wait_until(lambda: ("console", "sign-in-failed", f"{said}; by the identity provider") in ground.told("?"), said)
    assert ground.told("xara") == []


def test_answers_of_another_provider_are_not_taken(ground: Ground) -> None:
    """RFC 9207 2.4, BCP 4.4."""
    with ground.outsider("yves", "shift") as yves:
        for path in (re.sub("iss=[^&]+", "iss=http://localhost/other", yves.enter(yves.leave())),
                     re.sub("&iss=[^&]+", "", yves.enter(yves.leave()))):  # fmt: skip
            assert "not from our provider" in yves.http.get(path).text or "Begin again" in yves.http.get(path).text
        assert yves.http.get("/").status_code == 303
        assert yves.http.get("/sign-in/outside/back").status_code == 403


def test_a_form_of_an_outsider_asks_for_no_password_and_signs_nothing_by_itself(ground: Ground) -> None:
    with ground.outsider("zoe", "quality") as zoe:
        zoe.come()
        page = zoe.http.get("/sign?subject=audit/1-1").text
        assert 'name="password"' not in page
        assert "signing in anew with the house account" in page
        confirm = zoe.signature("audit/1-1")
        assert confirm.status_code == 200
        assert "Nothing is signed yet" in confirm.text
        asked = asked_of(link_of(confirm.text))
        # OIDC 3.1.2.1: anew, whoever is signed in there.
        assert (asked["prompt"], asked["max_age"]) == ("login", "0")
        assert not [row for row in ground.rows("audit/1-1") if row.action == "signed"]


def test_a_signature_is_confirmed_by_signing_in_anew(ground: Ground) -> None:
    """21 CFR 11.200(a)(1): two components at signing, here those of the identity provider."""
    with ground.outsider("quinn", "quality", name="Quinn") as quinn:
        quinn.come()
        subject = "audit/1-2"
        back = quinn.enter(link_of(quinn.signature(subject).text))
        # Who comes from elsewhere brings no session cookie, only that of the errand.
        session = {name: value for name, value in quinn.http.cookies.items() if not name.endswith("-outside")}
        for name in session:
            del quinn.http.cookies[name]
        answer = quinn.http.get(back)
        assert (answer.status_code, "It is signed." in answer.text) == (200, True)
        assert 'content="0; url=/sign?subject=audit/1-2"' in answer.text
        rows = [row for row in ground.rows(subject) if row.action == "signed"]
        assert [(row.by, row.detail.partition(";")[0]) for row in rows] == [("quinn", "reviewed")]
        assert rows[0].detail.endswith("; all of it")
        told = settled(ground, subject, "signature-confirmed")
        assert ("quinn", "signature-confirmed", "signed in anew by the identity provider") in told
        # Once.
        assert "Nothing was signed" in quinn.http.get(back).text or "Begin again" in quinn.http.get(back).text
        assert len([row for row in ground.rows(subject) if row.action == "signed"]) == 1


def _somebody_else(quinn: Outsider, address: str) -> str:
    quinn.house.member("rita", "quality")
    return quinn.enter(address, "rita")


def _not_anew(quinn: Outsider, address: str) -> str:
    """The provider lets somebody through who signed in before (OIDC 3.1.3.7, 13)."""
    quinn.house.stale_by_s = 5
    return quinn.enter(address)


def _no_longer_quality(quinn: Outsider, address: str) -> str:
    quinn.house.member("quinn", "shift", name="Quinn")
    return quinn.enter(address)


def _signed_out(quinn: Outsider, address: str) -> str:
    quinn.post("/sign-out", "/tokens")
    return quinn.enter(address)


def _another_since(quinn: Outsider, address: str) -> str:
    quinn.signature("audit/2-2")
    return quinn.enter(address)


@pytest.mark.parametrize(
    ("act", "said"),
    [
        (_somebody_else, "Somebody else signed in"),
        (_not_anew, "not signed in anew"),
        (_no_longer_quality, "Your role is another now"),
        (_signed_out, "Your sign-in here has ended"),
        (_another_since, "Begin again"),
    ],
)
def test_nothing_is_signed_where_the_confirmation_is_none(
    ground: Ground, act: Callable[[Outsider, str], str], said: str
) -> None:
    with ground.outsider("quinn", "quality", name="Quinn") as quinn:
        quinn.come()
        answer = quinn.http.get(act(quinn, link_of(quinn.signature("audit/1-3").text)))
        assert (answer.status_code, said in answer.text) == (403, True), answer.text
        assert not [row for row in ground.rows("audit/1-3") if row.action == "signed"]
    ground.house.member("quinn", "quality", name="Quinn")


def test_what_has_changed_meanwhile_is_not_signed(ground: Ground) -> None:
    with ground.outsider("quinn", "quality", name="Quinn") as quinn:
        quinn.come()
        path = "/sign?subject=audit/1-4"
        csrf = csrf_of(quinn.http.get(path).text)
        fields = {"csrf": csrf, "sha256": "0" * 64, "meaning": "reviewed", "comment": ""}
        assert quinn.http.post(path, data=fields).status_code == 409


def test_a_provider_that_is_away_is_told_and_users_of_our_own_sign_in(ground: Ground) -> None:
    ground.house.answers["token"] = lambda handler: handler.send_error(503)
    with ground.outsider("quinn", "quality", name="Quinn") as quinn, person(ground.url) as admin:
        answer = quinn.come()
        assert answer.status_code == 503
        assert "The identity provider does not answer now." in answer.text
        assert "users with a password of this console sign in as always" in answer.text
        assert 'name="password"' in answer.text
        assert admin.sign_in("administrator", OWN).status_code == 303
        ground.house.answers.clear()
        assert quinn.come().status_code == 200


def test_who_tries_without_end_has_to_wait(ground: Ground) -> None:
    with ground.outsider("yann", "shift") as yann:
        codes = [yann.http.get("/sign-in/outside").status_code for _ in range(TIMES + 1)]
        assert codes == [303] * TIMES + [429]


def test_no_token_code_or_secret_is_in_log_or_record(ground: Ground) -> None:
    with ground.outsider("mona", "quality") as mona:
        mona.come()
        ground.house.twist = lambda claims: {**claims, "nonce": "x"}
        mona.come()
    with closing(sqlite3.connect(f"file:{ground.folder / 'journal.db'}?mode=ro", uri=True)) as journal:
        record = "\n".join(journal.iterdump())
    told = record + "\n".join(ground.log)
    assert "mona" in told
    for each in (SECRET, "opaque-token", "eyJ", *ground.house.codes):
        assert each not in told


def test_the_next_person_at_a_shared_screen_is_not_the_one_before(ground: Ground) -> None:
    """OIDC 3.1.2.1, 3.1.3.7 (13): asked anew also to sign in, and a provider that does not is not believed."""
    with ground.outsider("mona", "quality") as mona:
        address = mona.leave()
        assert asked_of(address)["prompt"] == "login"
        ground.house.stale_by_s = 5
        assert "not signed in anew" in mona.http.get(mona.enter(address)).text
        assert mona.http.get("/").status_code == 303


def test_only_administrators_have_a_password_where_the_site_says_so(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with (
        IdentityProvider() as house,
        outside_console(tmp_path, mosquitto, house, own_sign_in="administrators", ask_anew=False) as (_, url),
        administrator(tmp_path, url) as admin,
    ):
        page = admin.post("/access", act="make", user="mira", name="Mira", role="operator", reason="needed here")
        assert (page.status_code, "others come with the house account" in page.text) == (422, True)
        new_user(admin, "second", "administrator")
        with person(url) as anybody:
            assert "Administrators: with a password" in anybody.http.get("/sign-in").text
        house.member("mira", "shift")
        mira = Outsider(url, house, "mira")
        try:
            # By its session at the provider, without being asked.
            house.stale_by_s = 3_600
            assert "prompt" not in asked_of(mira.leave())
            assert mira.come().status_code == 200
        finally:
            mira.close()


def test_with_tls_all_the_way_cookies_are_for_this_host_and_tls_alone(mosquitto: Mosquitto, tmp_path: Path) -> None:
    made, port = make_certificates(tmp_path), free_port()
    url = f"https://127.0.0.1:{port}"
    own = {"public_url": url, "port": port, "cert_file": str(made.server), "cert_key_file": str(made.key)}
    with (
        IdentityProvider(certificates=made) as house,
        outside_console(tmp_path, mosquitto, house, own, ca_file=str(made.ca)),
        httpx.Client(base_url=url, verify=ssl.create_default_context(cafile=made.ca), trust_env=False) as browser,
    ):
        house.member("mira", "shift")
        leaving = browser.get("/sign-in/outside")
        parts = urlsplit(house.sign_in(leaving.headers["location"], "mira"))
        assert f"{parts.scheme}://{parts.netloc}" == url
        coming = browser.get(f"{parts.path}?{parts.query}")
        assert coming.status_code == 200, coming.text
        errand = leaving.headers["set-cookie"]
        assert errand.startswith("__Host-motewatch-outside=")
        assert {"HttpOnly", "Secure", "SameSite=lax", "Path=/", "Max-Age=600"} <= set(errand.split("; "))
        spent, session = sorted(coming.headers.get_list("set-cookie"), key=lambda cookie: "outside" not in cookie)
        assert spent.startswith('__Host-motewatch-outside="";')
        assert "Max-Age=0" in spent
        assert {"HttpOnly", "Secure", "SameSite=strict"} <= set(session.split("; "))
        assert "Sign out Mira" in browser.get("/").text
        # A first administrator with a password is there all the same.
        assert first_secret(tmp_path)


def test_without_the_table_there_is_no_way_out(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with console(tmp_path, mosquitto) as (_, url), person(url) as anybody:
        assert "outside" not in anybody.http.get("/sign-in").text
        for path in ("/sign-in/outside", "/sign-in/outside/back?state=x"):
            assert anybody.http.get(path).status_code == 404
