"""The real program, started as the service manager starts it, with a secret in every place that can hold one.

Everything that knows a secret is made to fail, and those at the other end give it back in their answers. Afterwards no
secret stands in the log (at its most talkative), in the journal, in what the manager was told, or in what a command
prints of it.
"""

from __future__ import annotations

import re
import signal
import socket
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import httpx
import pytest
from typer.testing import CliRunner

from motewatch.cli.app import app
from motewatch.links.anchoring import make_key
from support.command_line import write_site
from support.console import first_secret, person
from support.http_fake import FakeHttp
from support.live import ABOVE, ACTION, TOPICS, Program, ask, live_site, spot, steps
from support.mqtt_peer import Peer
from support.servers import Account, Mosquitto, free_port, running, wait_until

pytestmark = pytest.mark.broker

HANDED: Final = {
    "broker.password": "quiet-otter-4711",
    "series.token": "amber-lathe-2093",
    "hook.key": "walnut-prism-8852-walnut-prism-8852",
    "link.key": "violet-anvil-6634-violet-anvil-6634",
    "dead-man.url": "http://127.0.0.1:1/ping/copper-meadow-1178",
}
"""By name of the credential."""

WRONG: Final = "tin-harbour-5520-wrong"
"""A password that somebody tries, and a token: both are somebody's secret elsewhere."""


@dataclass
class Night:
    """What is left of one run: what everybody could read afterwards."""

    folder: Path
    log: str
    told: list[bytes]
    secrets: dict[str, str]
    hooked: list[tuple[str, str, dict[str, str], bytes]]


def secret_site(broker: Mosquitto, hook: FakeHttp) -> dict[str, Any]:
    port = free_port()
    reach = {"port": broker.port, "username": "motewatch", "password_file": "credential:broker.password"}
    made = live_site(reach, {"url": hook.url, "token_file": "credential:series.token", "timeout_s": 2.0})
    made["record"] = {"signing_key_file": "record.key", "anchor_every_min": 1}
    made["console"] = {"public_url": f"http://127.0.0.1:{port}", "port": port}
    made["channels"] = [
        {"id": "hook", "kind": "webhook", "url": hook.url, "key_file": "credential:hook.key", "timeout_s": 2.0,
         "give_up_min": 1.0}
    ]  # fmt: skip
    made["persons"] = [{"id": "ada", "name": "Ada", "reach": [{"channel": "hook", "address": "ada"}]}]
    made["escalations"] = [{"id": "usual", "steps": [{"after_min": 0, "tell": ["person:ada"]}]}]
    made["callout"] = {
        "answer_page": {"public_url": "http://127.0.0.1/a", "port": 0, "key_file": "credential:link.key"},
        "dead_man": {"url_file": "credential:dead-man.url"},
    }
    return made


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Night]:
    folder = tmp_path_factory.mktemp("secrets")
    handed = folder / "credentials"
    handed.mkdir()
    for name, text in HANDED.items():
        (handed / name).write_text(f"{text}\n")
        (handed / name).chmod(0o600)
    make_key(folder / "record.key")
    (folder / "mosquitto").mkdir()
    accounts = {"motewatch": Account(HANDED["broker.password"]), "sensor": Account("sensor-secret")}

    def gives_back(method: str, path: str, headers: dict[str, str], body: bytes) -> tuple[int, bytes]:
        return 500, f"{headers} {body.decode(errors='replace')} {' '.join(HANDED.values())}".encode()

    with ExitStack() as stack:
        broker = stack.enter_context(running(Mosquitto(folder / "mosquitto", accounts=accounts)))
        hook = stack.enter_context(FakeHttp(gives_back))
        manager = stack.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM))
        manager.bind(str(folder / "notify"))
        manager.settimeout(30)
        environment = {
            "CREDENTIALS_DIRECTORY": str(handed),
            "NOTIFY_SOCKET": str(folder / "notify"),
            "WATCHDOG_USEC": "3000000",
        }
        site = secret_site(broker, hook)
        program = stack.enter_context(Program(write_site(folder, site), "debug", environment))
        told = [manager.recv(999) for _ in range(2)]
        url = str(site["console"]["public_url"])
        secrets = HANDED | {"record.key": (folder / "record.key").read_text(), "first": first_secret(folder)}
        with person(url) as admin:
            assert admin.sign_in("administrator", WRONG).status_code != 303
            assert admin.sign_in("administrator", secrets["first"]).status_code == 303
            assert admin.choose(secrets["first"], "new-pewter-gate-9041").status_code == 303
            secrets["password"] = "new-pewter-gate-9041"
            page = admin.post("/tokens", act="make", label="program", scope="read", days="30").text
            found = re.search(r'class="secret">([^<]+)<', page)
            assert found is not None
            secrets["token"] = found[1]
            secrets |= {f"cookie {name}": value for name, value in admin.http.cookies.items()}
            for token in (secrets["token"], WRONG):
                httpx.get(f"{url}/api/v1/record", headers={"Authorization": f"Bearer {token}"}, trust_env=False)
        with Peer(broker.port, username="sensor", password="sensor-secret") as sensor:
            sensor.publish_all([spot(0, ABOVE), (TOPICS.counts("pc-1"), b"garbage")])
            wait_until(lambda: steps(folder, ACTION), "the alarm")
            wait_until(lambda: any(b'"link"' in body or b"/a/" in body for *_, body in hook.requests), "the call")
            wait_until(lambda: ask(folder, lambda journal: journal.query_dead_letters()), "the dead letter")
        program.wait_for_line("dead-man signal failed")
        program.wait_for_line("'time-series' is away")
        program.signal(signal.SIGHUP)
        program.wait_for_line("taken over")
        program.stop()
        manager.setblocking(False)
        while b"STOPPING=1" not in told:
            told.append(manager.recv(999))
        secrets["wrong password"] = WRONG
        yield Night(folder, program.log(), told, secrets, list(hook.requests))


def test_the_secrets_were_in_use(night: Night) -> None:
    """Else nothing would be shown here."""
    assert "broker drained" in night.log
    assert any(HANDED["series.token"] in str(headers) for _, _, headers, _ in night.hooked)
    assert len(night.secrets) >= 10
    assert all(len(secret) >= 12 for secret in night.secrets.values()), night.secrets


def test_the_manager_is_told_of_start_life_and_end(night: Night) -> None:
    assert night.told[0].startswith(b"READY=1\nSTATUS=serving ")
    assert b"WATCHDOG=1" in night.told[1:-1]
    assert night.told[-1] == b"STOPPING=1"


def test_no_secret_is_in_the_log(night: Night) -> None:
    assert "dead letter" in night.log
    found = [name for name, secret in night.secrets.items() if secret.strip() in night.log]
    assert found == []


def test_no_secret_is_in_the_journal_or_told_to_the_manager(night: Night) -> None:
    stored = b"".join(path.read_bytes() for path in night.folder.glob("journal.db*"))
    assert b"garbage" in stored
    found = [name for name, secret in night.secrets.items() if secret.strip().encode() in stored]
    assert found == []
    assert not any(secret.encode() in b"".join(night.told) for secret in night.secrets.values())


def test_no_link_of_a_call_is_in_log_or_journal(night: Night) -> None:
    links = {link for *_, body in night.hooked for link in re.findall(rb"http://127\.0\.0\.1/a/([\w.-]{20,})", body)}
    assert links
    stored = b"".join(path.read_bytes() for path in night.folder.glob("journal.db*"))
    assert not any(link in stored or link.decode() in night.log for link in links)


@pytest.mark.parametrize("command", ["dead-letters", "calls", "audit", "status", "check"])
def test_no_command_prints_one(night: Night, command: str) -> None:
    said = CliRunner().invoke(app, [command, str(night.folder / "site.toml")])
    assert said.output
    assert [name for name, secret in night.secrets.items() if secret.strip() in said.output] == []
