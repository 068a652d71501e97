"""A TCP server without manners: says what a script says, byte by byte if it likes, or nothing at all."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable
from typing import Final

Script = Callable[[socket.socket, threading.Event], None]
"""`script(connection, over)`: serves one connection; `over` is set when the test ends."""

BREATH_S: Final = 0.02


class Rude:
    """Use as a context. `port` is where it listens."""

    def __init__(self, script: Script) -> None:
        self._script = script
        self._over = threading.Event()
        self._socket = socket.create_server(("127.0.0.1", 0))
        self._socket.settimeout(0.1)
        self.port: int = self._socket.getsockname()[1]
        self.connections = 0
        self._threads: list[threading.Thread] = []

    def __enter__(self) -> Rude:
        self._begin(self._accept)
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        for thread in self._threads:
            thread.join(10)
        self._socket.close()

    def _begin(self, work: Callable[[], None]) -> None:
        thread = threading.Thread(target=work, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while not self._over.is_set():
            with contextlib.suppress(TimeoutError):
                connection, _ = self._socket.accept()
                self.connections += 1
                self._begin(lambda connection=connection: self._serve(connection))  # type: ignore[misc]

    def _serve(self, connection: socket.socket) -> None:
        with connection, contextlib.suppress(OSError):
            self._script(connection, self._over)


def silent(connection: socket.socket, over: threading.Event) -> None:
    """Accepts, and never says a word."""
    over.wait()


def dripping(head: bytes = b"", drop: bytes = b"x") -> Script:
    """Says `head`, then a drop now and then for ever: no single wait is long."""

    def script(connection: socket.socket, over: threading.Event) -> None:
        connection.sendall(head)
        while not over.wait(BREATH_S):
            connection.sendall(drop)

    return script


def in_turn(*answers: bytes) -> Script:
    """Says the first, then another one for each thing that is said to it, then hangs."""

    def script(connection: socket.socket, over: threading.Event) -> None:
        connection.settimeout(10)
        for number, answer in enumerate(answers):
            if number and not connection.recv(65_536):
                return
            connection.sendall(answer)
        over.wait()

    return script
