"""Users over the HTTP API with the real service: who may, what is done, what is refused, and what is on record."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest

from motewatch.web.console.operation import BASE
from support.console import OWN, Person, administrator, bearer, console, new_user, person, user
from support.live import ask
from support.servers import Mosquitto, wait_until

pytestmark = pytest.mark.broker

USERS = f"{BASE}/users"
WHY = "new in the shift"


@dataclass
class Ground:
    folder: Path
    url: str
    admin: Person
    program: httpx.Client

    def post(self, what: str, **body: Any) -> tuple[int, Any]:
        answer = self.program.post(f"{USERS}{what}", json=body)
        return answer.status_code, answer.json()

    def refused(self, what: str, **body: Any) -> tuple[int, str]:
        status, said = self.post(what, **body)
        return status, said["detail"]


@pytest.fixture
def ground(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[Ground]:
    with (
        console(tmp_path, mosquitto) as (_, url),
        administrator(tmp_path, url) as admin,
        httpx.Client(base_url=url, trust_env=False, timeout=20, headers=bearer(admin, "manage")) as program,
    ):
        yield Ground(tmp_path, url, admin, program)


def test_a_user_is_made_changed_disabled_and_comes_back(ground: Ground) -> None:
    status, made = ground.post("", user="mira", name="Mira  Vale", role="operator", reason=WHY)
    assert (status, made["user"]) == (200, "mira")
    with person(ground.url) as mira:
        assert mira.sign_in("mira", made["secret"]).status_code == 303
        assert mira.choose(made["secret"]).status_code == 303
        status, said = ground.post("/role", user="mira", role="quality", reason="exam passed")
        assert (status, said["role"], said["chosen"], said["disabled"]) == (200, "quality", True, False)
        # Another role ends the sessions there are, as in the console.
        assert mira.http.get("/").status_code == 303
        status, said = ground.post("/disable", user="mira", reason="on leave")
        assert (status, said["disabled"]) == (200, True)
        assert mira.sign_in("mira", OWN).status_code == 403
        assert ground.post("/enable", user="mira", reason="back again")[1]["disabled"] is False
        status, fresh = ground.post("/secret", user="mira", reason="forgotten")
        assert status == 200
        assert mira.sign_in("mira", OWN).status_code == 403
        assert mira.sign_in("mira", fresh["secret"]).status_code == 303

    def told() -> list[tuple[str, str, str]]:
        rows = ask(ground.folder, lambda journal: journal.query_audit()) or []
        return [(row.by, row.action, row.detail) for row in rows if row.subject == "mira" and row.by != "mira"]

    wait_until(lambda: any(action == "user-secret" for _, action, _ in told()), "the audit trail")
    assert [each for each in told() if each[0] == "administrator"] == [
        ("administrator", "user-made", f"Mira Vale; operator; {WHY}; by a program"),
        ("administrator", "user-role", "operator to quality; exam passed; by a program"),
        ("administrator", "user-disabled", "on leave; by a program"),
        ("administrator", "user-enabled", "back again; by a program"),
        ("administrator", "user-secret", "one-time secret made; forgotten; by a program"),
    ]


def test_users_are_listed_page_by_page(ground: Ground) -> None:
    for name in ("ben", "ann"):
        ground.post("", user=name, name=name.title(), role="viewer", reason=WHY)
    first = ground.program.get(USERS, params={"limit": "2"}).json()
    assert [one["id"] for one in first["users"]] == ["administrator", "ann"]
    rest = ground.program.get(USERS, params={"limit": "2", "cursor": first["next"]}).json()
    assert ([one["id"] for one in rest["users"]], rest["next"]) == (["ben"], None)
    assert (rest["users"][0]["chosen"], rest["users"][0]["last_here"]) == (False, None)
    assert ground.program.get(USERS, params={"cursor": "x"}).status_code == 400
    # Nothing that opens anything is told.
    assert "argon2" not in ground.program.get(USERS).text


def test_what_makes_no_sense_is_refused_with_the_reason(ground: Ground) -> None:
    with user(ground.admin, ground.url, "mira", "operator"):
        fields: dict[str, Any] = {"user": "nils", "name": "Nils", "role": "viewer", "reason": WHY}
        for wrong, said in (
            ({"user": "Nils!"}, "small letters"),
            ({"name": "a\u202eb"}, "full name"),
            ({"role": "boss"}, "role"),
            ({"reason": "x"}, "reason"),
            ({"reason": "   x   "}, "Say why"),
            ({"password": OWN}, "password"),
        ):
            status, detail = ground.refused("", **{**fields, **wrong})
            assert (status, said in detail) == (422, True), (wrong, detail)
        assert ground.refused("", **{**fields, "user": "mira"})[0] == 409
        for what in ("/role", "/disable", "/enable", "/secret"):
            body = {"user": "nobody", "reason": WHY, **({"role": "viewer"} if what == "/role" else {})}
            assert ground.refused(what, **body) == (404, "There is no such user.")


def test_a_program_does_not_touch_administrators(ground: Ground) -> None:
    new_user(ground.admin, "second", "administrator")
    with user(ground.admin, ground.url, "mira", "operator"):
        for what, body in (
            ("", {"user": "third", "name": "Third", "role": "administrator"}),
            ("/role", {"user": "mira", "role": "administrator"}),
            ("/role", {"user": "second", "role": "viewer"}),
            ("/disable", {"user": "second"}),
            ("/enable", {"user": "second"}),
            ("/secret", {"user": "second"}),
            ("/secret", {"user": "administrator"}),
        ):
            status, detail = ground.refused(what, **body, reason=WHY)
            assert (status, "not by a program" in detail) == (409, True), what


def test_only_an_administrators_token_of_this_scope_manages_and_none_signs(ground: Ground) -> None:
    with user(ground.admin, ground.url, "quinn", "quality") as quinn:
        assert "more than you may" in quinn.post("/tokens", act="make", label="x", scope="manage", days="30").text
        # Not for long: it makes people who can come in.
        long = ground.admin.post("/tokens", act="make", label="x", scope="manage", days="90")
        assert (long.status_code, "30 days at most" in long.text) == (422, True)
        body = {"user": "nils", "name": "Nils", "role": "viewer", "reason": WHY}
        for headers in (bearer(quinn, "operate"), bearer(ground.admin, "read")):
            with httpx.Client(base_url=ground.url, trust_env=False, timeout=20, headers=headers) as other:
                assert other.get(USERS).status_code == 403
                assert other.post(USERS, json=body).status_code == 403
        # A browser reads by its cookie, and does not act by it.
        assert ground.admin.http.get(USERS).status_code == 200
        assert ground.admin.http.post(USERS, json=body).status_code == 401
        assert quinn.http.get(USERS).status_code == 403
        # No page is open to a token, so none signs.
        assert ground.program.post("/sign?subject=audit/1-1", data={"meaning": "reviewed"}).status_code == 401


def test_a_token_of_who_is_no_administrator_any_more_manages_nobody(ground: Ground) -> None:
    with user(ground.admin, ground.url, "second", "administrator") as second:
        headers = bearer(second, "manage")
        with httpx.Client(base_url=ground.url, trust_env=False, timeout=20, headers=headers) as other:
            assert other.get(USERS).status_code == 200
            change = {"user": "second", "act": "role", "role": "quality", "reason": "another task"}
            assert ground.admin.post("/access", **change).status_code == 303
            assert other.get(USERS).status_code == 403
