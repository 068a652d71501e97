"""The page's server: ports, TLS, what is said when it cannot start, and its end."""

from __future__ import annotations

import asyncio
import socket
import ssl
import threading
import time
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
from starlette.types import Receive, Scope, Send

from motewatch.links.errors import LinkSettingsError
from motewatch.web.server import HEAD_BYTES, Line, PageServer, line_of
from support.authority import Authority, put
from support.certificates import make_certificates


async def hello(scope: Scope, receive: Receive, send: Send) -> None:
    """The smallest application."""
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": scope["client"][0].encode()})


def test_two_run_side_by_side_on_ports_of_their_own_and_end() -> None:
    one, two = PageServer(hello, "127.0.0.1", 0), PageServer(hello, "127.0.0.1", 0)
    one.start()
    two.start()
    assert one.port != two.port
    for server in (one, two):
        assert httpx.get(f"http://127.0.0.1:{server.port}/", trust_env=False).text == "127.0.0.1"
        port = server.port
        assert server.stop(5.0)
        with pytest.raises(OSError, match="refused"):
            socket.create_connection(("127.0.0.1", port), timeout=5)
    assert not [thread for thread in threading.enumerate() if thread.name == "answer-page"]


def test_a_server_that_was_not_started_is_stopped_already() -> None:
    assert PageServer(hello, "127.0.0.1", 0).stop(1.0)


def test_a_port_in_use_is_named_with_its_key() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(LinkSettingsError, match=f"cannot listen on 127.0.0.1:{port}") as caught:
            PageServer(hello, "127.0.0.1", port).start()
    assert caught.value.key == "callout.answer_page.port"
    assert "free port" in caught.value.mend


def test_a_certificate_that_is_none_is_named_with_its_key(tmp_path: Path) -> None:
    wrong = tmp_path / "cert.pem"
    wrong.write_text("no certificate")
    for file in (wrong, tmp_path / "missing.pem"):
        with pytest.raises(LinkSettingsError) as caught:
            PageServer(hello, "127.0.0.1", 0, file, file).start()
        assert caught.value.key == "callout.answer_page.cert_file"


def test_it_speaks_tls(tmp_path: Path) -> None:
    certificates = make_certificates(tmp_path)
    server = PageServer(hello, "127.0.0.1", 0, certificates.server, certificates.key)
    server.start()
    try:
        context = ssl.create_default_context(cafile=str(certificates.ca))
        with httpx.Client(verify=context, trust_env=False) as client:
            assert client.get(f"https://127.0.0.1:{server.port}/").status_code == 200
    finally:
        assert server.stop(5.0)


def test_a_new_certificate_is_shown_without_a_restart(tmp_path: Path) -> None:
    authority, certificate, key = Authority(), tmp_path / "page.crt", tmp_path / "page.key"
    put(tmp_path / "ca.crt", authority.certificate)
    context = ssl.create_default_context(cafile=str(tmp_path / "ca.crt"))
    authority.issue(certificate, key, until=timedelta(days=3))
    server = PageServer(hello, "127.0.0.1", 0, certificate, key)
    server.start()

    def days() -> int:
        """How long the certificate holds that it shows."""
        with (
            socket.create_connection(("127.0.0.1", server.port), timeout=10) as plain,
            context.wrap_socket(plain, server_hostname="localhost") as line,
        ):
            shown = line.getpeercert()
        assert shown is not None
        return round((ssl.cert_time_to_seconds(str(shown["notAfter"])) - time.time()) / 86_400)

    try:
        assert days() == 3
        authority.issue(certificate, key, until=timedelta(days=90))
        assert server.renew_certificate()
        assert days() == 90
        # A key that is not the certificate's leaves what is shown as it was.
        authority.issue(tmp_path / "other.crt", key, until=timedelta(days=9))
        assert not server.renew_certificate()
        assert days() == 90
    finally:
        assert server.stop(5.0)
    assert not PageServer(hello, "127.0.0.1", 0).renew_certificate()


def test_a_head_without_end_is_cut_off() -> None:
    server = PageServer(hello, "127.0.0.1", 0)
    server.start()
    try:
        with socket.create_connection(("127.0.0.1", server.port), timeout=10) as connection:
            connection.sendall(b"GET / HTTP/1.1\r\nX: " + b"x" * (2 * HEAD_BYTES))
            assert connection.recv(100).startswith(b"HTTP/1.1 400")
    finally:
        assert server.stop(5.0)


async def endless(scope: Scope, receive: Receive, send: Send) -> None:
    """Begins by the library, goes on straight to the connection, and ends by the library."""
    line = line_of(scope)
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"first", "more_body": True})
    if line is not None:
        assert line.free
        line.write(b", second" * 100)
    await send({"type": "http.response.body", "body": b", last", "more_body": False})


@pytest.mark.parametrize("tls", [False, True])
def test_an_answer_goes_on_straight_to_the_connection_and_another_one_follows(tmp_path: Path, tls: bool) -> None:
    made = make_certificates(tmp_path)
    server = PageServer(endless, "127.0.0.1", 0, *((made.server, made.key) if tls else ()))
    server.start()
    url = f"{'https' if tls else 'http'}://127.0.0.1:{server.port}/"
    verify = ssl.create_default_context(cafile=made.ca) if tls else True
    with httpx.Client(trust_env=False, verify=verify) as client:
        for _ in range(2):
            assert client.get(url).text == f"first{', second' * 100}, last"
        # Neither has chunks of a body.
        assert client.head(url).text == ""
        assert client.get(url).text.count("second") == 100
    assert server.stop(5.0)


def test_an_old_client_that_knows_no_chunks_gets_the_answer_by_the_library_alone() -> None:
    server = PageServer(endless, "127.0.0.1", 0)
    server.start()
    with socket.create_connection(("127.0.0.1", server.port), timeout=20) as client:
        client.sendall(b"GET / HTTP/1.0\r\n\r\n")
        said = b""
        while piece := client.recv(4096):
            said += piece
    assert said.endswith(b"\r\n\r\nfirst, last")
    assert server.stop(5.0)


class Transport(asyncio.Transport):
    """One on which so many bytes still wait."""

    def __init__(self, waiting: int = 0, closing: bool = False) -> None:
        super().__init__()
        self._waiting, self._closing = waiting, closing

    def get_write_buffer_size(self) -> int:
        return self._waiting

    def is_closing(self) -> bool:
        return self._closing


def test_who_is_slow_or_gone_is_not_free() -> None:
    assert Line(Transport()).free
    assert not Line(Transport(waiting=1)).free
    assert not Line(Transport(closing=True)).free
