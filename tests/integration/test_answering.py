"""Calls answered from a phone, with the real service: broker, journal, engine and page, over HTTP and over TLS.

The calls here are the weekly test calls, because they come by the clock alone.
"""

from __future__ import annotations

import ssl
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import httpx
import pytest

from motewatch.callout.answers import TEST
from motewatch.callout.records import Cause, Told
from motewatch.engine.records import Act, Answered, Output, Replied
from motewatch.service import Service
from motewatch.wire.records import MINUTE_US
from support.certificates import make_certificates
from support.command_line import run, write_site
from support.crash_checks import outputs_of
from support.live import (
    ABOVE,
    ACTION,
    EVERYTHING,
    TOPICS,
    ShiftedClock,
    ask,
    live_site,
    now_us,
    said,
    serving,
    soon,
    spot,
    steps,
    until_said,
)
from support.mqtt_peer import Peer
from support.servers import Mosquitto, free_port, wait_until

pytestmark = pytest.mark.broker

KEY = "0123456789abcdef" * 4
WAY = "callout/test/ada/desk"
OUT_OF_USE = "service/out-of-use/answer-page"


def people(broker: Mosquitto, **page: Any) -> dict[str, Any]:
    """A facility with one person who can be called, and a page on a free port."""
    made = live_site({"port": broker.port})
    made["channels"] = [{"id": "desk", "kind": "mqtt"}]
    made["persons"] = [
        {"id": "ada", "name": "Ada", "reach": [{"channel": "desk", "address": "ada"}]},
        {"id": "ben", "name": "Ben"},
    ]
    made["escalations"] = [{"id": "all", "steps": [{"after_min": 0, "tell": ["person:ada"]}]}]
    settings = {"public_url": "http://127.0.0.1/a", "key_file": "answer.key", "port": 0}
    made["callout"] = {"answer_page": {**settings, **page}}
    return made


@contextmanager
def called(folder: Path, site: dict[str, Any]) -> Iterator[tuple[Service, Told]]:
    """The service, and the test call that it has just made."""
    (folder / "answer.key").write_text(KEY)
    with serving(folder, site, soon(site)) as service:
        yield service, wait_until(lambda: test_call(folder), "the test call")


def test_call(folder: Path) -> Told | None:
    """The first test call on record."""
    outputs = ask(folder, lambda journal: list(outputs_of(journal))) or []
    return next((one for one in outputs if isinstance(one, Told) and one.cause is Cause.TEST), None)


test_call.__test__ = False  # type: ignore[attr-defined]


def link(service: Service, told: Told) -> str:
    """The link of a call, as a phone on this machine opens it."""
    made = service.answering.signer.link_for(told, told.found_us)
    assert made is not None
    return made.replace("127.0.0.1/a", f"127.0.0.1:{service.answering.port}")


def audit(folder: Path) -> list[tuple[str, str, str]]:
    rows = ask(folder, lambda journal: journal.query_audit()) or []
    return [(row.by, row.action, row.subject) for row in rows if row.action != "configuration"]


def test_a_test_call_is_looked_at_and_confirmed_by_its_link_once(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with called(tmp_path, people(mosquitto)) as (service, told), httpx.Client(trust_env=False, timeout=20) as phone:
        url = link(service, told)
        for _ in range(3):
            assert "Did this call reach you?" in phone.get(url).text
        assert audit(tmp_path) == []
        answer = phone.post(url, data={"act": "confirm"})
        assert answer.status_code == 200
        assert "Thank you" in answer.text
        # What the phone was told is on record: it was told after the commit.
        assert audit(tmp_path) == [
            ("ada", "confirm-test", told.answer.removeprefix(TEST)),
            ("ada", "answer-by-link", told.id),
        ]
        again = phone.post(url, data={"act": "confirm"})
        assert again.status_code == 409
        assert "This link has been used already" in again.text
        assert audit(tmp_path)[2:] == [("ada", "refused", told.answer.removeprefix(TEST))]


def test_a_used_link_stays_used_over_a_restart(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = people(mosquitto, port=free_port())
    with called(tmp_path, site) as (service, told), httpx.Client(trust_env=False, timeout=20) as phone:
        url = link(service, told)
        assert phone.post(url, data={"act": "confirm"}).status_code == 200
    with serving(tmp_path, site, ShiftedClock(70)), httpx.Client(trust_env=False, timeout=20) as phone:
        assert phone.get(url).status_code == 200
        assert phone.post(url, data={"act": "confirm"}).status_code == 409
    assert [action for _, action, _ in audit(tmp_path)] == ["confirm-test", "answer-by-link", "refused"]


def test_a_test_call_is_confirmed_on_the_command_line_by_the_right_person_only(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    site = people(mosquitto)
    with called(tmp_path, site) as (_, told), Peer(mosquitto.port, EVERYTHING) as peer:
        path, test = tmp_path / "site.toml", told.answer.removeprefix(TEST)
        assert path.exists()
        for by in ("Ben", "a stranger"):
            wrong = run("confirm-test", path, test, "--by", by, "--wait", "20")
            assert (wrong.exit_code, wrong.stdout) == (1, "")
            assert "only Ada can confirm it" in wrong.stderr
        right = run("confirm-test", path, test, "--by", "Ada", "--wait", "20")
        assert (right.exit_code, right.stdout) == (0, "the test call to Ada over desk is confirmed\n")
        assert peer is not None


def test_guessing_is_on_record(mosquitto: Mosquitto, tmp_path: Path) -> None:
    (tmp_path / "answer.key").write_text(KEY)
    with (
        Peer(mosquitto.port, EVERYTHING) as peer,
        serving(tmp_path, people(mosquitto)) as service,
        httpx.Client(trust_env=False, timeout=20) as stranger,
    ):
        base = f"http://127.0.0.1:{service.answering.port}"
        answers = [stranger.get(f"{base}/AQ{number:030d}").status_code for number in range(25)]
        assert answers[0] == 404
        assert answers[-1] == 429
        service.answering.tell_of_guesses()
        alarm = until_said(peer, TOPICS.alarm("service/links-guessed"), lambda one: True)
        assert alarm["priority"] == "low"
        assert alarm["text"] == "25 wrong links were tried on the answer page, from 1 addresses"
        assert audit(tmp_path) == [("answer-page", "links-guessed", "answer-page")]
        assert said(peer, TOPICS.service)


def test_the_page_speaks_tls_with_its_own_certificate(mosquitto: Mosquitto, tmp_path: Path) -> None:
    certificates = make_certificates(tmp_path)
    site = people(
        mosquitto,
        public_url="https://127.0.0.1/a",
        cert_file=certificates.server.name,
        cert_key_file=certificates.key.name,
    )
    with called(tmp_path, site) as (service, told):
        context = ssl.create_default_context(cafile=str(certificates.ca))
        with httpx.Client(verify=context, trust_env=False, timeout=20) as phone:
            answer = phone.get(link(service, told))
            assert answer.status_code == 200
            assert answer.headers["strict-transport-security"] == "max-age=31536000"


@pytest.mark.parametrize(
    ("key", "words"),
    [(None, "cannot be read"), ("too-few", "shorter than 32"), ("a" * 64, "could be guessed")],
    ids=["missing", "short", "poor"],
)
def test_with_a_key_that_is_none_the_page_alone_is_out_of_use(
    mosquitto: Mosquitto, tmp_path: Path, key: str | None, words: str
) -> None:
    if key is not None:
        (tmp_path / "answer.key").write_text(key)
    assert_out_of_use(tmp_path, people(mosquitto), words, key)


def test_a_port_in_use_leaves_the_page_alone_out_of_use(mosquitto: Mosquitto, tmp_path: Path) -> None:
    (tmp_path / "answer.key").write_text(KEY)
    site = people(mosquitto)
    with serving(tmp_path, site) as first:
        other = tmp_path / "other"
        other.mkdir()
        (other / "answer.key").write_text(KEY)
        site["site"]["id"] = "other"
        site["callout"]["answer_page"]["port"] = first.answering.port
        assert_out_of_use(other, site, "cannot listen on", KEY)


def assert_out_of_use(folder: Path, site: dict[str, Any], words: str, key: str | None) -> None:
    """The service runs without the page, and an alarm says why, without the key."""
    with Service(write_site(folder, site)):
        wait_until(lambda: steps(folder, OUT_OF_USE), "the alarm of the page")
    first = steps(folder, OUT_OF_USE)[0]
    assert words in first.text
    assert key is None or key not in first.text


def test_names_and_lengths_of_shelving_are_taken_over_by_a_reload(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = people(mosquitto)
    with called(tmp_path, site) as (service, told), httpx.Client(trust_env=False, timeout=20) as phone:
        url = link(service, told)
        assert "For Ada." in phone.get(url).text
        site["persons"][0]["name"] = "Ada of the night"
        write_site(tmp_path, site)
        assert service.reload()
        assert "For Ada of the night." in phone.get(url).text


def test_an_alarm_is_taken_and_then_shelved_by_answers_and_the_world_is_told(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    (tmp_path / "answer.key").write_text(KEY)
    with Peer(mosquitto.port, EVERYTHING) as peer, serving(tmp_path, people(mosquitto)) as service:
        peer.publish(*spot(0, ABOVE))
        until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "unacknowledged")
        expires_us = now_us() + MINUTE_US

        def answer(number: int, told: str, act: Act, minutes: int = 0, comment: str = "") -> Replied:
            heard: SimpleQueue[Sequence[Output]] = SimpleQueue()
            what = Answered(f"answer-{number}", told, expires_us, "ada", act, ACTION, minutes, comment)
            service.post(what, heard.put)
            return next(one for one in heard.get(timeout=20) if isinstance(one, Replied))

        assert answer(1, "call-1", Act.ACKNOWLEDGE).accepted
        state = until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "acknowledged")
        assert state["by"].lower() == "ada"
        again = answer(2, "call-1", Act.SHELVE, 30, "door seal")
        assert not again.accepted
        assert again.text.startswith("this link has been used already")
        assert answer(3, "call-2", Act.SHELVE, 30, "door seal").accepted
        state = until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "shelved")
        assert state["comment"] == "door seal"
        # Its reply goes out over MQTT as that of any command.
        assert said(peer, TOPICS.reply("answer-3"))[0]["accepted"]
