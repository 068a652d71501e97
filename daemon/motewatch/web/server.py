"""An HTTP server in a thread of its own: started and stopped with the service, on a port that may be 0.

Rules: what can fail fails in `start`, with the key of the site file and how to mend it. Addresses of requests (they
hold tokens) are not logged. Bounded in everything a stranger can use up: connections, header bytes, idle time. Behind a
proxy on the same machine the client's address is the one that the proxy names. Must not know what is served.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
import threading
from pathlib import Path
from typing import Final

import h11
import uvicorn
from starlette.types import ASGIApp, Scope
from uvicorn.protocols.http.h11_impl import H11Protocol

from motewatch.links.errors import LinkSettingsError

log = logging.getLogger(__name__)

KEY: Final = "callout.answer_page"
START_S: Final = 10.0
CONNECTIONS: Final = 64
HEAD_S: Final = 10.0
HEAD_BYTES: Final = 16 * 1024
LINE: Final = "line"


class Line:
    """The connection under an answer without end: pieces of its body go straight to it, past the steps that the library
    takes for each. Only from the loop of the server, and after the answer has begun."""

    def __init__(self, transport: asyncio.Transport) -> None:
        self._transport = transport

    @property
    def free(self) -> bool:
        """Has everything so far left? Who is slow, or gone, is to be left out."""
        return not self._transport.is_closing() and not self._transport.get_write_buffer_size()

    def write(self, piece: bytes) -> None:
        """One chunk of the body, not an empty one (RFC 9112, 7.1)."""
        self._transport.write(b"%x\r\n%b\r\n" % (len(piece), piece))


def line_of(scope: Scope) -> Line | None:
    """That of a request; None where the body of its answer is not sent in chunks, or not sent."""
    chunked = scope["http_version"] == "1.1" and scope["method"] != "HEAD"
    found = scope.get("state", {}).get(LINE)
    return found if chunked and isinstance(found, Line) else None


class _Bounded(H11Protocol):
    """Closes a connection on which no whole head of a request comes in time: the library waits for ever."""

    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        # The library hands this to each request as its state.
        self.app_state = {**self.app_state, LINE: Line(transport)}
        self._late = self.loop.call_later(HEAD_S, transport.close)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._in_time()
        elif self._late is None:
            self._late = self.loop.call_later(HEAD_S, self.transport.close)

    def connection_lost(self, exc: Exception | None) -> None:
        self._in_time()
        super().connection_lost(exc)

    def _in_time(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None


class _Uvicorn(uvicorn.Server):
    """Says when it is up."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.up = threading.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self.up.set()


class PageServer:
    """Serves `app` on `host` and `port`, by TLS where it is given a certificate. Started once."""

    def __init__(
        self,
        app: ASGIApp,
        host: str,
        port: int,
        cert_file: Path | None = None,
        cert_key_file: Path | None = None,
        *,
        key: str = KEY,
        connections: int = CONNECTIONS,
    ) -> None:
        """`key`: the table of the site file that faults are told with."""
        self._key = key
        self._connections = connections
        self._app = app
        self._host = host
        self._wanted_port = port
        self._cert_file = cert_file
        self._cert_key_file = cert_key_file
        self._socket: socket.socket | None = None
        self._server: _Uvicorn | None = None
        self._tls: ssl.SSLContext | None = None
        self._thread: threading.Thread | None = None

    @property
    def port(self) -> int:
        """The port it listens on, once started."""
        assert self._socket is not None
        port: int = self._socket.getsockname()[1]
        return port

    def start(self) -> None:
        """Listen and serve. Raises `LinkSettingsError`."""
        config = uvicorn.Config(
            self._app,
            http=_Bounded,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=True,
            forwarded_allow_ips=["127.0.0.1", "::1"],
            limit_concurrency=self._connections,
            timeout_keep_alive=5,
            timeout_graceful_shutdown=1,
            h11_max_incomplete_event_size=HEAD_BYTES,
            ssl_certfile=None if self._cert_file is None else str(self._cert_file),
            ssl_keyfile=None if self._cert_key_file is None else str(self._cert_key_file),
        )
        # Its lines hold the addresses asked for. `access_log` alone leaves it to whatever handlers the logger has.
        logging.getLogger("uvicorn.access").disabled = True
        try:
            config.load()
        except (OSError, ssl.SSLError) as error:
            raise LinkSettingsError(
                f"{self._key}.cert_file",
                f"the certificate or its key cannot be used: {error}",
                "give a PEM file with the certificate (and its chain), and its key in cert_key_file",
            ) from None
        try:
            self._socket = _listen(self._host, self._wanted_port)
        except OSError as error:
            raise LinkSettingsError(
                f"{self._key}.port",
                f"cannot listen on {self._host}:{self._wanted_port}: {error.strerror or error}",
                "choose an address of this machine and a free port, or stop what uses it",
            ) from None
        self._tls = config.ssl
        self._server = _Uvicorn(config)
        self._thread = threading.Thread(target=self._server.run, args=([self._socket],), name=self._key, daemon=True)
        self._thread.start()
        if not self._server.up.wait(START_S):
            self.stop(1.0)
            raise LinkSettingsError(self._key, f"the page was not up within {START_S:g} s", "look into the log")

    def renew_certificate(self) -> bool:
        """Read certificate and key again for new connections. False where they cannot be used, or not yet: the old
        ones go on."""
        if self._tls is None or self._cert_file is None:
            return False
        try:
            # Tried on one of its own first: a certificate without its key would leave the server with neither.
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(self._cert_file, self._cert_key_file)
            self._tls.load_cert_chain(self._cert_file, self._cert_key_file)
        except (OSError, ssl.SSLError) as error:
            log.warning("%s: the new certificate cannot be used: %s; the old one is still shown", self._key, error)
            return False
        log.info("%s: the new certificate is shown from now on", self._key)
        return True

    def stop(self, timeout_s: float) -> bool:
        """End. False where a request holds it longer: it is left behind, and nothing waits for it."""
        server, thread = self._server, self._thread
        if server is None or thread is None:
            return True
        server.should_exit = True
        thread.join(timeout_s)
        if thread.is_alive():
            server.force_exit = True
            thread.join(timeout_s)
        if self._socket is not None:
            self._socket.close()
        return not thread.is_alive()


def _listen(host: str, port: int) -> socket.socket:
    family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen(128)
    except OSError:
        listening.close()
        raise
    return listening
