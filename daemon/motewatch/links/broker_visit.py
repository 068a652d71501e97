"""A short visit to the site's broker, to publish a little and leave: for commands, beside the service that runs.

Rules: a client id of its own and no session, so the service's connection is not thrown out; it subscribes to nothing.
Failures to get in are told as those of any server (`links.channels.line`).
"""

from __future__ import annotations

import contextlib
import secrets
import threading
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from motewatch.links.broker_tls import tls_context
from motewatch.links.channels.line import trouble
from motewatch.links.clock import TimeSource
from motewatch.links.connection import Connection, Publication, Terms
from motewatch.links.errors import ChannelAwayError, ChannelRefusedError
from motewatch.site.models import Broker

TURN_S: Final = 0.2


class BrokerVisit:
    """Use as a context: connected within `timeout_s`, or a `ChannelError` says why not. `publish` from any thread."""

    def __init__(
        self,
        settings: Broker,
        user: str | None,
        secret: str | None,
        base_dir: Path,
        clock: TimeSource,
        timeout_s: float = 10.0,
    ) -> None:
        self._clock = clock
        self._timeout_s = timeout_s
        self._user = user
        self._where = f"{settings.host}:{settings.port}"
        self._terms = Terms(
            host=settings.host,
            port=settings.port,
            client_id=f"motewatch-visit-{secrets.token_hex(6)}",
            username=user,
            secret=secret,
            tls=tls_context(settings, base_dir),
            keepalive_s=settings.keepalive_s,
            session_expiry_s=0,
            receive_maximum=20,
        )
        self._leaving = threading.Event()
        self._connection: Connection | None = None
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        connection = Connection(self._terms, self._clock, lambda _: None, lambda *_: None)
        try:
            self._get_in(connection)
        except BaseException:
            connection.close()
            raise
        self._connection = connection
        self._thread = threading.Thread(target=self._turn, args=(connection,), name="broker-visit", daemon=True)
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        assert self._connection is not None
        assert self._thread is not None
        self._leaving.set()
        self._connection.wake()
        self._thread.join(self._timeout_s)

    def publish(self, topic: str, payload: bytes, retain: bool, expiry_s: int | None = None) -> Publication:
        """See `links.channels.Publisher`."""
        assert self._connection is not None
        return self._connection.publish(topic, payload, retain, expiry_s)

    def _get_in(self, connection: Connection) -> None:
        end_s = self._clock.monotonic_s() + self._timeout_s
        try:
            connection.open(None)
        except (OSError, ValueError) as error:
            raise trouble(error, self._where) from None
        while connection.reason is None:
            if self._clock.monotonic_s() > end_s:
                raise ChannelAwayError(f"{self._where} takes the connection, but does not answer as a broker")
            if not connection.turn(TURN_S) and connection.reason is None:
                raise ChannelAwayError(
                    f"{self._where} ended the connection before accepting it; check service.broker.port and tls"
                )
        if connection.reason.is_failure:
            who = "clients that give no user name" if self._user is None else f"user '{self._user}'"
            raise ChannelRefusedError(
                f"{self._where} refuses {who}: {connection.reason.getName()}; check the user and "
                "password, and the broker's own password file"
            )

    def _turn(self, connection: Connection) -> None:
        try:
            while not self._leaving.is_set() and connection.turn(TURN_S):
                pass
            with contextlib.suppress(OSError, ValueError):
                connection.disconnect()
                connection.turn(0.0)
        finally:
            connection.close()
