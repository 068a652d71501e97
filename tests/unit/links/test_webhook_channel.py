"""Calls by webhook, against a real HTTP(S) receiver: signed, known for repeats, judged by the answer."""

from __future__ import annotations

import json
import logging
from pathlib import Path
from typing import Any

import pytest

from motewatch.links.channels import Channel, open_channel
from motewatch.links.channels.signature import verify
from motewatch.links.channels.webhook import retry_after_s
from motewatch.links.errors import ChannelAwayError, ChannelRefusedError, LinkSettingsError
from motewatch.links.logs import LineFormatter
from motewatch.site.people import WebhookChannel
from motewatch.wire.messages import PersonCallMessage
from motewatch.wire.topics import Topics
from support.calls import LINK, NOBODY, T0, message
from support.certificates import Certificates, make_certificates
from support.http_fake import FakeHttp
from support.links_fakes import FakeClock
from support.rude import Rude, dripping, in_turn, silent
from support.servers import free_port

KEY = "a-key-of-the-receiver-0123456789"
ENOUGH_S = 30.0
SOON_S = 0.5


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    secret = tmp_path / "hook.secret"
    secret.write_text(KEY + "\n")
    secret.chmod(0o600)
    return tmp_path


def channel(url: str, folder: Path, **settings: Any) -> Channel:
    table = {"id": "hook", "kind": "webhook", "url": url, "key_file": "hook.secret", **settings}
    clock = FakeClock(T0)
    return open_channel(WebhookChannel.model_validate(table), folder, NOBODY, clock, Topics("motewatch/v1", "hall-3"))


def answering(status: int, body: bytes = b"", **headers: str) -> FakeHttp:
    return FakeHttp(lambda *_: (status, body, {name.replace("_", "-"): value for name, value in headers.items()}))


@pytest.mark.parametrize("status", [200, 201, 202, 204, 299])
def test_a_call_is_posted_signed_and_named(folder: Path, status: int) -> None:
    with answering(status) as receiver:
        channel(f"{receiver.url}/in?team=air", folder).send(message(urgent=True, maybe_repeat=True), ENOUGH_S)
        ((method, path, headers, body),) = receiver.requests
    assert (method, path) == ("POST", "/in?team=air")
    assert headers["Content-Type"] == "application/json"
    assert headers["Idempotency-Key"] == "call-1"
    assert headers["Motewatch-Timestamp"] == str(T0 // 1_000_000)
    now_s = T0 // 1_000_000
    signature = headers["Motewatch-Signature"]
    assert verify(KEY.encode(), headers["Motewatch-Timestamp"], signature, body, now_s)
    assert not verify(b"another key", headers["Motewatch-Timestamp"], signature, body, now_s)
    call = PersonCallMessage.model_validate_json(body)
    assert (call.id, call.person, call.address, call.link) == ("call-1", "ada", "ada@example.org", LINK)
    assert call.urgent
    assert call.maybe_repeat
    (alarm,) = json.loads(body)["alarms"]
    assert (alarm["value"], alarm["limit"], alarm["unit"], alarm["state"]) == (14210, 3520, "/m3", "unacknowledged")


def test_a_repeat_has_the_same_key(folder: Path) -> None:
    with answering(200) as receiver:
        way = channel(receiver.url, folder)
        way.send(message(), ENOUGH_S)
        way.send(message(), ENOUGH_S)
        assert [headers["Idempotency-Key"] for _, _, headers, _ in receiver.requests] == ["call-1", "call-1"]


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504, 599])
def test_worth_another_try(folder: Path, status: int) -> None:
    with answering(status, b"not now", Retry_After="17") as receiver, pytest.raises(ChannelAwayError) as caught:
        channel(receiver.url, folder).send(message(), ENOUGH_S)
    assert f"answered {status}: not now" in str(caught.value)
    assert caught.value.retry_after_s == 17
    assert caught.value.may_have_arrived == (status in (502, 504))


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308, 400, 401, 403, 404, 405, 409, 410, 413, 422])
def test_final(folder: Path, status: int) -> None:
    with answering(200) as other, answering(status, b"no", Location=f"{other.url}/x") as receiver:
        with pytest.raises(ChannelRefusedError, match=f"answered {status}"):
            channel(receiver.url, folder).send(message(), ENOUGH_S)
        assert other.requests == []
        assert len(receiver.requests) == 1


@pytest.mark.parametrize(
    ("header", "wait_s"),
    [
        (None, None),
        ("0", 0.0),
        ("120", 120.0),
        ("99999999999999999999", 86_400.0),
        ("Thu, 28 May 2026 20:28:00 GMT", 60.0),
        ("Thu, 28 May 2026 20:00:00 GMT", 0.0),
        ("Thu, 28 May 2026 20:28:00 -0000", 60.0),
        ("soon", None),
        ("-1", None),
        ("١٢", None),
        ("", None),
    ],
)
def test_retry_after(header: str | None, wait_s: float | None) -> None:
    assert retry_after_s(header, T0) == wait_s


def test_https_with_an_own_authority(certificates: Certificates, folder: Path, tmp_path: Path) -> None:
    other = make_certificates(tmp_path, name="other")
    with FakeHttp(lambda *_: (200, b""), certificates) as receiver:
        channel(receiver.url, folder, ca_file=str(certificates.ca)).send(message(), ENOUGH_S)
        for settings in ({"ca_file": str(other.ca)}, {}):
            with pytest.raises(ChannelRefusedError, match="certificate that does not hold"):
                channel(receiver.url, folder, **settings).send(message(), ENOUGH_S)
        assert len(receiver.requests) == 1


def test_a_receiver_that_speaks_no_tls(folder: Path) -> None:
    with answering(200) as receiver, pytest.raises(ChannelRefusedError, match="does not speak TLS"):
        channel(receiver.url.replace("http:", "https:"), folder).send(message(), ENOUGH_S)


def test_nobody_there(folder: Path) -> None:
    with pytest.raises(ChannelAwayError, match="refuses connections") as caught:
        channel(f"http://127.0.0.1:{free_port()}/", folder).send(message(), ENOUGH_S)
    assert not caught.value.may_have_arrived
    with pytest.raises(ChannelAwayError, match=r"the name 'hook\.invalid' is not known"):
        channel("https://hook.invalid/", folder).send(message(), ENOUGH_S)


@pytest.mark.parametrize(
    "script",
    [
        silent,
        dripping(),
        dripping(b"HTTP/1.1 200 OK\r\n", b"X-More: x\r\n"),
        dripping(b"HTTP/1.1 500 Oh\r\nContent-Length: 1000000\r\n\r\n"),
    ],
    ids=["silent", "dripping", "headers-without-end", "body-without-end"],
)
def test_a_receiver_that_holds_us_is_left_at_the_deadline(folder: Path, script: Any) -> None:
    # On a busy machine it may not all be sent within the first of these.
    for deadline_s in (SOON_S, 4.0, ENOUGH_S):
        with Rude(script) as server, pytest.raises(ChannelAwayError, match=f"within {deadline_s:g} s") as caught:
            channel(f"http://127.0.0.1:{server.port}/", folder).send(message(), deadline_s)
        if caught.value.may_have_arrived:
            break
    assert caught.value.may_have_arrived


def test_a_handshake_without_end_is_left_at_the_deadline(folder: Path) -> None:
    with Rude(silent) as server, pytest.raises(ChannelAwayError) as caught:
        channel(f"https://127.0.0.1:{server.port}/", folder).send(message(), SOON_S)
    assert not caught.value.may_have_arrived


def test_a_receiver_that_vanishes_or_talks_nonsense(folder: Path) -> None:
    def vanish(connection: Any, over: Any) -> None:
        connection.recv(65_536)

    for script in (vanish, in_turn(b"", b"220 mail.example.org\r\n")):
        with Rude(script) as server, pytest.raises(ChannelAwayError) as caught:
            channel(f"http://127.0.0.1:{server.port}/", folder).send(message(), ENOUGH_S)
        assert caught.value.may_have_arrived


def test_a_success_is_not_kept_waiting_for_its_body(folder: Path) -> None:
    with Rude(in_turn(b"", b"HTTP/1.1 200 OK\r\nContent-Length: 1000000\r\n\r\nx")) as server:
        channel(f"http://127.0.0.1:{server.port}/", folder).send(message(), ENOUGH_S)


def test_no_secret_is_shown_anywhere(folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    echo = f"key {KEY}, link {LINK}, no hook token-in-the-path for t0ken-in-the-query".encode()
    with answering(403, echo) as receiver:
        way = channel(f"{receiver.url}/hooks/token-in-the-path?for=t0ken-in-the-query", folder)
        with pytest.raises(ChannelRefusedError) as caught:
            way.send(message(), ENOUGH_S)
    logging.getLogger("motewatch.test").debug("%s", way, exc_info=caught.value)
    lines = "\n".join(LineFormatter().format(record) for record in caplog.records)
    assert "check key_file" in lines
    for text in (str(caught.value), repr(vars(caught.value)), lines):
        for secret in (KEY, LINK, LINK.rsplit("/", 1)[1], "token-in-the-path", "t0ken-in-the-query"):
            assert secret not in text


def test_a_body_without_end_is_not_read_to_its_end(folder: Path) -> None:
    with answering(400, b"x" * 5_000_000) as receiver, pytest.raises(ChannelRefusedError) as caught:
        channel(receiver.url, folder).send(message(), ENOUGH_S)
    assert len(str(caught.value)) < 300


def test_settings_that_cannot_be_used(folder: Path) -> None:
    with pytest.raises(LinkSettingsError, match=r"none\.secret"):
        channel("https://hook.example/", folder, key_file="none.secret")
    with pytest.raises(LinkSettingsError, match=r"none\.pem"):
        channel("https://hook.example/", folder, ca_file="none.pem")
