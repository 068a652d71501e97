"""Access in trouble, in front of the real service: passwords are guessed, and the only administrator forgot theirs."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from support.command_line import run
from support.console import OWN, Person, administrator, console, person, user
from support.live import ask
from support.servers import Mosquitto, wait_until

pytestmark = pytest.mark.broker


def trail(folder: Path, action: str) -> list[tuple[str, str, str]]:
    rows = ask(folder, lambda journal: journal.query_audit(200)) or []
    return [(row.by, row.subject, row.detail) for row in rows if row.action == action]


def shown(somebody: Person, text: str) -> str:
    """The page, once it says this."""
    page = somebody.http.get("/").text
    return page if text in page else ""


def test_guessed_passwords_are_an_alarm_and_changes_of_access_say_why(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with (
        console(tmp_path, mosquitto, failures_alarm=4) as (_, url),
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "operator") as mira,
        person(url) as stranger,
    ):
        assert "Say why" in admin.post("/access", act="role", user="mira", role="viewer", reason=" ").text
        assert admin.post("/access", act="role", user="mira", role="quality", reason="joins quality").status_code == 303
        rows = wait_until(lambda: trail(tmp_path, "user-role"), "the change on the audit trail")
        assert rows == [("administrator", "mira", "operator to quality; joins quality")]
        assert mira.sign_in("mira", OWN).status_code == 303

        for name in ("mira", "nobody", "mira", "nobody"):
            assert stranger.sign_in(name, "a wrong password").status_code == 403
        page = wait_until(lambda: shown(mira, "failed at the console"), "the alarm")
        assert "4 sign-ins or confirmations by password failed" in page
        ((by, _, detail),) = trail(tmp_path, "sign-ins-failed")
        assert by == "console"
        assert "of 2 users and from 1 addresses" in detail
        assert ask(tmp_path, lambda journal: journal.verify()) == []


def test_the_only_administrator_comes_back_by_the_machines_own_shell(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with console(tmp_path, mosquitto) as (_, url), administrator(tmp_path, url) as admin:
        site = str(tmp_path / "site.toml")

        def shell(*words: str) -> str:
            result = run(words[0], site, *words[1:])
            assert result.exit_code == 0, result.output
            return result.output

        listed = shell("access")
        assert re.search(r"administrator +Administrator +administrator +in use", listed)
        assert run("access-secret", site, "--reason", " ").exit_code == 2
        assert run("access-secret", site, "--reason", "why", "--user", "mira").exit_code == 2
        found = re.search(r"    (\S+)\n", shell("access-secret", "--reason", "forgotten"))
        assert found is not None
        assert admin.http.get("/").status_code == 303
        with person(url) as again:
            assert again.sign_in("administrator", OWN).status_code == 403
            assert again.sign_in("administrator", found[1]).status_code == 303
            assert again.choose(found[1], "four slow herons wade home").status_code == 303
            assert again.http.get("/access").status_code == 200
        rows = wait_until(lambda: trail(tmp_path, "user-secret"), "the notice on the audit trail")
        ((by, subject, detail),) = rows
        assert (by, subject) == ("shell", "administrator")
        assert "forgotten" in detail
        assert ask(tmp_path, lambda journal: journal.verify()) == []
