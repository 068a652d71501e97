"""Secrets: where they come from, that they print as stars, and that what came back from outside is cleaned of them."""

from __future__ import annotations

import traceback
from base64 import b64encode
from pathlib import Path
from typing import Any

import pytest

from motewatch.links.secret_checks import check_secret_files, named_secrets
from motewatch.links.secrets import Secret, SecretFileError, read_secret, scrub, secret_path
from motewatch.site.models import Site
from motewatch.site.problems import Problem
from support.facility import site_dict

HIDDEN = "s3cr3t/värde+1"


def written(path: Path, text: str, mode: int = 0o600) -> Path:
    path.write_text(text, encoding="utf-8")
    path.chmod(mode)
    return path


def test_a_credential_is_read_from_the_folder_that_the_service_manager_hands_over(tmp_path: Path) -> None:
    written(tmp_path / "mail", f"{HIDDEN}\n")
    secret = read_secret("credential:mail", Path("/nowhere"), credentials=str(tmp_path))
    assert secret.reveal() == HIDDEN


def test_without_that_folder_it_is_said_how_to_get_one() -> None:
    with pytest.raises(SecretFileError, match=r"LoadCredential=mail:FILE"):
        read_secret("credential:mail", Path(), credentials="")


@pytest.mark.parametrize("name", ["credential:", "credential:../mail", "credential:/etc/passwd", "credential:a/b"])
def test_a_credential_is_a_name_and_never_a_path(tmp_path: Path, name: str) -> None:
    with pytest.raises(SecretFileError, match="no name of a credential"):
        secret_path(name, tmp_path, str(tmp_path))


def test_a_traceback_through_a_secret_holds_stars() -> None:
    secret = Secret(HIDDEN)
    try:
        raise RuntimeError(f"cannot use {secret} of {[secret]!r}")
    except RuntimeError:
        text = traceback.format_exc()
    assert "*****" in text
    assert HIDDEN not in text


@pytest.mark.parametrize(
    "echo",
    [
        HIDDEN,
        "s3cr3t%2Fv%C3%A4rde%2B1",
        "s3cr3t/v%C3%A4rde%2B1",
        b64encode(HIDDEN.encode()).decode(),
        repr(HIDDEN),
    ],
)
def test_what_came_back_is_cleaned(echo: str) -> None:
    text = scrub(f"535 no such password: {echo} (try again)", [Secret(HIDDEN)])
    assert text.startswith("535 no such password: ")
    assert text.endswith(" (try again)")
    assert "*****" in text
    assert "s3cr3t" not in text
    assert b64encode(b"s3cr3t").decode()[:6] not in text


def test_a_secret_across_the_cut_leaves_no_half_behind() -> None:
    assert scrub("x" * 197 + HIDDEN, [HIDDEN]) == "x" * 197 + "..."


def test_an_answer_stays_on_one_line() -> None:
    assert scrub("250-first\r\n250 second\x1b[2J", []) == "250-first 250 second\\u001b[2J"


KEY = "0123456789abcdef" * 2
SECRETS: dict[str, Any] = {
    "channels": [
        {
            "id": "mail",
            "kind": "e-mail",
            "host": "mail.example.org",
            "sender": "air@example.org",
            "username": "air",
            "password_file": "mail.secret",
        },
        {"id": "hook", "kind": "webhook", "url": "https://calls.example.org/in", "key_file": "hook.key"},
        {"id": "chat", "kind": "service", "url_file": "credential:chat"},
    ],
    "callout": {"dead_man": {"url_file": "dead-man.url"}},
}


def problems(folder: Path) -> list[Problem]:
    return check_secret_files(Site.model_validate(site_dict(**SECRETS)), folder / "site.toml")


def test_every_named_secret_is_looked_for(tmp_path: Path) -> None:
    site = Site.model_validate(site_dict(**SECRETS))
    assert [name for _, name in named_secrets(site)] == ["dead-man.url", "mail.secret", "hook.key", "credential:chat"]
    found = problems(tmp_path)
    assert [problem.key for problem in found] == [
        "callout.dead_man.url_file",
        "channels[0].password_file",
        "channels[1].key_file",
    ]
    assert {problem.severity.value for problem in found} == {"warning"}
    assert found[1].table == 'channels "mail"'


def test_each_thing_wrong_with_a_secret_is_told_with_what_to_do(tmp_path: Path) -> None:
    written(tmp_path / "dead-man.url", "")
    written(tmp_path / "mail.secret", f"{HIDDEN}\n", 0o644)
    written(tmp_path / "hook.key", f"{HIDDEN}\n{HIDDEN}\n")
    said = [f"{problem.message} / {problem.mend}" for problem in problems(tmp_path)]
    assert "empty" in said[0]
    assert "chmod o-r" in said[1]
    assert "several lines" in said[2]
    assert HIDDEN not in "".join(said)


def test_sound_secrets_are_no_problem(tmp_path: Path) -> None:
    for name in ("dead-man.url", "mail.secret"):
        written(tmp_path / name, f"{HIDDEN}\n")
    written(tmp_path / "hook.key", f"{KEY}\n")
    assert problems(tmp_path) == []


@pytest.mark.parametrize(
    ("key", "words"), [(KEY[:31], "a key is shorter than 32 characters"), ("ab" * 32, "made of a few characters")]
)
@pytest.mark.parametrize("table", ["channels[1].key_file", "callout.answer_page.key_file"])
def test_a_key_that_could_be_guessed_is_told_before_the_start(tmp_path: Path, table: str, key: str, words: str) -> None:
    page = {"public_url": "https://air.example.org/a", "key_file": "answer.key"}
    callout = {"callout": {**SECRETS["callout"], "answer_page": page}}
    written(tmp_path / "dead-man.url", f"{HIDDEN}\n")
    written(tmp_path / "mail.secret", f"{HIDDEN}\n")
    for name, of in (("hook.key", "channels[1].key_file"), ("answer.key", "callout.answer_page.key_file")):
        written(tmp_path / name, f"{key if of == table else KEY}\n")
    (problem,) = check_secret_files(Site.model_validate(site_dict(**(SECRETS | callout))), tmp_path / "site.toml")
    assert problem.key == table
    assert words in problem.message
    assert problem.mend == "Write one with: openssl rand -hex 32."
    assert key not in str(problem)
