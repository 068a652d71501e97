"""What the service manager is told, over real sockets."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from motewatch.links.service_manager import ServiceManager


@pytest.fixture
def heard(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as made:
        made.bind(str(tmp_path / "notify"))
        made.settimeout(10)
        yield made


def manager(heard: socket.socket, **more: str) -> ServiceManager:
    return ServiceManager({"NOTIFY_SOCKET": heard.getsockname(), **more}, 77)


def test_it_is_told_of_start_life_and_end(heard: socket.socket) -> None:
    told = manager(heard)
    assert told.up("serving hall-3")
    assert told.lives()
    assert told.lives("the record\ncannot be written\nREADY=1")
    assert told.ends()
    assert [heard.recv(999) for _ in range(4)] == [
        b"READY=1\nSTATUS=serving hall-3",
        b"WATCHDOG=1",
        b"WATCHDOG=1\nSTATUS=the record cannot be written READY=1",
        b"STOPPING=1",
    ]


def test_a_name_in_the_abstract_space() -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind("")  # Linux chooses a free abstract name
        heard.settimeout(10)
        name = heard.getsockname()[1:].decode()
        assert ServiceManager({"NOTIFY_SOCKET": f"@{name}"}, 77).ends()
        assert heard.recv(999) == b"STOPPING=1"


@pytest.mark.parametrize("name", ["", "vsock:2:1234", "relative", "/"])
def test_without_a_socket_nobody_is_told(name: str) -> None:
    alone = ServiceManager({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "30000000"}, 77)
    assert not alone.up("x")
    assert alone.lives_every_s == 0


def test_a_manager_that_is_gone_or_full_does_not_stop_the_service(tmp_path: Path) -> None:
    assert not ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "gone")}, 77).up("x")


@pytest.mark.parametrize(
    ("more", "every_s"),
    [
        ({}, 0.0),
        ({"WATCHDOG_USEC": "30000000"}, 10.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "77"}, 10.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "78"}, 0.0),
        ({"WATCHDOG_USEC": "soon"}, 0.0),
        ({"WATCHDOG_USEC": "-1"}, 0.0),
    ],
)
def test_how_often_it_wants_to_hear(heard: socket.socket, more: dict[str, str], every_s: float) -> None:
    assert manager(heard, **more).lives_every_s == every_s
