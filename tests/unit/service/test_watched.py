"""When the service manager is told that the service lives, over a real socket and with a clock of the test's own."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from motewatch.links.clock import Clock
from motewatch.links.service_manager import ServiceManager
from motewatch.service.calling import TURN_S
from motewatch.service.watched import Watched


class Still(Clock):
    """A monotonic clock that the test moves."""

    def __init__(self) -> None:
        self.at_s = 1_000.0

    def monotonic_s(self) -> float:
        return self.at_s


class Scene:
    """A watched service: its clock, its writer's last turn, its trouble, and what the manager heard."""

    def __init__(self, heard: socket.socket, **environment: str) -> None:
        self.clock, self.heard, self.trouble = Still(), heard, ""
        self.turned_s = self.clock.at_s
        manager = ServiceManager({"NOTIFY_SOCKET": heard.getsockname(), **environment}, 1)
        self.watched = Watched(manager, self.clock)
        self.watched.begin("serving hall-3", lambda: self.turned_s, lambda: self.trouble)

    def after(self, seconds: float, turns: bool = True) -> list[bytes]:
        """What the manager heard from looking once a second for so long."""
        for _ in range(round(seconds)):
            self.clock.at_s += 1
            if turns:
                self.turned_s = self.clock.at_s
            self.watched.look()
        return self.said()

    def said(self) -> list[bytes]:
        """What has arrived. A datagram between two local sockets is there when it was sent."""
        found = []
        try:
            while True:
                found.append(self.heard.recv(999))
        except BlockingIOError:
            return found


@contextmanager
def scene(folder: Path, **environment: str) -> Iterator[Scene]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(folder / "notify"))
        heard.setblocking(False)
        yield Scene(heard, **environment)


def test_it_is_said_to_live_three_times_in_the_managers_patience(tmp_path: Path) -> None:
    with scene(tmp_path, WATCHDOG_USEC="30000000") as one:
        assert one.said() == [b"READY=1\nSTATUS=serving hall-3"]
        assert one.after(30) == [b"WATCHDOG=1"] * 3
        one.watched.end()
        assert one.said() == [b"STOPPING=1"]


def test_a_writer_that_does_not_turn_is_not_said_to_live(tmp_path: Path) -> None:
    with scene(tmp_path, WATCHDOG_USEC="30000000") as one:
        one.after(1)
        assert one.after(TURN_S, turns=False) != []
        assert one.after(300, turns=False) == []
        # It was only slow, and the manager more patient than we thought.
        assert one.after(10) == [b"WATCHDOG=1"]


def test_a_record_that_cannot_be_written_is_told_and_no_reason_to_be_killed(tmp_path: Path) -> None:
    with scene(tmp_path, WATCHDOG_USEC="30000000") as one:
        one.after(1)
        one.trouble = "the record cannot be written: disk full"
        assert one.after(20) == [b"WATCHDOG=1\nSTATUS=the record cannot be written: disk full", b"WATCHDOG=1"]
        one.trouble = ""
        assert one.after(10) == [b"WATCHDOG=1\nSTATUS=serving hall-3"]


def test_a_manager_that_does_not_ask_for_signs_of_life_hears_none(tmp_path: Path) -> None:
    with scene(tmp_path) as one:
        assert one.after(100) == [b"READY=1\nSTATUS=serving hall-3"]
