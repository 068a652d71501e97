"""An HTTP server that answers as it is told: for answers no server we can install gives."""

from __future__ import annotations

import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

Answer = tuple[int, bytes]


class FakeHttp:
    """`answer(method, path, headers, body)` gives status and body. Remembers every request."""

    def __init__(self, answer: Callable[[str, str, dict[str, str], bytes], Answer]) -> None:
        self.requests: list[tuple[str, str, dict[str, str], bytes]] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def handle_any(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                request = (self.command, self.path, dict(self.headers), body)
                outer.requests.append(request)
                status, text = answer(*request)
                self.send_response(status)
                self.send_header("Content-Length", str(len(text)))
                self.end_headers()
                self.wfile.write(text)

            do_GET = do_POST = handle_any

            def log_message(self, *_: Any) -> None:
                return None

        class Server(ThreadingHTTPServer):
            daemon_threads = True

        self._server = Server(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)

    def __enter__(self) -> FakeHttp:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)
