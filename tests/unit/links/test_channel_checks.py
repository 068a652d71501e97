"""What `check` says of channels: authorities, URLs of services and addresses that cannot be used."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from motewatch.links.channel_checks import check_channel_files
from motewatch.site.models import Site
from motewatch.site.problems import Problem, Severity
from support.certificates import make_certificates
from support.command_line import run, write_site
from support.facility import site_dict

TOKEN = "s3cr3t-token"
MAIL: dict[str, Any] = {"id": "mail", "kind": "e-mail", "host": "mail.example.org", "sender": "air@example.org"}
HOOK: dict[str, Any] = {"id": "hook", "kind": "webhook", "url": "https://hook.example", "key_file": "hook.secret"}
SMS: dict[str, Any] = {"id": "sms", "kind": "service", "url_file": "sms.url"}


def person(*reach: tuple[str, str]) -> dict[str, Any]:
    ways = [{"channel": channel, "address": address} for channel, address in reach]
    return {"id": "ada", "name": "Ada", "reach": ways}


def said(folder: Path, *channels: dict[str, Any], persons: tuple[dict[str, Any], ...] = ()) -> list[Problem]:
    site = Site.model_validate(site_dict(channels=list(channels), persons=list(persons)))
    problems = check_channel_files(site, folder / "site.toml")
    assert all(problem.severity is Severity.WARNING for problem in problems)
    return problems


def test_sound_channels_are_not_spoken_of(tmp_path: Path) -> None:
    make_certificates(tmp_path)
    (tmp_path / "sms.url").write_text("json://localhost/{address}")
    with_ca = {"ca_file": "server-ca.crt"}
    ada = person(("mail", "ada@example.org"), ("sms", "+49 30 5550100"), ("hook", "anything"), ("mq", "x"))
    assert said(tmp_path, MAIL | with_ca, HOOK | with_ca, SMS, {"id": "mq", "kind": "mqtt"}, persons=(ada,)) == []


def test_an_authority_that_cannot_be_used(tmp_path: Path) -> None:
    (tmp_path / "no.pem").write_text("no certificate")
    missing, broken = said(tmp_path, MAIL | {"ca_file": "none.pem"}, HOOK | {"ca_file": "no.pem"})
    assert (missing.key, missing.table) == ("channels[0].ca_file", 'channels "mail"')
    assert "No such file" in missing.message
    assert missing.mend == "Give a PEM file with the server's authority."
    assert broken.key == "channels[1].ca_file"


def test_a_url_of_a_service_that_cannot_be_used(tmp_path: Path) -> None:
    (tmp_path / "sms.url").write_text(f"nosuchservice://{TOKEN}/{{address}}")
    (problem,) = said(tmp_path, SMS, persons=(person(("sms", "1")),))
    assert (problem.key, problem.value) == ("channels[0].url_file", '"sms.url"')
    assert "none that the notification library knows" in problem.message
    assert TOKEN not in str(problem)
    (tmp_path / "sms.url").write_text(f"json://localhost/{TOKEN}")
    (problem,) = said(tmp_path, SMS)
    assert "has no {address}" in problem.message
    # Where the secret is not, nothing is known.
    (tmp_path / "sms.url").unlink()
    assert said(tmp_path, SMS, persons=(person(("sms", "1")),)) == []


def test_addresses_that_cannot_be_reached(tmp_path: Path) -> None:
    (tmp_path / "sms.url").write_text("json://{address}:8080/")
    ada = person(("mail", "ada"), ("mail", "ada@example.org"), ("sms", "no host at all"))
    first, second = said(tmp_path, MAIL, SMS, persons=(ada,))
    assert (first.key, first.value, first.table) == ("persons[0].reach[0].address", '"ada"', 'persons "ada"')
    assert first.message == "the channel 'mail' cannot reach such an address"
    assert first.mend.endswith("mail ada")
    assert second.key == "persons[0].reach[2].address"


def test_check_tells_them(tmp_path: Path) -> None:
    path = write_site(tmp_path, site_dict(channels=[MAIL], persons=[person(("mail", "ada"))]))
    result = run("check", path)
    assert result.exit_code == 0, result.output
    assert "warning: the channel 'mail' cannot reach such an address" in result.output
