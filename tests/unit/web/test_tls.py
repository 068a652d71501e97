"""TLS of the console and the answer page, tried from outside with `openssl s_client`: old versions are refused.

The client is made to offer what its own settings would hold back, and a server of ours that takes everything shows that
it does: else a refusal could be the client's own.
"""

from __future__ import annotations

import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.applications import Starlette

from motewatch.web.server import PageServer
from support.certificates import Certificates, make_certificates
from support.missing import find_program

OLD = ("-tls1", "-tls1_1")
NEW = ("-tls1_2", "-tls1_3")


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("tls"))


@pytest.fixture(scope="module", params=["console", "callout.answer_page"])
def page(request: pytest.FixtureRequest, certificates: Certificates) -> Iterator[int]:
    """The port of a page, served as the console and the answer page are."""
    server = PageServer(Starlette(), "127.0.0.1", 0, certificates.server, certificates.key, key=request.param)
    server.start()
    yield server.port
    assert server.stop(10.0)


def agreed(port: int, ca: Path, *options: str) -> str:
    """The protocol that client and server agreed on; empty where they did not."""
    done = subprocess.run(
        [find_program("openssl"), "s_client", "-connect", f"127.0.0.1:{port}", "-CAfile", ca, "-verify_return_error",
         "-cipher", "ALL:@SECLEVEL=0", *options],
        input=b"",
        capture_output=True,
        timeout=60,
    )  # fmt: skip
    said = done.stdout.decode(errors="replace")
    for line in said.splitlines():
        if line.startswith("New, TLSv") and "Cipher is (NONE)" not in line:
            return line
    return ""


def test_the_client_does_offer_old_versions(certificates: Certificates) -> None:
    """Else the tests below could not fail."""
    lax = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    with pytest.warns(DeprecationWarning, match="TLSv1 is deprecated"):
        lax.minimum_version = ssl.TLSVersion.TLSv1
    lax.set_ciphers("ALL:@SECLEVEL=0")
    lax.load_cert_chain(certificates.server, certificates.key)
    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(60)

        def serve() -> None:
            for _ in OLD:
                accepted, _peer = listening.accept()
                try:
                    with lax.wrap_socket(accepted, server_side=True) as talk:
                        talk.recv(100)
                except OSError:
                    accepted.close()

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            for version in OLD:
                assert agreed(listening.getsockname()[1], certificates.ca, version), version
        finally:
            thread.join(60)


@pytest.mark.parametrize("version", OLD)
def test_an_old_version_is_refused(page: int, certificates: Certificates, version: str) -> None:
    assert agreed(page, certificates.ca, version) == ""


@pytest.mark.parametrize("version", NEW)
def test_a_new_version_is_taken_with_the_servers_certificate_verified(
    page: int, certificates: Certificates, version: str
) -> None:
    assert agreed(page, certificates.ca, version)


@pytest.mark.parametrize("ciphers", ["aNULL", "eNULL"])
def test_ciphers_without_proof_or_secrecy_are_refused(page: int, certificates: Certificates, ciphers: str) -> None:
    assert agreed(page, certificates.ca, "-tls1_2", "-cipher", f"{ciphers}:@SECLEVEL=0") == ""


def test_plain_http_on_the_tls_port_gets_no_page(page: int) -> None:
    with socket.create_connection(("127.0.0.1", page), timeout=20) as line:
        line.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        try:
            answer = line.recv(1000)
        except ConnectionResetError:
            answer = b""
    assert b"HTTP/1.1" not in answer
