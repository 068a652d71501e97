"""What the service manager is told: that the service is up, that it lives, that it ends. The protocol is sd_notify's.

One datagram a message, to the socket named in `$NOTIFY_SOCKET` (a path, or `@NAME` in Linux's abstract space), as
systemd's manual page sd_notify(3) has it. Without that variable there is nobody to tell, and nothing is done.

Rules: a manager that cannot be told is no reason to fail; it judges silence by itself. Whether the service lives is
decided elsewhere: a caller that is not sure says nothing. Must not know what the service does.
"""

from __future__ import annotations

import logging
import socket
from collections.abc import Mapping
from typing import Final

SOCKET: Final = "NOTIFY_SOCKET"
EVERY: Final = "WATCHDOG_USEC"
OF: Final = "WATCHDOG_PID"
SEND_S: Final = 1.0
LONGEST_STATUS: Final = 200
_log = logging.getLogger(__name__)


class ServiceManager:
    """Tells the manager that started this process, where there is one. From any thread."""

    def __init__(self, environment: Mapping[str, str], pid: int) -> None:
        self._address = _address(environment.get(SOCKET, ""))
        whose = environment.get(OF, "")
        watched = self._address is not None and whose in ("", str(pid))
        self.lives_every_s = _seconds(environment.get(EVERY, "")) / 3 if watched else 0.0
        """How often it wants to hear `lives`: a third of its patience, so that two may be late. 0: not at all."""

    def up(self, status: str) -> bool:
        """The service is started; `status` is shown beside its name. True where somebody was told."""
        return self._tell(f"READY=1\nSTATUS={_line(status)}")

    def lives(self, status: str = "") -> bool:
        """It lives."""
        return self._tell("WATCHDOG=1" + (f"\nSTATUS={_line(status)}" if status else ""))

    def ends(self) -> bool:
        """It is about to end."""
        return self._tell("STOPPING=1")

    def _tell(self, what: str) -> bool:
        if self._address is None:
            return False
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
                # A full queue of the manager must not hold up the service.
                line.settimeout(SEND_S)
                line.sendto(what.encode(), self._address)
        except OSError as error:
            _log.warning("the service manager cannot be told", extra={"detail": str(error)})
            return False
        return True


def _address(name: str) -> str | None:
    # Other kinds of sockets (vsock) belong to virtual machines as a whole.
    if not name.startswith(("/", "@")) or len(name) < 2:
        return None
    return f"\0{name[1:]}" if name.startswith("@") else name


def _seconds(microseconds: str) -> float:
    return int(microseconds) / 1_000_000 if microseconds.isascii() and microseconds.isdigit() else 0.0


def _line(text: str) -> str:
    return " ".join(text.split())[:LONGEST_STATUS]
