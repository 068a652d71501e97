"""A TCP relay between a client and a server, for faults no server makes by itself: a cut, and a half-open line."""

from __future__ import annotations

import contextlib
import socket
import threading


class Relay:
    """Listens on `port` and passes bytes to and from `target_port`, both on loopback."""

    def __init__(self, target_port: int) -> None:
        self._target_port = target_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._lock = threading.Lock()
        self._sockets: set[socket.socket] = set()
        self._flowing = threading.Event()
        self._flowing.set()
        self._closed = False
        self.accepted = 0
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def cut(self) -> None:
        """End all connections, as when a cable is pulled and noticed."""
        with self._lock:
            for each in self._sockets:
                with contextlib.suppress(OSError):
                    each.shutdown(socket.SHUT_RDWR)

    def stall(self) -> None:
        """Keep all connections open and pass nothing any more, as when a firewall forgets them."""
        self._flowing.clear()

    def flow(self) -> None:
        """Pass bytes again."""
        self._flowing.set()

    def close(self) -> None:
        """End everything."""
        self._closed = True
        self._flowing.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self.cut()
        for thread in self._threads:
            thread.join(5)
        self._listener.close()

    def __enter__(self) -> Relay:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _accept(self) -> None:
        while not self._closed:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                far = socket.create_connection(("127.0.0.1", self._target_port), timeout=5)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            self.accepted += 1
            with self._lock:
                self._sockets |= {near, far}
            left = threading.Semaphore(1)
            for source, sink in ((near, far), (far, near)):
                thread = threading.Thread(target=self._pass, args=(source, sink, left), daemon=True)
                self._threads.append(thread)
                thread.start()

    def _pass(self, source: socket.socket, sink: socket.socket, left: threading.Semaphore) -> None:
        with contextlib.suppress(OSError):
            while chunk := source.recv(65536):
                self._flowing.wait()
                sink.sendall(chunk)
        for each in (source, sink):
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
        if not left.acquire(blocking=False):  # the second of the pair sweeps up
            with self._lock:
                self._sockets -= {source, sink}
            source.close()
            sink.close()
