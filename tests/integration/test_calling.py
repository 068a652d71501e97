"""Whole calls with the real service: broker, journal, engine, channels, receivers, and the link on the way back.

The calls are the weekly test calls, because they come by the clock alone, and those of an alarm.
"""

from __future__ import annotations

import json
import re
import signal
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from motewatch.callout.records import Cause, Outcome
from motewatch.journal.rows import CallRow
from motewatch.links.channels.signature import IDEMPOTENCY, SIGNATURE, TIMESTAMP, sign
from motewatch.links.stray_calls import GONE
from support.certificates import Certificates, make_certificates
from support.command_line import write_site
from support.http_fake import Answer, FakeHttp
from support.live import (
    ABOVE,
    ACTION,
    STOP_S,
    TOPICS,
    Program,
    ask,
    live_site,
    serving,
    soon,
    spot,
    standing,
    until_said,
)
from support.mail import MailServer
from support.mqtt_peer import Peer
from support.rude import Rude, silent
from support.servers import Mosquitto, free_port, wait_until

pytestmark = pytest.mark.broker

KEY = "0123456789abcdef" * 4
SECRET = "k3y-of-the-dead-man"
SLACK_S = 2.0


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"), name="mail")


def site_with(folder: Path, broker: Mosquitto, *channels: dict[str, Any], **callout: Any) -> dict[str, Any]:
    """One person who is reached over these channels, in this order, when an alarm starts; and a page for the links."""
    for name in ("answer.key", "hook.key"):
        (folder / name).write_text(KEY)
        (folder / name).chmod(0o600)
    made = live_site({"port": broker.port})
    made["channels"] = list(channels)
    reach = [{"channel": channel["id"], "address": "ada@example.org"} for channel in channels]
    made["persons"] = [{"id": "ada", "name": "Ada Okafor", "reach": reach}]
    made["escalations"] = [{"id": "all", "priorities": ["high"], "steps": [{"after_min": 0, "tell": ["person:ada"]}]}]
    port = free_port()
    page = {"public_url": f"http://127.0.0.1:{port}", "key_file": "answer.key", "port": port}
    made["callout"] = {"answer_page": page, **callout}
    return made


def mail_channel(server: MailServer, certificates: Certificates, **more: Any) -> dict[str, Any]:
    return {
        "id": "mail",
        "kind": "e-mail",
        "host": "127.0.0.1",
        "port": server.port,
        "ca_file": str(certificates.ca),
        "sender": "air@example.org",
        **more,
    }


def hook_channel(url: str, id_: str = "hook", **more: Any) -> dict[str, Any]:
    return {"id": id_, "kind": "webhook", "url": url, "key_file": "hook.key", **more}


def calls(folder: Path) -> list[CallRow]:
    """The calls on record."""
    return ask(folder, lambda journal: journal.query_calls()) or []


def ends(folder: Path) -> list[tuple[Cause, str, Outcome | None]]:
    return [(row.told.cause, row.told.channel, row.outcome) for row in calls(folder)]


def waiting(folder: Path, channel: str) -> int:
    return ask(folder, lambda journal: journal.backlog(f"call/{channel}")) or 0


def link_in(text: str) -> str:
    (found,) = re.findall(r"http://127\.0\.0\.1:\d+/\S+", text)
    return str(found)


@contextmanager
def mail_server(certificates: Certificates, **more: Any) -> Iterator[MailServer]:
    with MailServer("starttls", certificates, **more) as server:
        yield server


# ---- test calls


def test_a_weekly_test_call_goes_out_over_every_way_and_is_confirmed_by_its_link(
    mosquitto: Mosquitto, certificates: Certificates, tmp_path: Path
) -> None:
    with (
        mail_server(certificates) as mail,
        FakeHttp(lambda *_: (200, b"")) as hook,
        httpx.Client(trust_env=False, timeout=20) as phone,
    ):
        site = site_with(tmp_path, mosquitto, mail_channel(mail, certificates), hook_channel(f"{hook.url}/call"))
        with serving(tmp_path, site, soon(site)):
            wait_until(lambda: mail.mails and hook.requests, "a mail and a webhook")
            (letter,), ((_, _, headers, body),) = mail.mails, hook.requests
            part = letter.get_body(("plain",))
            assert part is not None
            assert letter["To"] == "ada@example.org"
            assert letter["Subject"] == "Test call from Testing ground"
            said = json.loads(body)
            assert (said["cause"], said["maybe_repeat"]) == ("test", False)
            assert headers[IDEMPOTENCY] == said["id"]
            assert headers[SIGNATURE] == sign(KEY.encode(), int(headers[TIMESTAMP]), body)
            for link in (link_in(part.get_content()), said["link"]):
                assert phone.post(link, data={"act": "confirm"}).status_code == 200
                assert phone.post(link, data={"act": "confirm"}).status_code == 409
            wait_until(lambda: [row.outcome for row in calls(tmp_path)] == [Outcome.DELIVERED] * 2, "both on record")
            wait_until(lambda: waiting(tmp_path, "mail") + waiting(tmp_path, "hook") == 0, "both rows marked")
    assert {row.told.id for row in calls(tmp_path)} >= {said["id"]}
    assert [row.attempts for row in calls(tmp_path)] == [1, 1]
    assert standing(tmp_path) == []


def test_a_channel_that_refuses_raises_the_alarm_of_the_test_call(
    mosquitto: Mosquitto, certificates: Certificates, tmp_path: Path
) -> None:
    with mail_server(certificates, refuse={"ada@example.org": "550 5.1.1 no such mailbox"}) as mail:
        site = site_with(tmp_path, mosquitto, mail_channel(mail, certificates))
        with serving(tmp_path, site, soon(site)):
            wait_until(lambda: "callout/test/ada/mail" in standing(tmp_path), "the alarm")
    row = next(row for row in calls(tmp_path) if row.told.cause is Cause.TEST)
    assert row.outcome is Outcome.REFUSED
    assert row.detail is not None
    assert "550 5.1.1 no such mailbox" in row.detail


# ---- calls of an alarm


def test_an_alarm_is_told_by_mail_taken_by_the_link_and_that_is_told(
    mosquitto: Mosquitto, certificates: Certificates, tmp_path: Path
) -> None:
    with (
        mail_server(certificates) as mail,
        FakeHttp(lambda *_: (200, b"")) as hook,
        httpx.Client(trust_env=False, timeout=20) as phone,
        Peer(mosquitto.port, TOPICS.event) as peer,
    ):
        site = site_with(tmp_path, mosquitto, mail_channel(mail, certificates), hook_channel(hook.url))
        # Ben is told as well, to be told later who has taken it.
        site["persons"].append({"id": "ben", "name": "Ben Sato", "reach": [{"channel": "hook", "address": "ben"}]})
        site["escalations"][0]["steps"][0]["tell"].append("person:ben")
        with serving(tmp_path, site):
            peer.publish(*spot(1, ABOVE))
            wait_until(lambda: mail.mails and hook.requests, "both called")
            part = mail.mails[0].get_body(("plain",))
            assert part is not None
            text = part.get_content()
            assert "Needle side" in text
            assert "3520" in text.replace("\u202f", "").replace(" ", "").replace(",", "")
            link = link_in(text)
            page = phone.get(link)
            assert page.status_code == 200
            taken = phone.post(link, data={"act": "acknowledge", "comment": "on my way"})
            assert taken.status_code == 200
            until_said(peer, TOPICS.event, lambda event: event["alarm"] == ACTION and event["event"] == "acknowledge")
            wait_until(lambda: len(hook.requests) >= 2, "Ben told who has taken it")
            told = [json.loads(body) for _, _, _, body in hook.requests]
            assert [(one["person"], one["cause"]) for one in told] == [("ben", "raised"), ("ben", "taken")]
            assert "Ada Okafor" in told[1]["text"]
            assert "on my way" in told[1]["text"]
            wait_until(lambda: [row.outcome for row in calls(tmp_path)] == [Outcome.DELIVERED] * 3, "all on record")
    assert len(mail.mails) == 1, "who has taken it is not told so"


def test_the_next_way_is_tried_when_one_refuses(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with (
        FakeHttp(lambda *_: (404, b"")) as broken,
        FakeHttp(lambda *_: (200, b"")) as hook,
        Peer(mosquitto.port) as peer,
    ):
        site = site_with(tmp_path, mosquitto, hook_channel(broken.url, "broken"), hook_channel(hook.url))
        with serving(tmp_path, site):
            peer.publish(*spot(1, ABOVE))
            wait_until(lambda: len(calls(tmp_path)) == 2 and calls(tmp_path)[1].outcome, "the second way")
    assert ends(tmp_path) == [
        (Cause.RAISED, "broken", Outcome.REFUSED),
        (Cause.OTHER_WAY, "hook", Outcome.DELIVERED),
    ]


def test_a_channel_that_hangs_holds_up_no_other_no_reading_and_no_stop(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with (
        Rude(silent) as rude,
        FakeHttp(lambda *_: (200, b"")) as hook,
        Peer(mosquitto.port, TOPICS.event) as peer,
    ):
        hangs = hook_channel(f"http://127.0.0.1:{rude.port}/", "hangs", timeout_s=100.0)
        site = site_with(tmp_path, mosquitto, hangs, hook_channel(hook.url))
        site["persons"].append({"id": "ben", "name": "Ben Sato", "reach": [{"channel": "hook", "address": "ben"}]})
        site["escalations"][0]["steps"][0]["tell"].append("person:ben")
        with Program(write_site(tmp_path, site)) as program:
            peer.publish(*spot(1, ABOVE))
            wait_until(lambda: rude.connections and hook.requests, "both tried")
            peer.publish(*spot(2))
            until_said(peer, TOPICS.event, lambda event: event["alarm"] == ACTION and event["event"] == "returns")
            wait_until(lambda: len(hook.requests) >= 2, "Ben told that it is over")
            assert rude.connections <= 2, "one try in each lane: the call, and that it is over"
            assert program.stop() < STOP_S + SLACK_S
        assert "left behind" not in program.log()
        assert waiting(tmp_path, "hangs") >= 1
        unknown = [row.told.channel for row in calls(tmp_path) if row.outcome is None]
        assert set(unknown) == {"hangs"}


class Taking:
    """A receiver that takes a call and does not say so, until it is let."""

    def __init__(self) -> None:
        self.answers = threading.Event()
        self.calls: list[dict[str, Any]] = []

    def __call__(self, method: str, path: str, headers: dict[str, str], body: bytes) -> Answer:
        self.calls.append(json.loads(body))
        self.answers.wait(60)
        return 200, b""


def test_a_call_under_way_at_a_crash_comes_again_under_its_id_and_says_so(mosquitto: Mosquitto, tmp_path: Path) -> None:
    taking = Taking()
    with FakeHttp(taking) as hook, Peer(mosquitto.port) as peer, ExitStack() as undo:
        undo.callback(taking.answers.set)
        site = site_with(tmp_path, mosquitto, hook_channel(hook.url, timeout_s=100.0))
        with Program(write_site(tmp_path, site)) as program:
            peer.publish(*spot(1, ABOVE))
            wait_until(lambda: taking.calls, "a call")
            program.kill()
            taking.answers.set()
            program.start()
            wait_until(lambda: [row.outcome for row in calls(tmp_path)] == [Outcome.DELIVERED], "its outcome")
            program.stop()
    first, again = taking.calls
    assert (first["id"], first["maybe_repeat"]) == (again["id"], False)
    assert again["maybe_repeat"] is True


def test_a_call_over_a_channel_that_is_gone_is_refused_and_goes_another_way(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    with FakeHttp(lambda *_: (200, b"")) as hook, Peer(mosquitto.port) as peer:
        away = hook_channel(f"http://127.0.0.1:{free_port()}/", "gone")
        site = site_with(tmp_path, mosquitto, away, hook_channel(hook.url))
        with serving(tmp_path, site):
            peer.publish(*spot(1, ABOVE))
            wait_until(lambda: waiting(tmp_path, "gone"), "a call that cannot be delivered")
        site["channels"] = site["channels"][1:]
        site["persons"][0]["reach"] = site["persons"][0]["reach"][1:]
        with serving(tmp_path, site):
            wait_until(lambda: len(calls(tmp_path)) == 2 and calls(tmp_path)[1].outcome, "the other way")
            wait_until(lambda: not waiting(tmp_path, "gone"), "the row marked")
    first, second = calls(tmp_path)
    assert (first.outcome, first.detail) == (Outcome.REFUSED, GONE)
    assert (second.told.channel, second.outcome) == ("hook", Outcome.DELIVERED)


def test_channels_of_a_changed_site_file_wait_for_the_next_start(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with FakeHttp(lambda *_: (200, b"")) as hook:
        site = site_with(tmp_path, mosquitto, hook_channel(hook.url))
        with Program(write_site(tmp_path, site)) as program:
            site["channels"][0]["per_minute"] = 5
            write_site(tmp_path, site)
            program.signal(signal.SIGHUP)
            program.wait_for_line("channel, dead-man")
            program.stop()


# ---- the signal to the outside


def test_the_dead_man_signal_goes_out_and_its_url_is_in_no_log(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with FakeHttp(lambda *_: (200, b"")) as outside:
        site = site_with(tmp_path, mosquitto, dead_man={"url_file": "dead-man.url", "every_s": 10})
        (tmp_path / "dead-man.url").write_text(f"{outside.url}/{SECRET}")
        (tmp_path / "dead-man.url").chmod(0o600)
        site["persons"], site["escalations"] = [], []
        with Program(write_site(tmp_path, site), level="debug") as program:
            wait_until(lambda: outside.requests, "the signal")
            assert program.stop() < STOP_S + SLACK_S
        assert [path for _, path, _, _ in outside.requests] == [f"/{SECRET}"]
        assert SECRET not in program.log()
        assert SECRET.encode() not in (tmp_path / "journal.db").read_bytes()
