"""A start at night after which something is missing: counts and alarms are kept, and it is said what is out of use."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from motewatch.cli.app import app
from motewatch.service import Service
from support.command_line import write_site
from support.live import ABOVE, ACTION, EVERYTHING, TOPICS, Program, ask, live_site, revisions, spot, standing, steps
from support.mail import MailServer
from support.mqtt_peer import Peer
from support.servers import Mosquitto, free_port, wait_until

pytestmark = pytest.mark.broker

OUT = "service/out-of-use/"
PARTS = ["answer-page", "channel/mail", "console", "dead-man", "record-signature", "time-series"]


def test_monitoring_starts_without_what_it_can_do_without_and_says_so(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with MailServer(accounts={"air": "pass"}) as mail, Peer(mosquitto.port, EVERYTHING) as peer:
        site = live_site(
            {"port": mosquitto.port}, {"url": f"http://127.0.0.1:{free_port()}", "token_file": "missing.token"}
        )
        site["channels"] = [
            {
                "id": "mail",
                "kind": "e-mail",
                "host": "127.0.0.1",
                "port": mail.port,
                "tls": "none",
                "sender": "a@b.org",
                "username": "air",
                "password_file": "mail.password",
            },
            {"id": "bus", "kind": "mqtt"},
        ]
        reach = [{"channel": "mail", "address": "ada@example.org"}, {"channel": "bus", "address": "ada"}]
        site["persons"] = [{"id": "ada", "name": "Ada Okafor", "reach": reach}]
        site["escalations"] = [
            {"id": "all", "priorities": ["high"], "steps": [{"after_min": 0, "tell": ["person:ada"]}]}
        ]
        page = {"public_url": "http://127.0.0.1:1", "key_file": "missing.key", "port": free_port()}
        site["callout"] = {"answer_page": page, "dead_man": {"url_file": "missing.url"}}
        site["record"] = {"signing_key_file": "missing.pem"}
        site["console"] = {
            "public_url": "https://air.example.org",
            "port": free_port(),
            "cert_file": "missing.crt",
            "cert_key_file": "missing.key",
        }
        path = write_site(tmp_path, site)
        with Program(path) as program:
            wait_until(lambda: standing(tmp_path) == [f"{OUT}{part}" for part in PARTS], "an alarm for each part")
            peer.publish(*spot(0, ABOVE))
            wait_until(lambda: ACTION in standing(tmp_path), "the alarm of the air")
            assert len(revisions(tmp_path, "spot-1")) == 1
            # Mail is out of use, so each call comes over the next way.
            wait_until(lambda: {ACTION, f"{OUT}channel/mail"} <= called(peer), "both calls over the other way")
            first = steps(tmp_path, f"{OUT}channel/mail")[0]
            assert first.priority.value == "high"
            assert "the channel mail is out of use" in first.text
            assert "mail.password" in first.text
            details = [row.detail for row in ask(tmp_path, lambda journal: journal.query_calls()) or []]
            assert any("the channel is out of use" in (detail or "") for detail in details)
            log = program.log()
            assert log.count("a part of the service is out of use") == len(PARTS)
            assert "Traceback" not in log
            said = CliRunner().invoke(app, ["status", str(path)])
            assert "channels out of use: mail" in said.output
            assert "without: answer-page, console, dead-man, record-signature, time-series" in said.output
            checked = CliRunner().invoke(app, ["check", str(path)])
            assert "missing.token" in checked.output
            program.stop()
        # What the mail lacked is there at the next start: its alarm is over, the others stand.
        (tmp_path / "mail.password").write_text("pass")
        (tmp_path / "mail.password").chmod(0o600)
        with Service(path):
            wait_until(
                lambda: [step.event.value for step in steps(tmp_path, f"{OUT}channel/mail")] == ["starts", "returns"],
                "the end of the alarm",
            )
            wait_until(lambda: mail.mails, "the news of it by mail")
        assert [step.event.value for step in steps(tmp_path, f"{OUT}console")] == ["starts"]
        assert ask(tmp_path, lambda journal: journal.verify()) == []


def called(peer: Peer) -> set[str]:
    """Alarms of which Ada heard over the broker."""
    heard = [json.loads(each.payload) for each in peer.heard(TOPICS.call("ada"))]
    return {fact["alarm"] for each in heard for fact in each["alarms"]}
