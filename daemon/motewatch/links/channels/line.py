"""The line to a server: a deadline over the whole conversation, checked certificates, and troubles in words.

Rules: time-outs of sockets hold for one operation, so a server that sends a byte now and then would hold us for ever;
here a timer cuts the connection instead. It cuts a duplicate of the socket, since TLS puts another object over the
first. A look-up of a name cannot be cut: the caller's thread is then left behind. Every trouble says what to look at.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from motewatch.links.call_message import CallMessage
from motewatch.links.clock import TimeSource
from motewatch.links.errors import ChannelAwayError, ChannelError, ChannelRefusedError, LinkSettingsError

SPARE_S: Final = 5.0
"""A socket's own time-out comes so much later than the cut, so that one reason is told, not two."""

AUTHORITY: Final = "name the file of its authority in ca_file, and write the host as the certificate does"

_CUT_OFF: Final = (ssl.SSLEOFError, ssl.SSLZeroReturnError, ssl.SSLSyscallError)


class Line:
    """Use as a context: after `deadline_s` every socket that is watched is cut, and `expired` is true."""

    def __init__(self, clock: TimeSource, deadline_s: float) -> None:
        self.deadline_s = deadline_s
        self._clock = clock
        self._end_s = clock.monotonic_s() + deadline_s
        self._lock = threading.Lock()
        self._watched: list[socket.socket] = []
        self._expired = False
        self._timer = threading.Timer(deadline_s, self._cut)
        self._timer.daemon = True

    def __enter__(self) -> Self:
        self._timer.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        self._timer.cancel()
        with self._lock:
            for each in self._watched:
                each.close()
            self._watched.clear()

    @property
    def expired(self) -> bool:
        """Whether the deadline has passed."""
        return self._expired

    @property
    def left_s(self) -> float:
        """Seconds that are left; never quite nothing, because that would mean without a time-out."""
        return max(0.001, self._end_s - self._clock.monotonic_s())

    def watch(self, sock: socket.socket) -> None:
        """Cut this connection too when the deadline passes."""
        twin = sock.dup()
        with self._lock:
            self._watched.append(twin)
            if self._expired:
                _shut(twin)

    def connect(self, host: str, port: int) -> socket.socket:
        """A watched connection to the first address of the host that answers. Raises OSError."""
        addresses = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        last: OSError = OSError(f"no address for {host}")
        for number, (family, kind, protocol, _, address) in enumerate(addresses):
            if self._expired:
                raise TimeoutError
            sock = socket.socket(family, kind, protocol)
            try:
                # One address that swallows everything must not take the time of all others.
                sock.settimeout(self.left_s / (len(addresses) - number))
                sock.connect(address)
                sock.settimeout(self.deadline_s + SPARE_S)
                self.watch(sock)
            except OSError as error:
                sock.close()
                last = error
            else:
                return sock
        raise last

    def _cut(self) -> None:
        with self._lock:
            self._expired = True
            for each in self._watched:
                _shut(each)


def _shut(sock: socket.socket) -> None:
    with contextlib.suppress(OSError):
        sock.shutdown(socket.SHUT_RDWR)


def tls_context(ca_file: str | None, base_dir: Path, table: str) -> ssl.SSLContext:
    """Checks certificate and host name, against `ca_file` alone where it is given. Raises `LinkSettingsError`."""
    path = None if ca_file is None else str(base_dir / ca_file)
    try:
        return ssl.create_default_context(cafile=path)
    except (OSError, ssl.SSLError) as error:
        why = error.strerror if isinstance(error, OSError) and not isinstance(error, ssl.SSLError) else error
        raise LinkSettingsError(
            f"{table} ca_file", f"'{path}' cannot be used ({why})", "give a PEM file with the server's authority"
        ) from None


def answers_of(message: CallMessage) -> list[str]:
    """What of a call must not be kept when an answer repeats it: its link, and the token in that."""
    return [] if message.link is None else [message.link, message.link.rsplit("/", 1)[-1]]


def chain(error: BaseException) -> Iterator[BaseException]:
    """The error and what caused it: libraries wrap what the system said."""
    found: BaseException | None = error
    for _ in range(10):
        if found is None:
            return
        yield found
        found = found.__cause__ or found.__context__


def trouble(
    error: BaseException, where: str, *, may_have_arrived: bool = False, authority: str = AUTHORITY
) -> ChannelError:
    """What a failure of the connection to `where` (`host:port`) means, in words. Never the error's own text alone:
    that may hold what was sent. `authority`: how a certificate that does not hold is mended."""
    for each in chain(error):
        if isinstance(each, ssl.SSLCertVerificationError):
            return ChannelRefusedError(
                f"{where} shows a certificate that does not hold ({each.verify_message}); {authority}"
            )
        if isinstance(each, ssl.SSLError) and not isinstance(each, _CUT_OFF):
            why = (each.reason or "no agreement").replace("_", " ").lower()
            return ChannelRefusedError(
                f"{where} does not speak TLS as we do ({why}); check port and tls: a port either begins encrypted "
                "or becomes so by STARTTLS"
            )
    for each in chain(error):
        if isinstance(each, socket.gaierror):
            host = where.rsplit(":", 1)[0]
            return ChannelAwayError(
                f"the name '{host}' is not known here ({each.strerror}); check how it is written, and the name "
                "servers of this machine"
            )
        if isinstance(each, ConnectionRefusedError):
            return ChannelAwayError(
                f"{where} refuses connections; check host and port, that the service runs there, and firewalls"
            )
        if isinstance(each, TimeoutError):
            return ChannelAwayError(
                f"{where} does not answer; check host and port, and firewalls in between",
                may_have_arrived=may_have_arrived,
            )
        if isinstance(each, (*_CUT_OFF, ConnectionError)):
            break
        if isinstance(each, OSError) and each.strerror:
            return ChannelAwayError(
                f"{where} cannot be reached ({each.strerror}); check host, port and network",
                may_have_arrived=may_have_arrived,
            )
    return ChannelAwayError(f"{where} broke off the connection", may_have_arrived=may_have_arrived)


def too_late(where: str, deadline_s: float, *, may_have_arrived: bool) -> ChannelAwayError:
    """The deadline passed."""
    return ChannelAwayError(
        f"{where} did not answer within {deadline_s:g} s; check host and port, that it runs, and firewalls in between",
        may_have_arrived=may_have_arrived,
    )
