"""Strangers at a page's port cannot fill the disk by way of the log."""

from __future__ import annotations

import io
import logging
import socket
from collections.abc import Iterator

import pytest
from starlette.applications import Starlette

from motewatch.links.logs import MOST, BoundedHandler, LineFormatter
from motewatch.web.server import PageServer

REQUESTS = 300


@pytest.fixture
def written() -> Iterator[io.StringIO]:
    """What the library that serves would write, through the handler of the service."""
    stream, logger = io.StringIO(), logging.getLogger("uvicorn.error")
    handler = BoundedHandler(stream)
    handler.setFormatter(LineFormatter())
    logger.addHandler(handler)
    yield stream
    logger.removeHandler(handler)


def test_garbage_at_the_port_is_told_a_few_times_and_then_counted(written: io.StringIO) -> None:
    server = PageServer(Starlette(), "127.0.0.1", 0)
    server.start()
    for n in range(REQUESTS):
        with socket.create_connection(("127.0.0.1", server.port), timeout=20) as line:
            line.sendall(b"\x16\x03 garbage %d\r\n\r\n" % n)
            assert line.recv(100).startswith(b"HTTP/1.1 400")
    assert server.stop(10.0)
    lines = [
        line for line in written.getvalue().splitlines() if "Invalid HTTP request" in line and "lines=" not in line
    ]
    # The minute may turn meanwhile, once or (on a machine that hardly moves) a few times; without a bound it were all.
    assert MOST <= len(lines) <= 5 * MOST < REQUESTS
    assert "garbage" not in written.getvalue()
