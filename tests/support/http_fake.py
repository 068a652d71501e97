"""An HTTP server that answers as it is told: for answers no server we can install gives."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Callable, Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from support.certificates import Certificates

Answer = tuple[int, bytes] | tuple[int, bytes, Mapping[str, str]]


class FakeHttp:
    """`answer(method, path, headers, body)` gives status, body and perhaps headers. Remembers every request. Speaks
    HTTPS where certificates are given."""

    def __init__(
        self,
        answer: Callable[[str, str, dict[str, str], bytes], Answer],
        certificates: Certificates | None = None,
    ) -> None:
        self.requests: list[tuple[str, str, dict[str, str], bytes]] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def handle_any(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                request = (self.command, self.path, dict(self.headers), body)
                outer.requests.append(request)
                status, text, *more = answer(*request)
                self.send_response(status)
                for name, value in more[0].items() if more else ():
                    self.send_header(name, value)
                self.send_header("Content-Length", str(len(text)))
                self.end_headers()
                self.wfile.write(text)

            do_GET = do_POST = handle_any

            def log_message(self, *_: Any) -> None:
                return None

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, request: Any, client_address: Any) -> None:
                """A client that goes, or does not like our certificate, is no news."""

        self._server = Server(("127.0.0.1", 0), Handler)
        scheme = "http"
        if certificates is not None:
            scheme = "https"
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificates.server, certificates.key)
            # The handshake belongs to each client's own thread: one that hangs in it must not hold up the others.
            self._server.socket = context.wrap_socket(
                self._server.socket, server_side=True, do_handshake_on_connect=False
            )
        self.port: int = self._server.server_address[1]
        self.url = f"{scheme}://127.0.0.1:{self.port}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)

    def __enter__(self) -> FakeHttp:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)
